"""Minutes as bits against minutes one by one, in plain sets."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from services.rules.availability.bits import Ruler, filled, taken_of
from services.rules.availability.search import options
from tests.services.rules.availability_cases import DAY, questions, spans
from tests.services.rules.plain_availability import MINUTE, meets

runs = st.lists(
    st.tuples(st.integers(60, 400), st.integers(1, 90)).map(lambda r: (r[0], r[0] + r[1])),
    max_size=12,
)


@given(runs, st.integers(0, 60))
def test_runs_fill_exactly_their_minutes_whether_they_overlap_or_touch_or_repeat(some, origin):
    minutes = {n - origin for first, end in some for n in range(first, end)}
    found = filled([first for first, _ in some], [end for _, end in some], origin)
    assert {n for n in range(found.bit_length()) if found >> n & 1} == minutes


@given(spans(most=6), st.integers(-30, 60))
def test_spans_as_bits_touch_the_same_minutes_from_any_origin(some, first):
    ruler = Ruler(origin=DAY + first * MINUTE, length=300)
    expected = {
        n for n in range(300) if meets(some, ruler.at(n), ruler.at(n + 1))
    }  # fmt: skip
    for given_as in (some, taken_of(some)):
        found = ruler.touched(given_as)
        assert {n for n in range(found.bit_length()) if found >> n & 1} == expected


@given(questions())
def test_a_question_in_bits_has_the_answer_of_one_in_spans(question):
    def in_bits(things):
        return tuple(replace(t, busy=taken_of(t.busy)) for t in things)

    kinds = ("practitioners", "attendants", "rooms", "kits")
    same = replace(
        question,
        client_busy=taken_of(question.client_busy),
        **{kind: in_bits(getattr(question, kind)) for kind in kinds},
    )
    assert options(same, 20) == options(question, 20)
