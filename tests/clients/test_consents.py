"""Consent texts, signatures, and what is refused without a consent or after its withdrawal."""

from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from clients.actions_consents import publish_text
from clients.consent_text_file import shipped_texts
from clients.models import ConsentPurpose, ConsentText, HealthAnswer
from clients.rules.consents import Signature, SignedBy, digest_of, why_refused
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.clients.test_health import every_row_as_text
from tests.services.day import all_no, consult, hair, in_room
from tests.world import BUSINESS, LAKE, actor, uid

CORA = f"clients/{uid('cora')}"
PHOTOGRAPHS = next(t for t in shipped_texts() if t.purpose == "photographs")
SIGNED = {"text_digest": PHOTOGRAPHS.digest, "typed_name": "Cora Dvořák"}


def give(call, purpose="photographs", by="freya", path=CORA, **more):
    return call(by).post(f"{path}/consents", {"purpose": purpose, "given": True, **more})


def test_a_digest_is_sha_256_of_the_utf_8():
    # FIPS 180-4's example for "abc", as NIST publishes it with the standard.
    assert digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"])))
def test_a_digest_is_that_of_the_standard_library_for_any_text(text):
    assert digest_of(text) == sha256(text.encode("utf-8")).hexdigest()


def test_each_purpose_has_a_text_of_its_own_in_english():
    assert sorted(t.purpose for t in shipped_texts()) == sorted(ConsentPurpose.values)
    assert len({t.digest for t in shipped_texts()}) == len(ConsentPurpose.values)
    assert {t.language for t in shipped_texts()} == {"en"}


@given(
    purpose=st.sampled_from(ConsentPurpose.values),
    purposes=st.sets(st.sampled_from(ConsentPurpose.values)),
    who=st.sampled_from(SignedBy),
    relation=st.sampled_from(["", " ", "mother"]),
)
def test_a_signature_holds_for_its_texts_purpose_and_a_guardian_says_who_they_are(
    purpose, purposes, who, relation
):
    signature = Signature(text_digest="x", typed_name="A", signed_by=who, relation=relation)
    holds = (
        purpose in purposes
        and (purpose != "guardian_service" or who is SignedBy.GUARDIAN)
        and (who is SignedBy.CLIENT or relation == "mother")
    )
    assert (why_refused(signature, purpose, purposes) is None) == holds


def test_a_signature_keeps_the_text_the_name_the_time_and_who_saw_it(call, now):
    assert give(call, signature=SIGNED).status_code == 200
    (kept,) = call("freya").get(f"{CORA}/signatures").body["items"]
    assert (kept["text_digest"], kept["typed_name"]) == (PHOTOGRAPHS.digest, "Cora Dvořák")
    assert (kept["signed_by"], kept["relation"]) == ("client", None)
    assert (kept["witnessed_by"], kept["purpose"]) == (str(uid("freya")), "photographs")
    assert kept["signed_at"].startswith("2026-05-06T17:00:00")
    (_, facts) = entries("client.consent_given", uid("cora"))[-1]
    assert (facts["digest"], facts["signed_by"]) == (PHOTOGRAPHS.digest, "client")
    assert "typed_name" not in facts
    # The name under it is sealed: the erasure of the client's key takes it away.
    rows = every_row_as_text()
    assert '"typed_name"' not in rows["clients_consent"]
    assert b"typed_name".hex() not in rows["clients_consent"]
    (shown,) = call("freya").get(f"consent-texts?digest={PHOTOGRAPHS.digest}").body["items"]
    assert (shown["text"], shown["purpose"]) == (PHOTOGRAPHS.text, "photographs")
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True


@pytest.mark.parametrize(
    ("purpose", "signature", "why"),
    [
        ("photographs", {"text_digest": "0" * 64}, "unknown_digest"),
        ("service", {}, "other_purpose"),
        ("photographs", {"signed_by": "guardian"}, "relation_missing"),
    ],
)
def test_a_signature_that_does_not_hold_is_refused_and_keeps_nothing(call, purpose, signature, why):
    refused = give(call, purpose, signature=SIGNED | signature)
    assert (refused.status_code, refused.body["type"]) == (422, "/problems/signature-refused")
    assert refused.body["why"] == why
    assert purpose not in call("freya").get(CORA).body["consents"]


@pytest.mark.parametrize(
    ("more", "pointer"),
    [
        ({"signature": SIGNED | {"typed_name": ""}}, "/signature/typed_name"),
        ({"signature": SIGNED | {"text_digest": "abc"}}, "/signature/text_digest"),
        ({"signature": SIGNED | {"signed_by": "neighbour"}}, "/signature/signed_by"),
        ({"signature": SIGNED, "given": False}, "/signature"),
    ],
)
def test_a_malformed_signature_is_named(call, more, pointer):
    said = {"purpose": "photographs", "given": True} | more
    refused = call("freya").post(f"{CORA}/consents", said)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)


def test_a_witness_is_of_the_team(call):
    stranger = SIGNED | {"witnessed_by": str(uid("stranger"))}
    assert give(call, signature=stranger).status_code == 404
    lena = SIGNED | {"witnessed_by": str(uid("lena"))}
    assert give(call, signature=lena).status_code == 200


def test_the_business_publishes_its_own_and_what_was_signed_stays(call):
    text = {"purpose": "photographs", "language": "en", "text": "I agree to photographs. Ünïcode."}
    assert call("petra").post("consent-texts", text).status_code == 403
    first = call("lena").post("consent-texts", text)
    assert (first.status_code, first.body["version"]) == (201, 1)
    assert first.body["digest"] == sha256(text["text"].encode()).hexdigest()
    second = call("lena").post("consent-texts", text | {"text": "I agree to photographs, again."})
    assert second.body["version"] == 2
    found = call("freya").get("consent-texts").body["items"]
    own = [t for t in found if t["own"]]
    assert [t["digest"] for t in own] == [second.body["digest"]]
    assert len(found) == len(ConsentPurpose.values)
    # The one before is still what somebody may have signed; another business knows neither.
    old = f"consent-texts?digest={first.body['digest']}"
    assert [t["text"] for t in call("freya").get(old).body["items"]] == [text["text"]]
    assert call("stranger").get(old).body["items"] == []
    assert call("lena").post("consent-texts", text | {"text": "  "}).status_code == 422
    (_, facts), _ = entries("consent_text.published", first.body["id"])[0], None
    assert facts["digest"] == first.body["digest"]


def test_two_who_publish_at_once_make_two_versions_or_one_is_told(own_database, now):
    def one(n):
        try:
            return publish_text(
                actor=actor("lena"), now=now, purpose=ConsentPurpose.SERVICE, language="en",
                text=f"text {n}",
            ).version  # fmt: skip
        except Problem as problem:
            return problem.slug
        finally:
            connection.close()

    with ThreadPoolExecutor(6) as pool:
        told = list(pool.map(one, range(6)))
    with reading(BUSINESS):
        versions = sorted(ConsentText.objects.values_list("version", flat=True))
    assert versions == list(range(1, len(versions) + 1))
    assert sorted(v for v in told if isinstance(v, int)) == versions
    assert {v for v in told if isinstance(v, str)} <= {"already-exists"}


def withdraw(call, purpose):
    return call("freya").post(f"{CORA}/consents", {"purpose": purpose, "given": False})


def test_no_health_answer_is_kept_without_the_consent_and_the_problem_says_what_to_do(call, now):
    visit = in_room(call, now)
    withdraw(call, "health_answers")
    said = {"answers": all_no(), "findings": [hair()]}
    path = f"visits/{visit['id']}/consultation"
    refused = call("petra").post(path, said)
    assert (refused.status_code, refused.body["type"]) == (
        409, "/problems/health-consent-missing",
    )  # fmt: skip
    assert refused.body["purpose"] == "health_answers"
    with reading(BUSINESS):
        assert not HealthAnswer.objects.exists()
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["verdict"] == ""
    assert give(call, "health_answers").status_code == 200
    assert consult(call, visit)["lines"][0]["verdict"] == "proceed"
    # Withdrawn: the very next answer is refused, what was kept stays.
    withdraw(call, "health_answers")
    assert call("petra").post(path, said).status_code == 409
    with reading(BUSINESS):
        assert HealthAnswer.objects.exists()


def test_a_signed_consent_with_its_key_is_recorded_once(call):
    said = {"purpose": "photographs", "given": True, "signature": SIGNED}
    for _ in range(2):
        done = call("freya").post(f"{CORA}/consents", said, Idempotency_Key="sign-1")
        assert done.status_code == 200
    assert len(call("freya").get(f"{CORA}/signatures").body["items"]) == 1
