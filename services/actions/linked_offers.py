"""What to offer where visits that belong together clashed: starts at which all of them can be had. Reads only."""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from uuid import UUID

from django.db import OperationalError, connection

from services.actions.linking import Arrangement
from services.queries.alternatives import AHEAD, MOST, SECONDS
from services.queries.availability import Asked, LineAsked, asked_for
from services.rules.availability.linked import CutShort, Linked
from services.rules.availability.model import Option
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading

#: House policy: whoever comes after another waits for no longer.
MOST_BETWEEN = timedelta(hours=1)
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Party:
    """One of the visits that belong together: whose it is, and what was asked for."""

    client_id: UUID
    lines: tuple[LineAsked, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkedClash:
    """Visits that could not be had together. What the visits `without` have taken counts as free."""

    location_id: UUID
    arrangement: Arrangement
    parties: tuple[Party, ...]
    since: datetime
    without: frozenset[UUID] = frozenset()


def linked_alternatives(
    *, actor: Actor, now: datetime, clashed: LinkedClash
) -> list[list[Option]] | None:
    """The first three times of the next seven days at which all can be had, with an option for each visit.

    With the same practitioners, else with anybody. The search is exact and stops after `SECONDS`: what
    was found until then is told, and None where that is nothing, or nothing could be looked for; an
    empty list says that there is nothing. In a transaction of its own.
    """
    try:
        with reading(actor.business_id), connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL statement_timeout = {SECONDS * 1000}")
            found = linked_options(actor, now, clashed, seconds=SECONDS)
            cursor.execute("SET LOCAL statement_timeout TO DEFAULT")
    except (Problem, OperationalError):
        return None
    return found


def linked_options(
    actor: Actor, now: datetime, clashed: LinkedClash, *, seconds: float
) -> list[list[Option]] | None:
    """The same inside a read that is open already; raises what the search raises."""
    until = time.monotonic() + seconds
    since = max(clashed.since, now)
    found: list[list[Option]] = []
    try:
        for same_people in (True, False):
            asked = [
                asked_for(
                    actor=actor,
                    now=now,
                    location_id=clashed.location_id,
                    client_id=party.client_id,
                    lines=[
                        line if same_people else replace(line, practitioner_id=None)
                        for line in party.lines
                    ],
                    since=since,
                    without=clashed.without,
                )
                for party in clashed.parties
            ]
            for linked in _days(asked, clashed.arrangement, Period(since, since + AHEAD), until):
                for options in linked.options():
                    found.append(options)
                    if len(found) == MOST:
                        return found
            if found:
                return found
    except CutShort:
        return found or None
    return []


def _days(
    asked: Sequence[Asked], arrangement: Arrangement, period: Period, until: float
) -> Iterator[Linked]:
    """The search day by day: most questions are answered by the first."""
    in_turn = arrangement is Arrangement.IN_TURN
    start = period.start
    while start < period.end:
        end = min(start + _DAY, period.end)
        # Who comes last may come a day after the first, and their kit wait for those of all others.
        horizon = end + (1 + len(asked)) * _DAY
        yield Linked(
            questions=[
                one.question(Period(start, end + _DAY if in_turn and n else end), horizon)
                for n, one in enumerate(asked)
            ],
            between=MOST_BETWEEN if in_turn else None,
            go_on=lambda: time.monotonic() < until,
        )
        start = end
