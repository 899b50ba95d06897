"""What standing conditions ask of a plan, against the sentence that each stands for."""

from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from services.rules.conditions import (
    STEP_FREE,
    Condition,
    ConditionKind,
    against,
    lengthened,
    may_be_booked,
    needed_features,
    preferred,
)
from services.rules.phases import Minutes

PEOPLE = [UUID(int=n) for n in range(1, 4)]
TONGUES = ["en", "pl", "es"]
MINUTES = Minutes(set_up=5, consultation=5, hands_on=20, aftercare=5, clean_up=10)

wishes = st.builds(
    Condition,
    kind=st.sampled_from(ConditionKind),
    extra_minutes=st.sampled_from([0, 5, 30]),
    language=st.sampled_from(TONGUES),
    practitioner_id=st.sampled_from(PEOPLE),
    required=st.booleans(),
)
conditions = st.lists(wishes, max_size=6)
spoken = st.dictionaries(st.sampled_from(PEOPLE), st.frozensets(st.sampled_from(TONGUES)))


def of(asked, kind, *, required=False):
    return [c for c in asked if c.kind is kind and (c.required or not required)]


@given(conditions, spoken)
def test_who_may_perform_is_who_none_of_the_sentences_rules_out(asked, languages):
    refused = {c.practitioner_id for c in of(asked, ConditionKind.REFUSED_PRACTITIONER)}
    wanted = {c.practitioner_id for c in of(asked, ConditionKind.PREFERRED_PRACTITIONER, required=True)}  # fmt: skip
    tongues = {c.language for c in of(asked, ConditionKind.LANGUAGE, required=True)}
    for person in PEOPLE:
        may = (
            person not in refused
            and (not wanted or person in wanted)
            and (not tongues or bool(tongues & languages.get(person, frozenset())))
        )
        assert (against(person, asked, languages) is None) == may


@given(conditions, conditions, spoken)
def test_more_refusals_never_let_anybody_in(asked, more, languages):
    more = of(more, ConditionKind.REFUSED_PRACTITIONER)
    for person in PEOPLE:
        if against(person, asked, languages) is not None:
            assert against(person, [*asked, *more], languages) is not None


@given(conditions)
def test_a_plan_is_longer_by_the_most_that_is_asked_and_by_nothing_else(asked):
    longest = max([0, *(c.extra_minutes for c in of(asked, ConditionKind.NEEDS_LONGER))])
    found = lengthened(MINUTES, asked)
    assert found.hands_on == MINUTES.hands_on + longest
    assert (found.set_up, found.consultation, found.aftercare, found.clean_up) == (5, 5, 5, 10)


@given(conditions, st.sets(st.sampled_from(["sink", "wax", STEP_FREE])))
def test_a_room_needs_what_the_service_needs_and_no_steps_where_that_is_asked(asked, features):
    step_free = bool(of(asked, ConditionKind.STEP_FREE))
    assert needed_features(features, asked) == features | ({STEP_FREE} if step_free else set())


@given(conditions)
def test_one_that_says_do_not_book_is_enough(asked):
    assert may_be_booked(asked) == (not of(asked, ConditionKind.DO_NOT_BOOK))


@given(conditions, spoken)
def test_whom_they_would_rather_have_is_the_first_wanted_or_who_speaks_with_them(asked, languages):
    wanted = of(asked, ConditionKind.PREFERRED_PRACTITIONER)
    tongues = {c.language for c in of(asked, ConditionKind.LANGUAGE)}
    found = preferred(asked, languages)
    if wanted:
        assert found == wanted[0].practitioner_id
    elif found is not None:
        assert tongues & languages[found]
    else:
        assert not any(tongues & said for said in languages.values())
