"""What can be offered to a client who comes late. Reads only: nothing is done until somebody chooses."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import combinations
from uuid import UUID

from services.models import Line, LineState, Visit, VisitState
from services.queries import visits as queries
from services.queries.alternatives import MOST, Clashed, asked_of, options_for
from services.queries.availability import LineAsked, availability
from services.rules.availability.model import GRID_MINUTES, Option
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy

#: Searches for a shorter visit: the likeliest of a visit of many lines.
MOST_TRIED = 14
MOST_SHORTENED = 3
#: Who stands at the desk would rather see somebody else today than come again: house policy.
SOON = timedelta(hours=4)
_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One way to go on: `shortened` at the expected time without `dropped`, or whole and `moved`.

    `brief`: for each line of the option whether it is planned with its shortest hands-on time.
    """

    kind: str
    option: Option
    brief: tuple[bool, ...]
    dropped: tuple[UUID, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LateArrival:
    """When the client can be received at the earliest, on the grid, and what can be had from then on."""

    visit: Visit
    expected_at: datetime
    offers: list[Offer]


def late_arrival(*, actor: Actor, now: datetime, visit_id: UUID, minutes: int) -> LateArrival:
    """What a client who comes so many minutes after the start can have; each offer is free as this is read.

    What the visit has itself counts as free. Raises `NotFound`, `WrongState` unless it is booked,
    and what the search for starts raises.
    """
    visit = tenancy.loaded(Visit, visit_id, actor)
    if visit.state != VisitState.BOOKED:
        raise WrongState(thing="visit", state=visit.state, needed="booked")
    lines = [x for x in queries.lines_of(visit_id) if x.state != LineState.DROPPED]
    expected_at = _on_grid(max(visit.starts_at + minutes * _MINUTE, now))
    whole = Clashed(
        location_id=visit.location_id,
        client_id=visit.client_id,
        lines=asked_of((x.service_id, x.practitioner_id) for x in lines),
        since=expected_at,
        without=frozenset({visit_id}),
    )
    at_length = (False,) * len(lines)
    moved = [
        Offer(kind="moved", option=o, brief=at_length)
        for o in _whole(actor, now, whole, expected_at)
    ]
    shortened = list(_shortened(actor, now, visit, lines, expected_at))
    return LateArrival(visit=visit, expected_at=expected_at, offers=[*shortened, *moved])


def _on_grid(at: datetime) -> datetime:
    past = timedelta(
        minutes=at.minute % GRID_MINUTES, seconds=at.second, microseconds=at.microsecond
    )
    return at if not past else at - past + timedelta(minutes=GRID_MINUTES)


def _whole(actor: Actor, now: datetime, whole: Clashed, expected_at: datetime) -> list[Option]:
    """The same at its full length: with the same people, and with anybody if they have no time soon."""
    found = options_for(actor, now, whole)
    if found and found[0].starts_at < expected_at + SOON:
        return found
    by_anybody = availability(
        actor=actor,
        now=now,
        location_id=whole.location_id,
        client_id=whole.client_id,
        lines=[replace(line, practitioner_id=None) for line in whole.lines],
        since=expected_at,
        until=expected_at + SOON,
        limit=MOST,
        without=whole.without,
        explain=False,
    ).options
    return [*by_anybody, *found]


def _shortened(
    actor: Actor, now: datetime, visit: Visit, lines: Sequence[Line], expected_at: datetime
) -> Iterator[Offer]:
    found = 0
    for kept, brief in _choices(lines)[:MOST_TRIED]:
        options = availability(
            actor=actor,
            now=now,
            location_id=visit.location_id,
            client_id=visit.client_id,
            lines=[
                LineAsked(
                    service_id=line.service_id,
                    practitioner_id=line.practitioner_id,
                    shortened=shortened,
                )
                for line, shortened in zip(kept, brief, strict=True)
            ],
            since=expected_at,
            until=expected_at + _MINUTE,
            limit=1,
            without={visit.id},
            explain=False,
        ).options
        if options:
            dropped = tuple(x.id for x in lines if x not in kept)
            yield Offer(kind="shortened", option=options[0], brief=brief, dropped=dropped)
            found += 1
            if found == MOST_SHORTENED:
                return


def _choices(lines: Sequence[Line]) -> list[tuple[tuple[Line, ...], tuple[bool, ...]]]:
    """Lines to keep, in their order, and which of them at their shortest: most lines, then longest work, first."""
    found = []
    for many in range(len(lines), 0, -1):
        for kept in combinations(lines, many):
            could = tuple(x.service.shortest_hands_on_minutes > 0 for x in kept)
            found += [(kept, (False,) * many)] if many < len(lines) else []
            found += [(kept, could)] if any(could) else []
    return sorted(found, key=lambda choice: (-len(choice[0]), -_work(*choice)))


def _work(kept: Sequence[Line], brief: Sequence[bool]) -> int:
    services = [line.service for line in kept]
    return sum(
        s.shortest_hands_on_minutes if short else s.hands_on_minutes
        for s, short in zip(services, brief, strict=True)
    )
