"""Each rule about something said, on any days: against a plain look at every single day.

The engine works with spans; here each day that a vague date allows is tried alone, by dateutil.
"""

from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from clients.rules.cases import Declaration
from clients.rules.dates import DateRange, Window
from clients.rules.model import AboutClient, Phase
from tests.clients.rules.scenarios import RULES, TODAY, fewer, reason_of, screened

SAID = [
    rule
    for rule in RULES.rules
    if isinstance(rule.trigger, AboutClient)
    and any(RULES.kinds[kind].told for kind in rule.trigger.kinds)
]


def moved(day: date, window: Window | None, sign: int) -> date:
    return day + relativedelta(**{window.unit.value: sign * window.count}) if window else day


def too_near(rule, event: date, on: date) -> bool:
    """Whether the rule's windows forbid `on` for an event on exactly one day."""
    if rule.since is None and rule.ahead is None:
        return event <= on
    if on == event:
        return True
    if on > event:
        return on < moved(event, rule.since, 1)
    return on > moved(event, rule.ahead, -1) if rule.ahead else False


def must_stand(rule, lasts: bool, still: bool | None, days: list[date], on: date) -> bool:
    may_go_on = lasts and still is not False
    may_be_over = not lasts or still is not True
    if may_go_on and rule.phase is not Phase.PAST:
        return True
    return (
        may_be_over and rule.phase is not Phase.ONGOING and any(too_near(rule, d, on) for d in days)
    )


@st.composite
def said_about(draw, rule):
    kind = RULES.kinds[
        draw(st.sampled_from(sorted(k for k in rule.trigger.kinds if RULES.kinds[k].told)))
    ]
    # A lasting thing that is yet to come has its own test; what can't be planned lies in the past.
    in_future = kind.may_be_planned and kind.lasts_until is None
    width = draw(st.integers(0, 20))
    near = st.integers(-40, 40 if in_future else 0) | st.integers(-800, 0)
    latest = TODAY + timedelta(days=draw(near))
    details = draw(st.sampled_from(sorted(rule.trigger.details))) if rule.trigger.details else None
    if rule.trigger.ingredients:
        details = "rosin"
    return Declaration(
        kind=kind.id,
        when=DateRange(earliest=latest - timedelta(days=width), latest=latest),
        areas=frozenset({draw(st.sampled_from(sorted(rule.areas)))}),
        still=draw(st.sampled_from([True, False, None])),
        details=frozenset({details} if details else ()),
    )


@pytest.mark.parametrize("rule", SAID, ids=lambda rule: rule.id)
@fewer
@given(st.data())
def test_the_rule_stands_on_a_day_if_it_does_for_any_day_the_event_may_have_been(rule, data):
    said = data.draw(said_about(rule))
    on = TODAY + timedelta(days=data.draw(st.integers(0, 60)))
    (area,) = said.areas
    shared = rule.trigger.ingredients == "shared"
    screening = screened(
        said,
        area=area,
        method=data.draw(st.sampled_from(sorted(rule.methods))),
        on=on,
        ingredients=frozenset({"rosin"}) if shared else None,
    )
    reason = reason_of(screening, rule.id)
    days = [
        said.when.earliest + timedelta(days=n)
        for n in range((said.when.latest - said.when.earliest).days + 1)
    ]
    lasts = RULES.kinds[said.kind].lasts_until is not None
    assert (reason is not None) == must_stand(rule, lasts, said.still, days, on)
    if reason and reason.until:
        after = moved(days[-1], rule.since, 1) if rule.since else days[-1] + timedelta(days=1)
        assert reason.until == after
