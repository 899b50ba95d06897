"""What can be offered to a client who comes late. Reads only: nothing is done until somebody chooses."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from uuid import UUID

from services.models import Line, LineState, Visit, VisitState
from services.queries import visits as queries
from services.queries.alternatives import Clashed, asked_of, options_for
from services.queries.availability import availability
from services.rules.availability.model import GRID_MINUTES, Option
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy

#: Searches for a shorter visit: every choice of lines of a visit of four, and the likeliest of more.
MOST_TRIED = 14
MOST_SHORTENED = 3
_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One way to go on: `shortened` at the expected time without `dropped`, or whole and `moved`."""

    kind: str
    option: Option
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
    moved = [Offer(kind="moved", option=o) for o in options_for(actor, now, whole)]
    shortened = list(_shortened(actor, now, visit, lines, expected_at))
    return LateArrival(visit=visit, expected_at=expected_at, offers=[*shortened, *moved])


def _on_grid(at: datetime) -> datetime:
    past = timedelta(
        minutes=at.minute % GRID_MINUTES, seconds=at.second, microseconds=at.microsecond
    )
    return at if not past else at - past + timedelta(minutes=GRID_MINUTES)


def _shortened(
    actor: Actor, now: datetime, visit: Visit, lines: Sequence[Line], expected_at: datetime
) -> Iterator[Offer]:
    found = 0
    for kept in _choices(lines)[:MOST_TRIED]:
        options = availability(
            actor=actor,
            now=now,
            location_id=visit.location_id,
            client_id=visit.client_id,
            lines=asked_of((x.service_id, x.practitioner_id) for x in kept),
            since=expected_at,
            until=expected_at + _MINUTE,
            limit=1,
            without={visit.id},
            explain=False,
        ).options
        if options:
            dropped = tuple(x.id for x in lines if x not in kept)
            yield Offer(kind="shortened", option=options[0], dropped=dropped)
            found += 1
            if found == MOST_SHORTENED:
                return


def _choices(lines: Sequence[Line]) -> list[tuple[Line, ...]]:
    """Every choice of fewer lines in their order: most lines first, then the longest work."""
    fewer = [kept for many in range(len(lines) - 1, 0, -1) for kept in combinations(lines, many)]
    return sorted(
        fewer, key=lambda kept: (-len(kept), -sum(x.service.hands_on_minutes for x in kept))
    )
