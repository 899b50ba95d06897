"""What to offer where visits that belong together clashed: starts at which all of them can be had. Reads only."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import permutations
from uuid import UUID

from django.db import OperationalError, connection

from services.actions.linking import Arrangement
from services.actions.plans import Doers, LineRequest, new_line, wanted_claims
from services.models import Visit
from services.queries.alternatives import AHEAD, MOST, SECONDS
from services.queries.availability import Asked, LineAsked, asked_for
from services.queries.margins import planned_margins
from services.rules.availability.bits import MINUTE, also_taken
from services.rules.availability.model import Option, Question
from services.rules.availability.search import options
from spa_ops.claims.models import Phase
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading

#: So many starts of the first are tried with the others: what is further away is searched for by hand.
MOST_TRIED = 60
#: House policy: whoever comes after another waits for no longer.
MOST_BETWEEN = timedelta(hours=1)
_DAY = timedelta(days=1)
Taken = dict[UUID, list[tuple[Phase, Period]]]


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
    """Up to three times in the next seven days, each with an option for each visit in their order.

    With the same practitioners, else with anybody. What is found can be booked as it is told; not
    everything that could be is found, since each takes its best before the next one looks. None
    where they could not be looked for, in time or at all. In a transaction of its own.
    """
    try:
        with reading(actor.business_id), connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL statement_timeout = {SECONDS * 1000}")
            found = linked_options(actor, now, clashed)
            cursor.execute("SET LOCAL statement_timeout TO DEFAULT")
    except (Problem, OperationalError):
        return None
    return found


def linked_options(actor: Actor, now: datetime, clashed: LinkedClash) -> list[list[Option]]:
    """The same inside a read that is open already, without a limit of time."""
    since = max(clashed.since, now)
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
        found = list(_found(asked, clashed.arrangement, Period(since, since + AHEAD)))
        if found:
            return found
    return []


def _found(
    asked: Sequence[Asked], arrangement: Arrangement, period: Period
) -> Iterable[list[Option]]:
    missing, tries, start = MOST, MOST_TRIED, period.start
    while start < period.end:
        end = min(start + _DAY, period.end)
        firsts = options(asked[0].question(Period(start, end), end + _DAY), tries)
        for first in firsts:
            together = _at(asked, arrangement, first.starts_at)
            if together is not None:
                yield together
                missing -= 1
                if not missing:
                    return
        tries -= len(firsts)
        if tries <= 0:
            return
        start = end


def _at(
    asked: Sequence[Asked], arrangement: Arrangement, starts_at: datetime
) -> list[Option] | None:
    """An option for each, the first at that time; None: not in any order of looking."""
    if arrangement is Arrangement.IN_TURN:
        return _in_order(asked, range(len(asked)), starts_at, in_turn=True)
    for order in permutations(range(len(asked))):
        found = _in_order(asked, order, starts_at, in_turn=False)
        if found is not None:
            return found
    return None


def _in_order(
    asked: Sequence[Asked], order: Iterable[int], starts_at: datetime, *, in_turn: bool
) -> list[Option] | None:
    taken: Taken = {}
    found: dict[int, Option] = {}
    at = starts_at
    for n in order:
        # Who comes in turn may have to wait for the turnover, and does not wait for long.
        period = Period(at, at + (MOST_BETWEEN if in_turn and found else MINUTE))
        question = asked[n].question(period, period.end + _DAY)
        option = next(iter(options(_with(question, taken), 1)), None)
        if option is None:
            return None
        found[n] = option
        for who, phase, span in _takes(asked[n], option, question):
            taken.setdefault(who, []).append((phase, span))
        at = option.ends_at if in_turn else at
    return [found[n] for n in sorted(found)]


def _takes(asked: Asked, option: Option, question: Question) -> list[tuple[UUID, Phase, Period]]:
    """What booking the option would take of whom, as booking itself says it."""
    facts = asked.facts
    visit = Visit(id=uuid7(), business_id=facts.place.business_id)
    rows = [
        new_line(
            visit,
            i,
            LineRequest(
                service_id=line.service_id,
                practitioner_id=line.practitioner_id,
                room_id=line.room_id,
                kit_id=line.kit_id,
            ),
            facts.services[line.service_id],
            line.spans,
            Doers(set_up_by=line.set_up_by, turnover_by=line.turnover_by),
        )
        for i, line in enumerate(option.lines)
    ]
    margins = replace(planned_margins(rows, facts), way_back=question.way_back)
    wanted = wanted_claims(asked.client.id, rows, margins)
    return [(w.bookable_id, w.phase, w.period) for w in wanted]


def _with(question: Question, taken: Taken) -> Question:
    """The question with what the others of the link take."""
    if not taken:
        return question

    def spans(one: UUID) -> list[Period]:
        return [span for _, span in taken.get(one, ())]

    soaking = [span for own in taken.values() for phase, span in own if phase is Phase.SOAK]
    way = question.way_back
    return replace(
        question,
        practitioners=tuple(
            replace(p, busy=also_taken(p.busy, spans(p.id))) for p in question.practitioners
        ),
        attendants=tuple(
            replace(a, busy=also_taken(a.busy, spans(a.id))) for a in question.attendants
        ),
        rooms=tuple(replace(r, busy=also_taken(r.busy, spans(r.id))) for r in question.rooms),
        kits=tuple(replace(k, busy=also_taken(k.busy, spans(k.id))) for k in question.kits),
        way_back=replace(way, soaking=(*way.soaking, *soaking)) if way.capacity else way,
    )
