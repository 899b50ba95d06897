"""On which service days does a rule stand, given one thing that was declared or found?

A thing of which only an earliest and a latest day are known makes the rule stand on every
service day on which it would stand for at least one of those days: the worst case.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal

from clients.rules.areas import AreaTree
from clients.rules.cases import (
    Declaration,
    Finding,
    LineToScreen,
    Unclear,
)
from clients.rules.dates import DateRange, Unit, Window, exactly
from clients.rules.model import (
    AboutClient,
    Kind,
    Phase,
    Reach,
    Rule,
    RuleSet,
)

_DAY = timedelta(days=1)
_OWN_DAY = Window(count=1, unit=Unit.DAYS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The service days from `start` up to but not including `end`; `date.max` has no end."""

    start: date
    end: date

    def contains(self, day: date) -> bool:
        return self.start <= day < self.end


ALWAYS = Span(start=date.min, end=date.max)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """A declaration or a finding in one shape; what is seen today goes on today.

    No areas stands for everywhere, `still` None for "may go on".
    """

    kind: Kind
    when: DateRange
    areas: frozenset[str]
    still: bool | None
    is_seen: bool
    said_today: bool
    details: frozenset[str] = frozenset()
    millimetres: Decimal | None = None


def as_observed(
    rule_set: RuleSet, declarations: Sequence[Declaration], findings: Sequence[Finding], today: date
) -> Iterator[Observed]:
    """Declarations and findings in one shape; what cannot be planned was at the latest today."""
    for said in declarations:
        kind = rule_set.kinds[said.kind]
        yield Observed(
            kind=kind,
            when=said.when if kind.may_be_planned else said.when.up_to(today),
            areas=said.areas,
            still=said.still,
            is_seen=False,
            said_today=said.said_today,
            details=said.details,
        )
    for found in findings:
        yield Observed(
            kind=rule_set.kinds[found.code],
            when=exactly(today),
            areas=found.areas,
            still=True,
            is_seen=True,
            said_today=False,
            millimetres=found.millimetres,
        )


def span_of(
    rule: Rule, line: LineToScreen, thing: Observed, tree: AreaTree, today: date
) -> Span | None:
    """The service days of `line` on which `rule` stands because of `thing`; None for never.

    `thing` is of one of the kinds that the rule is about.
    """
    trigger = rule.trigger
    if not isinstance(trigger, AboutClient):
        return None
    if not (_near(rule, line, thing, tree) and _detail_fits(trigger, line, thing)):
        return None
    return _days(rule, thing, today)


def unclear_about(
    rule: Rule, line: LineToScreen, thing: Observed, tree: AreaTree, today: date
) -> frozenset[Unclear]:
    """What about `thing` was left open and, said more exactly, could free the line or its date."""
    trigger = rule.trigger
    if not isinstance(trigger, AboutClient):
        return frozenset()
    found = {
        Unclear.DATE: _date_is_open(rule, line.on, thing, today),
        Unclear.AREA: not thing.areas and rule.reach is not Reach.BODY,
        Unclear.DETAIL: _detail_is_open(trigger, thing),
        Unclear.STILL: thing.still is None
        and not _same_days(rule, line.on, thing, replace(thing, still=False), today),
    }
    return frozenset(what for what, is_open in found.items() if is_open)


def _date_is_open(rule: Rule, on: date, thing: Observed, today: date) -> bool:
    # Both ends of a span move the same way as the event's day, so its two ends tell for all days.
    ends = () if thing.when.is_exact else (thing.when.earliest, thing.when.latest)
    exact = (replace(thing, when=exactly(day)) for day in ends)
    return any(not _same_days(rule, on, thing, clear, today) for clear in exact)


def _same_days(rule: Rule, on: date, vague: Observed, clear: Observed, today: date) -> bool:
    """Whether the clearer thing stands on `on` as well, and for as long."""
    worst, best = _days(rule, vague, today), _days(rule, clear, today)
    return best is not None and best.contains(on) and worst is not None and best.end == worst.end


def _near(rule: Rule, line: LineToScreen, thing: Observed, tree: AreaTree) -> bool:
    if rule.reach is Reach.BODY or not thing.areas:
        return True
    reached = tree.touching if rule.reach is Reach.AREA else tree.nearby
    return not thing.areas.isdisjoint(reached[line.area])


def _detail_fits(trigger: AboutClient, line: LineToScreen, thing: Observed) -> bool:
    """Whether the form of the thing is one the rule means, or might be."""
    if trigger.details and thing.details and thing.details.isdisjoint(trigger.details):
        return False
    if trigger.ingredients is not None:
        return _ingredients_fit(trigger.ingredients, line, thing)
    if thing.millimetres is None:
        return True
    too_short = trigger.below is not None and thing.millimetres < trigger.below
    too_long = trigger.above is not None and thing.millimetres > trigger.above
    return too_short or too_long or (trigger.below is None and trigger.above is None)


def _detail_is_open(trigger: AboutClient, thing: Observed) -> bool:
    if trigger.details or trigger.ingredients:
        return not thing.details
    return thing.millimetres is None and (trigger.below, trigger.above) != (None, None)


def _ingredients_fit(asked: str, line: LineToScreen, thing: Observed) -> bool:
    if line.ingredients is None or not thing.details:
        return asked == "not_known"
    return asked == "shared" and not thing.details.isdisjoint(line.ingredients)


def _days(rule: Rule, thing: Observed, today: date) -> Span | None:
    """The days on which the rule stands, from the dates of the thing alone."""
    going_on = _days_going_on(thing, today)
    if rule.phase is Phase.ONGOING:
        return going_on
    if rule.phase is Phase.PAST and thing.still is True:
        return None
    if rule.since is None and rule.ahead is None:
        return Span(start=thing.when.earliest, end=date.max)
    span = _window(rule, thing)
    if going_on is None or rule.phase is Phase.PAST:
        return span
    return Span(start=min(span.start, going_on.start), end=date.max)


def _days_going_on(thing: Observed, today: date) -> Span | None:
    """The days on which a lasting thing goes on, or may; it has no known end."""
    if thing.kind.lasts_until is None:
        return None
    if thing.when.earliest > today:
        return Span(start=thing.when.earliest, end=date.max)
    if thing.still is not False:
        return ALWAYS
    # It is over, but the range reaches past today: part of it may be planned.
    return Span(start=thing.when.earliest, end=date.max) if thing.when.latest > today else None


def _window(rule: Rule, thing: Observed) -> Span:
    """From the first day too near before the event to the first day far enough after it."""
    first, last = thing.when.earliest, thing.when.latest
    start = first
    if rule.ahead is not None:
        start = min(first, rule.ahead.before(first) + _DAY)
    # Without a time to wait after it, the event still takes its own day.
    return Span(start=start, end=(rule.since or _OWN_DAY).after(last))
