"""Visits of a foreign calendar, fitted to the price list's parts."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from services.rules.fitting import fitted_spans, is_long_enough
from services.rules.phases import Minutes
from spa_ops.kernel.intervals import Period

START = datetime(2026, 5, 7, 15, 0, tzinfo=UTC)
few = st.integers(0, 30)
minutes = st.builds(
    Minutes, set_up=few, consultation=few, hands_on=st.integers(0, 90), aftercare=few, clean_up=few
)


def stay(length: float) -> Period:
    return Period(START, START + timedelta(minutes=length))


@given(st.lists(minutes, min_size=1, max_size=6), st.integers(6, 600))
def test_lines_fill_the_stay_in_order_and_each_has_hands_on_time(lines, length):
    spans = fitted_spans(lines, stay(length))
    assert (spans[0].starts_at, spans[-1].ends_at) == (START, stay(length).end)
    for one, other in zip(spans, spans[1:], strict=False):
        assert one.ends_at == other.starts_at
        assert one.turnover is None
        assert other.set_up is None
    for span in spans:
        instants = [span.set_up_at, span.starts_at, span.hands_on_at]
        assert instants == sorted(instants)
        assert span.hands_on_at < span.aftercare_at <= span.ends_at <= span.turnover_ends_at


@given(st.lists(minutes, min_size=1, max_size=6), st.integers(6, 600))
def test_set_up_and_clean_up_are_the_longest_and_lie_outside_the_stay(lines, length):
    spans = fitted_spans(lines, stay(length))
    assert START - spans[0].set_up_at == timedelta(minutes=max(m.set_up for m in lines))
    behind = spans[-1].turnover_ends_at - stay(length).end
    assert behind == timedelta(minutes=max(m.clean_up for m in lines))


def test_a_stay_as_long_as_the_price_list_says_has_its_parts():
    one = Minutes(set_up=5, consultation=5, hands_on=15, aftercare=5, clean_up=10)
    (span,) = fitted_spans([one], stay(25))
    at = lambda m: START + timedelta(minutes=m)
    assert (span.hands_on_at, span.aftercare_at, span.ends_at) == (at(5), at(20), at(25))


def test_where_the_talk_would_leave_nothing_all_parts_shrink_alike():
    one = Minutes(set_up=5, consultation=10, hands_on=20, aftercare=10, clean_up=10)
    (span,) = fitted_spans([one], stay(20))
    at = lambda m: START + timedelta(minutes=m)
    assert (span.hands_on_at, span.aftercare_at) == (at(5), at(15))


def test_a_minute_a_line_is_long_enough():
    assert is_long_enough(2, stay(2))
    assert not is_long_enough(3, stay(2))
