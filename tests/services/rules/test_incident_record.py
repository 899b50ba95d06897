"""What is still to be done about an incident: against what is published, and the laws of it."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from services.incident_guide_files import shipped_guides
from services.rules.incident_record import (
    FIELDS,
    Entry,
    EntryKind,
    Evaluation,
    OwedStep,
    Record,
    Serious,
    check_entry,
    closed_at,
    done_at,
    due_call_backs,
    is_done,
    open_steps,
    owed_call_backs,
    reaction_detail,
    tell_company,
)
from services.rules.incidents import Hurt, IncidentKind, steps_for
from spa_ops.kernel.problems import InvalidInput

CHICAGO = "America/Chicago"
#: 12:00 in Chicago.
AT = datetime(2026, 5, 6, 17, tzinfo=UTC)
HOURS = shipped_guides().call_back_hours


def record(kind, *entries, hurt=Hurt.CLIENT, serious=(), at=AT, **case):
    guide = next(g for g in shipped_guides().guides if g.kind == kind)
    asked = steps_for(guide, tree=shipped_rule_set().tree, hurt=hurt, **case)
    return Record(
        steps=tuple(
            OwedStep(
                code=a.step.code, text=a.step.text, required=a.required, minutes=a.step.minutes
            )
            for a in asked
        ),
        call_backs=owed_call_backs(at, HOURS, CHICAGO),
        entries=entries,
        serious=serious,
    )


def entry(kind, after=0.0, **content):
    at = AT + timedelta(hours=after)
    return Entry(kind=EntryKind(kind), content=content, occurred_at=at, recorded_at=at)


def step(code, minutes=None):
    return entry("step", code=code, minutes=minutes)


def called(hours, after, *, reached=True):
    return entry("call_back", after, hours=hours, reached=reached, text="better")


@pytest.mark.parametrize(
    ("kind", "code", "minutes", "done"),
    [
        # ANZCOR guideline 9.1.3, as read: cool running water for at least 20 minutes.
        ("burn", "cool_running_water", 19, False),
        ("burn", "cool_running_water", 20, True),
        # From memory, not checked: rinse an eye for at least 15 minutes.
        ("eye_contact", "rinse_eye", 14, False),
        ("eye_contact", "rinse_eye", 15, True),
    ],
)
def test_a_step_with_a_time_is_done_once_it_took_as_long(kind, code, minutes, done):
    found = record(kind, step(code, minutes))
    assert (code not in open_steps(found)) is done


@pytest.mark.parametrize(
    ("outcome", "done"),
    # Secondary note on 29 CFR 1910.1030 (10.08): a signed refusal is kept, so no is an answer too.
    [("offered", False), ("accepted", True), ("declined", True)],
)
@pytest.mark.parametrize("kind", list(IncidentKind))
def test_every_hurt_team_member_is_offered_an_evaluation_and_says_yes_or_no(kind, outcome, done):
    offer = entry("evaluation_offer", outcome=outcome)
    found = record(kind, offer, hurt=Hurt.TEAM_MEMBER)
    assert ("evaluation_offered" not in open_steps(found)) is done
    assert "evaluation_offered" in open_steps(record(kind, hurt=Hurt.TEAM_MEMBER))


@pytest.mark.parametrize("kind", list(IncidentKind))
def test_no_client_is_asked_about_an_evaluation_at_work(kind):
    assert "evaluation_offered" not in {s.code for s in record(kind).steps}


@pytest.mark.parametrize("word", list(Serious))
@pytest.mark.parametrize("kind", ["burn", "skin_lifted", "reaction"])
def test_the_company_on_the_label_is_to_be_told_of_what_is_serious(kind, word):
    # Secondary notes on FD&C s. 605: infection, 2nd or 3rd degree burn, lasting rash, hair loss,
    # hospital stay (9.19); the company on the label reports (9.18), we pass it on (9.20, inference).
    assert tell_company(record(kind, serious=(word,)))
    assert tell_company(record(kind, entry("words", text="it oozes", serious=[word])))
    told = entry("company_told", company="Invented Alba")
    assert not tell_company(record(kind, told, serious=(word,)))
    assert not tell_company(record(kind))


def test_the_serious_words_are_those_of_the_published_list():
    assert {w.value for w in Serious} == {
        "infection", "second_or_third_degree_burn", "lasting_rash", "hair_loss", "hospital_stay",
    }  # fmt: skip


@pytest.mark.parametrize("kind", ["blood_exposure", "eye_contact", "fall", "other"])
def test_a_fall_is_no_business_of_the_company_on_a_label(kind):
    assert not tell_company(record(kind, serious=tuple(Serious)))


def test_call_backs_are_due_after_one_day_and_three():
    # House policy: 24 and 72 hours; a call counts on the day it is due, and is overdue when it ends.
    one, three = owed_call_backs(AT, HOURS, CHICAGO)
    assert (one.hours, one.due_at) == (24, datetime(2026, 5, 7, 17, tzinfo=UTC))
    assert (one.counts_from, one.overdue_at) == (
        datetime(2026, 5, 7, 5, tzinfo=UTC),
        datetime(2026, 5, 8, 5, tzinfo=UTC),
    )
    assert (three.hours, three.due_at) == (72, datetime(2026, 5, 9, 17, tzinfo=UTC))


@pytest.mark.parametrize(
    ("at", "zone", "day"),
    [
        # The day on which clocks go forward has 23 hours, the other one 25.
        (datetime(2026, 3, 7, 18, tzinfo=UTC), CHICAGO, 23),
        (datetime(2026, 10, 31, 18, tzinfo=UTC), CHICAGO, 25),
        (datetime(2026, 4, 3, 18, tzinfo=UTC), "Pacific/Chatham", 25),
    ],
)
def test_a_due_day_is_the_locations_own_and_hours_are_elapsed(at, zone, day):
    one, _ = owed_call_backs(at, HOURS, zone)
    assert one.due_at - at == timedelta(hours=24)
    assert one.overdue_at - one.counts_from == timedelta(hours=day)
    assert one.counts_from <= one.due_at < one.overdue_at


@pytest.mark.parametrize(
    ("call", "done"),
    [
        (called(24, 11.9), False),  # still the day on which it happened
        (called(24, 12), True),
        (called(24, 30), True),
        (called(24, 30, reached=False), False),
        (called(72, 80), False),  # that is the other one
    ],
)
def test_a_call_back_counts_from_its_day_on_and_if_somebody_was_reached(call, done):
    one = owed_call_backs(AT, HOURS, CHICAGO)[0]
    assert done_at(one, [call]) == (call.occurred_at if done else None)


STEPS = [step("cool_and_cover"), step("stop_area"), step("wound_advice")]


def test_a_closing_holds_only_as_long_as_what_it_needed():
    closing = entry("closed", 30)
    assert closed_at(record("skin_lifted", *STEPS, closing)) is None
    assert closed_at(record("skin_lifted", *STEPS, called(24, 25), closing)) == closing.recorded_at
    assert closed_at(record("skin_lifted", *STEPS[1:], called(24, 25), closing)) is None
    # Before anything is due nothing is waited for, and what comes due later takes nothing back.
    early = entry("closed", 1)
    assert closed_at(record("skin_lifted", *STEPS, early)) == early.recorded_at


entries = st.lists(
    st.one_of(
        st.sampled_from(["cool_running_water", "cover_loosely", "medical_care"]).flatmap(
            lambda code: st.integers(0, 30).map(lambda minutes: step(code, minutes))
        ),
        st.tuples(st.sampled_from([24, 72]), st.floats(0, 200), st.booleans()).map(
            lambda c: called(c[0], c[1], reached=c[2])
        ),
        st.floats(0, 200).map(lambda after: entry("closed", after)),
        st.just(entry("advice", text="see a doctor")),
    ),
    max_size=12,
)


@given(entries, st.sampled_from([None, "lip", "leg"]))
def test_closed_is_never_said_while_something_required_is_open(said, area):
    found = record("burn", *said, area=area)
    closed = closed_at(found)
    if closed is not None:
        assert open_steps(found) == []
        assert due_call_backs(found, closed) == []
    else:
        missing = open_steps(found) or not [e for e in said if e.kind is EntryKind.CLOSED]
        late = [
            e for e in said if e.kind is EntryKind.CLOSED and due_call_backs(found, e.recorded_at)
        ]
        assert missing or late


@given(entries, entries)
def test_more_entries_never_open_what_was_done(some, more):
    before, after = record("burn", *some), record("burn", *some, *more)
    assert set(open_steps(after)) <= set(open_steps(before))
    for owed in before.call_backs:
        assert done_at(owed, before.entries) is None or done_at(owed, after.entries) is not None


@pytest.mark.parametrize(
    ("kind", "allergic", "detail"),
    [
        ("burn", True, "burn"),
        ("skin_lifted", True, "lifted_skin"),
        ("reaction", True, "allergic"),
        ("reaction", False, "redness"),
        ("blood_exposure", True, None),
        ("eye_contact", True, None),
        ("fall", True, None),
        ("other", True, None),
    ],
)
def test_which_declaration_an_incident_is(kind, allergic, detail):
    assert reaction_detail(IncidentKind(kind), allergic=allergic) == detail
    words = shipped_rule_set().kinds["reaction"].details
    assert detail is None or detail in words


@pytest.mark.parametrize(
    ("kind", "given_", "pointer"),
    [
        ("words", {}, "/text"),
        ("words", {"text": "ouch", "code": "x"}, "/code"),
        ("step", {"code": "invented"}, "/code"),
        ("step", {"code": "cool_running_water"}, "/minutes"),
        ("step", {"code": "tell_label_company"}, "/code"),
        ("call_back", {"hours": 48, "reached": True, "text": "fine"}, "/hours"),
        ("call_back", {"hours": 24, "text": "fine"}, "/reached"),
        ("evaluation_offer", {"outcome": "declined"}, "/kind"),
        ("company_told", {}, "/company"),
        ("witness", {"contact": "at the desk"}, "/name"),
    ],
)
def test_an_entry_that_does_not_fit_is_named(kind, given_, pointer):
    with pytest.raises(InvalidInput) as refused:
        check_entry(EntryKind(kind), given_, record("burn"), Hurt.CLIENT)
    assert [e["pointer"] for e in refused.value.fields["errors"]] == [pointer]


def test_everything_that_people_write_has_its_fields():
    assert FIELDS.keys() == set(EntryKind) - {EntryKind.CLOSED, EntryKind.STRUCK}
    assert {e.value for e in Evaluation} == {"offered", "accepted", "declined"}
    burn = record("burn")
    assert not is_done(burn.steps[0], burn.entries)
