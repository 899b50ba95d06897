"""What the rules say aloud: nobody is told to change a medicine, and the doctor has the last word."""

import re

import pytest

from tests.clients.rules.scenarios import RULES

_ORDERS = re.compile(
    r"\b(stop|stopp\w+|start\w*|begin\w*|quit|pause\w*|skip\w*|discontinu\w*|ceas\w*|cessation|resum\w*|restart\w*|"
    r"delay\w*|postpon\w*|hold off|come off|go off|wean\w*|taper\w*|reduce\w*|lower\w* (the|your)|double|increase\w*|"
    r"change (the|your)|swap\w*|switch\w*|take (it|them|the|your|two|one|less|more)|continu\w*|keep taking|"
    r"(hours?|days?|weeks?|months?) before (your|the|a) (dose|tablet|pill)|leave (it|them|the medicine) off)\b",
    re.IGNORECASE,
)
_MEDICINE = re.compile(
    r"\b(medicin\w*|drug\w*|tablet\w*|pill\w*|capsule\w*|dose\w*|prescri\w*|blood.?thinner\w*|anticoagulant\w*|"
    r"antiviral\w*|steroid\w*|cortison\w*|retino\w*|isotretinoin|acne|acid\w*|benzoyl|antibiotic\w*|hormone\w*)\b",
    re.IGNORECASE,
)


def texts_of_rules():
    for rule in RULES.rules:
        yield rule.id, rule.title
        yield rule.id, rule.caution
        for source in rule.sources:
            yield rule.id, source.says


def all_texts():
    yield from texts_of_rules()
    yield from ((question.id, question.text) for question in RULES.questions)
    yield from ((kind.id, kind.title) for kind in RULES.kinds.values())
    for words in (RULES.conditions, RULES.flags, RULES.prompts):
        yield from words.items()
    yield "notice", RULES.notice


#: Where a medicine is the matter, no text of the rule may give an order of that kind at all.
ABOUT_MEDICINE = {
    "isotretinoin_in_use",
    "isotretinoin_after",
    "topical_retinoid",
    "exfoliating_acid",
    "benzoyl_peroxide",
    "blood_thinner",
    "systemic_steroid",
    "immune_medicine",
    "photosensitising_strong",
    "medicine_with_care",
    "cold_sore_history",
    "cold_sore_active",
    "genital_herpes_active",
    "genital_herpes_history",
    "autoimmune_disease",
    "cancer_treatment",
    "diabetes",
}


@pytest.mark.parametrize(
    "text",
    [
        "Stop your blood thinner three days before.",
        "Start the antiviral 3 days before.",
        "Pause the steroid.",
        "Take your acne medicine after the wax.",
        "Skip a dose.",
        "Discontinue retinoids for a week.",
    ],
)
def test_the_scan_finds_what_must_not_be_said(text):
    assert _ORDERS.search(text)
    assert _MEDICINE.search(text)


def test_no_sentence_about_a_medicine_gives_an_order_about_taking_it():
    for where, text in all_texts():
        for sentence in re.split(r"(?<=[.;:?])\s+", text):
            if _MEDICINE.search(sentence):
                assert not _ORDERS.search(sentence), (where, sentence)


def test_rules_about_medicines_use_no_such_word_anywhere():
    assert {rule.id for rule in RULES.rules} >= ABOUT_MEDICINE
    for where, text in texts_of_rules():
        if where in ABOUT_MEDICINE:
            # "Hard stop" is said of the service, in what a custom says.
            assert not _ORDERS.search(text.replace("Hard stop;", "")), (where, text)


@pytest.mark.parametrize(
    "rule",
    [
        "blood_thinner",
        "systemic_steroid",
        "immune_medicine",
        "photosensitising_strong",
        "medicine_with_care",  # antivirals among them
        "isotretinoin_in_use",
        "isotretinoin_after",
        "topical_retinoid",
        "exfoliating_acid",
        "benzoyl_peroxide",
    ],
)
def test_who_takes_a_medicine_is_sent_to_the_prescriber(rule):
    assert "your prescriber" in RULES.rule(rule).caution


def test_what_is_used_is_said_to_be_in_the_way_and_nothing_more():
    for rule in ("isotretinoin_in_use", "topical_retinoid", "exfoliating_acid", "benzoyl_peroxide"):
        assert re.search(
            r"not (on this area )?while you use this", RULES.rule(rule).caution, re.IGNORECASE
        )


def test_the_notice_defers_to_those_who_decide():
    for who in ("board", "label", "practitioner", "doctor"):
        assert who in RULES.notice


def test_whoever_needs_a_release_or_is_stopped_by_health_is_sent_to_a_doctor():
    for rule in RULES.rules:
        if rule.verdict.value == "medical_release_first":
            assert re.search(r"doctor|prescriber|midwife", rule.caution), rule.id
