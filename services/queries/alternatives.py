"""What to offer where a plan clashed: the first options of the same lines. Reads only."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from uuid import UUID

from django.db import OperationalError, connection

from services.queries.availability import LineAsked, availability
from services.rules.availability.model import Option
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading

MOST = 3
AHEAD = timedelta(days=7)
#: Of any one statement: nobody at the desk waits for offers on a busy server.
SECONDS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Clashed:
    """The plan that could not be had. What the plans and lines `without` have taken counts as free."""

    location_id: UUID
    client_id: UUID
    lines: tuple[LineAsked, ...]
    since: datetime
    without: frozenset[UUID] = frozenset()


def asked_of(lines: Iterable[tuple[UUID, UUID]]) -> tuple[LineAsked, ...]:
    """(service, practitioner) of each line as it is asked for again: in any room, with any kit."""
    return tuple(LineAsked(service_id=s, practitioner_id=p) for s, p in lines)


def options_for(actor: Actor, now: datetime, clashed: Clashed) -> list[Option]:
    """The same inside a read that is open already, without a limit of time; raises what the search raises."""
    anybody = tuple(replace(line, practitioner_id=None) for line in clashed.lines)
    since = max(clashed.since, now)
    for lines in (clashed.lines, anybody):
        found = availability(
            actor=actor,
            now=now,
            location_id=clashed.location_id,
            client_id=clashed.client_id,
            lines=lines,
            since=since,
            until=since + AHEAD,
            limit=MOST,
            without=clashed.without,
            explain=False,
        ).options
        if found:
            break
    return found


def alternatives(*, actor: Actor, now: datetime, clashed: Clashed) -> list[Option] | None:
    """Up to three options of the next seven days: with the same practitioners, else with anybody.

    None where they could not be looked for, in time or at all. In a transaction of its own.
    """
    try:
        with reading(actor.business_id), connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL statement_timeout = {SECONDS * 1000}")
            found = options_for(actor, now, clashed)
            cursor.execute("SET LOCAL statement_timeout TO DEFAULT")
    except (Problem, OperationalError):
        return None
    return found
