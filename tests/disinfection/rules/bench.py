"""A small language for bench stories: times in seconds from nine o'clock, one bath, one wipe."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

from compliance.disinfection.rules.clearance import clearance, derive
from compliance.disinfection.rules.reprocessing import (
    OF_THE_BATH,
    Agent,
    Event,
    EventKind,
    ImplementClass,
)

NINE = datetime(2026, 3, 2, 9, tzinfo=UTC)
TWEEZERS, SCISSORS, LAMP, LANCE = (UUID(int=n) for n in (1, 2, 3, 4))
BATH, OTHER_BATH, WIPE = (UUID(int=n) for n in (11, 12, 13))
PROBE = UUID(int=5)
LOAD, OTHER_LOAD = (UUID(int=n) for n in (31, 32))
ANNA, BEN = UUID(int=21), UUID(int=22)
TEN_MINUTES = 600

KINDS = {
    TWEEZERS: ImplementClass.IMMERSIBLE,
    SCISSORS: ImplementClass.IMMERSIBLE,
    LAMP: ImplementClass.NOT_IMMERSIBLE,
    LANCE: ImplementClass.MUST_BE_STERILISED,
}


def at(seconds):
    return NINE + timedelta(seconds=seconds)


def agent(id_=BATH, *, contact=TEN_MINUTES, ends=None, **more):
    return Agent(
        id=id_,
        contact_seconds=contact,
        usable_from=NINE - timedelta(hours=1),
        ends_at=None if ends is None else at(ends),
        **more,
    )


AGENTS = {BATH: agent(), OTHER_BATH: agent(OTHER_BATH), WIPE: agent(WIPE, contact=120)}


def event(kind, seconds, implement=TWEEZERS, **more):
    return Event(
        kind=EventKind(kind),
        at=at(seconds),
        implement_id=None if kind in OF_THE_BATH else implement,
        **more,
    )


def cleaned(start, implement=TWEEZERS):
    return [event(k, start, implement) for k in ("washed", "rinsed", "dried")]


def immersed(seconds, implement=TWEEZERS, *, bath=BATH, fully_open=True):
    return event("immersed", seconds, implement, agent_id=bath, fully_open=fully_open)


def put_away(start, implement=TWEEZERS):
    return [
        event("rinsed", start, implement),
        event("dried", start, implement),
        event("stored", start, implement, covered=True),
    ]


def way_back(start=0, soak=TEN_MINUTES, implement=TWEEZERS, *, bath=BATH):
    """The whole right way from soiled to stored, lifted `soak` seconds after going in."""
    return [
        *cleaned(start, implement),
        immersed(start, implement, bath=bath),
        event("lifted", start + soak, implement),
        *put_away(start + soak, implement),
    ]


def sterilised(start, implement=TWEEZERS, *, load=LOAD, keeps_until=None):
    """The whole right way from soiled to sterile, an hour long."""
    return [
        *cleaned(start, implement),
        event("packed", start, implement),
        event("loaded", start + 60, implement, agent_id=load),
        event("sterilised", start + 3600, implement, agent_id=load, keeps_until=keeps_until),
    ]


def wiped(seconds, implement=LAMP):
    return event("wiped", seconds, implement, agent_id=WIPE)


def track(events, implement=TWEEZERS, agents=AGENTS, kinds=KINDS):
    return derive(kinds, events, agents).tracks[implement]


def read(events, implement=TWEEZERS, as_of=10_000, agents=AGENTS, kinds=KINDS):
    return clearance(track(events, implement, agents, kinds), as_of=at(as_of), agents=agents)
