"""Does a rule set do what a row of `expected` says? Lists where it does not, cheapest looks first."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from clients.rules.cases import Answer, Declaration, Finding, LineToScreen
from clients.rules.dates import exactly
from clients.rules.engine import screen
from clients.rules.model import PatchTest, RuleSet
from tests.clients.rules.expected.words import EVENT, EVERY, FACE, WHOLE, Row

LONG_AGO = date(1995, 8, 31)
DAY = timedelta(days=1)


def failures(row: Row, rules: RuleSet) -> Iterator[str]:
    """Where the shipped or changed `rules` do something else than the row says; lazily."""
    for look in (days_wrong, answer_wrong, where_wrong, what_wrong):
        yield from look(row, rules)


def screened(row: Row, rules: RuleSet, *things, on=EVENT, today=None, earlier=(), **line):
    given = (
        {"area": row.area, "method": row.method, "patch_test": PatchTest.NOT_NEEDED}
        | dict(row.line)
        | line
    )
    today = today or on
    last = LineToScreen(key="line", on=on, position=9, **given)
    first = [
        LineToScreen(
            key=str(n), method=m, area=a, on=on, patch_test=PatchTest.NOT_NEEDED, position=n
        )
        for n, (m, a) in enumerate(earlier)
    ]
    found = screen(
        rule_set=rules,
        lines=[*first, last],
        answers={q.id: Answer.NO for q in rules.questions},
        declarations=[t for t in things if isinstance(t, Declaration)],
        findings=[t for t in things if isinstance(t, Finding)],
        today=today,
    )["line"]
    return next((reason for reason in found.reasons if reason.rule_id == row.rule), None)


def thing(row: Row, kind=None, day=EVENT, still=None, area=None, details=None):
    """What sets the row's rule off, unless the arguments make it something else."""
    kind = kind or min(row.kinds or row.seen)
    areas = frozenset({area or row.area})
    if kind not in row.kinds:
        return Finding(code=kind, areas=areas, millimetres=_size(row))
    still = row.lasting == "ongoing" if still is None else still
    chosen = frozenset(sorted(row.details)[:1]) if details is None else details
    return Declaration(kind=kind, when=exactly(day), areas=areas, still=still, details=chosen)


def _set_off(row: Row, rules: RuleSet, **line):
    """The reason in the row's plain case: its event, on its day, on its line."""
    if row.kinds or row.seen:
        return screened(row, rules, thing(row), **line)
    earlier = next(((m, a) for m, a, sets_off in row.after if sets_off), None)
    return screened(row, rules, earlier=[earlier] if earlier else (), **line)


def days_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    if not row.kinds:
        return
    if row.passes_on:
        if not screened(row, rules, thing(row), on=row.passes_on - DAY):
            yield "passes a day too early"
        if screened(row, rules, thing(row), on=row.passes_on):
            yield "passes a day too late"
    elif row.lasting != "ongoing" and not screened(row, rules, thing(row, day=LONG_AGO)):
        yield "forgets what is long ago"
    if row.passes_till:
        if screened(row, rules, thing(row), on=row.passes_till):
            yield "begins too early before what is planned"
        if not screened(row, rules, thing(row), on=row.passes_till + DAY):
            yield "begins too late before what is planned"
    if row.lasting:
        yield from _phase_wrong(row, rules)


def _phase_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    going_on = screened(row, rules, thing(row, day=LONG_AGO, still=True))
    over = screened(row, rules, thing(row, still=False))
    if (going_on is not None) != (row.lasting != "past"):
        yield "wrong while it goes on"
    if (over is not None) != (row.lasting != "ongoing"):
        yield "wrong when it is over"


def answer_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    reason = _set_off(row, rules)
    if reason is None:
        yield "is not set off"
        return
    said = (
        reason.verdict.value,
        reason.lifted_by and reason.lifted_by.value,
        reason.overridable_by,
    )
    if said != (row.verdict, row.lifted_by, row.override):
        yield f"answers {said}"
    if row.condition and reason.condition != row.condition:
        yield f"waits for {reason.condition}"
    dated = row.passes_on if row.lasting != "ongoing" and not row.condition else None
    if (row.kinds or row.passes_on) and reason.until != dated:
        yield f"says until {reason.until}"
    yield from _lift_wrong(row, rules)


def _lift_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    if (
        row.lifted_by in {"release", "sight"}
        and not _set_off(row, rules, met=frozenset({row.rule})).met
    ):
        yield "is not met by what lifts it"
    if row.lifted_by == "patch_test" and not _set_off(row, rules, patch_test=PatchTest.VALID).met:
        yield "is not met by a patch test"


def where_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    for method in sorted(EVERY):
        if bool(_set_off(row, rules, method=method)) != (method in row.methods):
            yield f"wrong for {method}"
    for area in sorted(WHOLE):
        # What is about one spot is said of the line's own area here; how far it reaches is below.
        placed = row if row.reach == "body" else replace(row, area=area)
        if not row.after and bool(_set_off(placed, rules, area=area)) != (area in row.areas):
            yield f"wrong on {area}"
    for method, area, sets_off in row.after:
        if bool(screened(row, rules, earlier=[(method, area)])) != sets_off:
            yield f"wrong after {method} on {area}"
    if row.kinds or row.seen:
        yield from _reach_wrong(row, rules)


def _reach_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    near, far = ("chin", "lower_leg") if row.area in FACE else ("knee", "chin")
    if bool(screened(row, rules, thing(row, area=near))) != (row.reach != "area"):
        yield "wrong for what is near"
    if bool(screened(row, rules, thing(row, area=far))) != (row.reach == "body"):
        yield "wrong for what is far"


def what_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    if row.not_line and _set_off(row, rules, **dict(row.not_line)):
        yield "is set off by another fact of the line"
    if not (row.kinds or row.seen):
        return
    for kind in sorted(k.id for k in rules.kinds.values() if k.told):
        # Any other kind, going on or over, in any form and anywhere, leaves this rule silent.
        others = [
            Declaration(kind=kind, when=exactly(EVENT), still=still) for still in (True, False)
        ]
        said = [thing(row, kind=kind)] if kind in row.kinds else others
        if any(screened(row, rules, one) is not None for one in said) != (kind in row.kinds):
            yield f"wrong for {kind}"
    for kind in sorted(k.id for k in rules.kinds.values() if k.seen):
        found = Finding(code=kind, areas=frozenset({row.area}), millimetres=_size(row))
        if bool(screened(row, rules, found)) != (kind in row.seen and row.lasting != "past"):
            yield f"wrong for a {kind} that is seen"
    yield from _form_wrong(row, rules)


def _form_wrong(row: Row, rules: RuleSet) -> Iterator[str]:
    for detail in sorted(row.details):
        if not screened(row, rules, thing(row, details=frozenset({detail}))):
            yield f"wrong for {detail}"
    if row.other_detail and screened(row, rules, thing(row, details=frozenset({row.other_detail}))):
        yield f"wrong for {row.other_detail}"
    for size, sets_off in row.sizes:
        found = Finding(code=min(row.seen), areas=frozenset({row.area}), millimetres=Decimal(size))
        if bool(screened(row, rules, found)) != sets_off:
            yield f"wrong at {size} mm"


def _size(row: Row) -> Decimal | None:
    return next((Decimal(mm) for mm, sets_off in row.sizes if sets_off), None)
