"""When skill, licence and shifts let somebody work, as spans. Reads nothing itself."""

from datetime import UTC, date, datetime, time, timedelta
from uuid import UUID

from services.models import Duty
from services.queries.planning import PlanFacts
from services.rules.availability.model import Spans
from spa_ops.kernel.intervals import Period, at_local

_DAY = timedelta(days=1)
#: Before any licence and behind any plan.
ALWAYS = Period(datetime(1990, 1, 1, tzinfo=UTC), datetime(2190, 1, 1, tzinfo=UTC))


def covers_of(facts: PlanFacts, who: UUID, service_id: UUID) -> Spans:
    """When skill and licence together let the person begin the service."""
    key = (who, service_id)
    if key not in facts.skills:
        return ()
    end = min(facts.skills[key] or ALWAYS.end, ALWAYS.end)
    found = []
    for person, valid_from, valid_through in facts.licences:
        if person == who:
            first = _midnight(valid_from, facts, ALWAYS.start)
            last = min(end, _midnight(valid_through + _DAY, facts, ALWAYS.end))
            found += [Period(first, last)] if first < last else []
    return tuple(found)


def _midnight(day: date | None, facts: PlanFacts, otherwise: datetime) -> datetime:
    if day is None or not ALWAYS.start.date() < day < ALWAYS.end.date():
        return otherwise
    return at_local(day, time(0), facts.place.zone)


def on_shift_of(facts: PlanFacts, who: UUID, duty: Duty, reach: Period) -> Spans:
    """When the person is at work with that duty, breaks left out, their role still running."""
    end = facts.roles_end.get(who, reach.end)
    return tuple(
        Period(span.start, min(span.end, end))
        for shift in facts.shifts.get((who, duty), ())
        for span in shift.within(reach)
        if span.start < end
    )
