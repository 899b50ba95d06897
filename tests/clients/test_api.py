"""Clients and their consents over HTTP."""

import json
from datetime import timedelta
from uuid import uuid4

import phonenumbers
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients import actions
from spa_ops.claims.models import Bookable
from spa_ops.kernel import clock
from spa_ops.kernel.problems import NotFound
from spa_ops.unit.work import reading
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid

CORA = f"clients/{uid('cora')}"


def entries(kind, subject):
    """(chain, facts) of the entries of a kind about a subject, oldest first."""
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT chain_id, facts FROM ledger_entry WHERE kind = %s AND subject_id = %s ORDER BY n",
            [kind, subject],
        )
        return [(chain, json.loads(facts)) for chain, facts in cursor.fetchall()]


def names(caller, q):
    return [c["name"] for c in caller.get(f"clients?q={q}").body["items"]]


def test_a_client_is_added_where_the_desk_is_found_by_name_and_has_consented_to_nothing(call):
    freya = call("freya")
    given = {
        "name": "  Zoë   Żak-Nowak ",
        "phone": "(512) 555-0142",
        "email": "Zoe.Zak@INVENTED.example",
        "birth_date": "1988-02-29",
        "language": "pl",
    }
    added = freya.post("clients", given)
    assert added.status_code == 201, added.body
    body = added.body
    assert (body["name"], body["phone"]) == ("Zoë Żak-Nowak", "+15125550142")
    assert (body["email"], body["consents"]) == ("Zoe.Zak@invented.example", {})
    assert (body["location_ids"], body["version"], added["ETag"]) == ([str(LAKE)], 1, '"1"')
    for q in ("zak", "now zo", "ŻAK", "512555", "+1 512", "1512"):
        assert names(freya, q) == ["Zoë Żak-Nowak"], q
    assert entries("client.added", body["id"]) == [(LAKE, {"client_id": body["id"], "version": 1})]
    # The same person walks in at the other place: found there, too.
    assert names(call("hana"), "zoe") == ["Zoë Żak-Nowak"]


def test_a_client_can_be_booked_at_once(call):
    added = call("freya").post("clients", {"name": "Invented Nell"}).body
    with reading(BUSINESS):
        assert Bookable.objects.get(id=added["id"]).kind == "client"


def test_the_owner_names_the_location_and_a_lead_cannot_name_another(call):
    refused = call("olga").post("clients", {"name": "Invented Nell"})
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/location_id")
    given = {"name": "Invented Nell", "location_id": str(HARBOR)}
    assert call("olga").post("clients", given).body["location_ids"] == [str(HARBOR)]
    assert call("lena").post("clients", given).status_code == 404


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"name": ""}, "/name"),
        ({"name": "…"}, "/name"),
        ({"name": "x" * 201}, "/name"),
        ({"phone": "555"}, "/phone"),
        ({"phone": "(312) 555-0123 ext. 4"}, "/phone"),
        ({"phone": "nine one one"}, "/phone"),
        ({"email": "cora@@invented.example"}, "/email"),
        ({"email": "cora"}, "/email"),
        ({"birth_date": "2026-05-07"}, "/birth_date"),
        ({"birth_date": "1906-05-05"}, "/birth_date"),
        ({"birth_date": "29.02.1988"}, "/birth_date"),
        ({"zone": "Mars/Base"}, "/zone"),
        ({"language": "english"}, "/language"),
        ({"alergies": "none"}, "/alergies"),
    ],
)
def test_wrong_input_is_named_by_pointer_and_changes_nothing(call, wrong, pointer):
    freya = call("freya")
    before = freya.get("clients").body["items"]
    refused = freya.post("clients", {"name": "Invented Nell"} | wrong)
    assert refused.status_code == 422, refused.body
    assert [e["pointer"] for e in refused.body["errors"]] == [pointer]
    etag = freya.get(CORA)["ETag"]
    assert freya.patch(CORA, wrong, If_Match=etag).status_code == 422
    assert freya.get("clients").body["items"] == before


def test_the_oldest_and_the_youngest_birth_date_that_can_be(call):
    for born in ("1906-05-06", "2026-05-06"):
        added = call("freya").post("clients", {"name": "Invented Nell", "birth_date": born})
        assert added.status_code == 201, added.body


def test_it_is_tomorrow_already_where_a_child_was_just_born(call, now):
    # 03:30 UTC is still the evening before in Chicago (UTC-5 in May).
    with clock.stopped_at(now.replace(day=7, hour=3, minute=30)):
        given = {"name": "Invented Nell", "birth_date": "2026-05-07"}
        assert call("freya").post("clients", given).status_code == 422
        given["birth_date"] = "2026-05-06"
        assert call("freya").post("clients", given).status_code == 201


@pytest.mark.parametrize("region", ["US", "GB", "DE", "FR", "JP", "BR", "AU", "IN"])
def test_numbers_of_any_country_are_kept_as_the_numbering_plans_write_them(call, region):
    # Oracle: the library's own example number of each region.
    example = phonenumbers.example_number_for_type(region, phonenumbers.PhoneNumberType.MOBILE)
    written = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.INTERNATIONAL)
    added = call("freya").post("clients", {"name": "Invented Nell", "phone": written})
    assert added.status_code == 201, added.body
    e164 = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.E164)
    assert added.body["phone"] == e164
    national = phonenumbers.format_number(example, phonenumbers.PhoneNumberFormat.NATIONAL)
    for q in (e164[1:6], written.replace("+", "%2B")[:9], national[:7]):
        assert added.body["id"] in [
            c["id"] for c in call("freya").get(f"clients?q={q}").body["items"]
        ]


def test_a_change_needs_the_present_version_and_moves_what_finds_the_client(call):
    freya = call("freya")
    read = freya.get(CORA)
    assert freya.patch(CORA, {"note": "x"}).status_code == 428
    changed = freya.patch(CORA, {"name": "Cora Ångström", "phone": ""}, If_Match=read["ETag"])
    assert (changed.status_code, changed.body["version"]) == (200, read.body["version"] + 1)
    stale = freya.patch(CORA, {"name": "Third"}, If_Match=read["ETag"])
    assert (stale.status_code, stale.body["type"]) == (412, "/problems/stale-version")
    assert names(freya, "angstr") == ["Cora Ångström"]
    assert names(freya, "dvor") == []
    assert names(freya, "3125550123") == []
    ((chain, facts),) = entries("client.changed", uid("cora"))
    assert (chain, facts["fields"]) == (LAKE, ["name", "phone"])
    # Codes only: what the fields hold is nobody's business in the chain.
    assert "Ångström" not in str(facts)
    assert freya.get(CORA, If_None_Match=changed["ETag"]).status_code == 304


def test_a_change_that_changes_nothing_is_no_change(call):
    freya = call("freya")
    read = freya.get(CORA)
    same = freya.patch(CORA, {"phone": "312-555-0123"}, If_Match=read["ETag"])
    assert (same.status_code, same["ETag"]) == (200, read["ETag"])
    assert entries("client.changed", uid("cora")) == []


def test_a_client_belongs_to_the_business_and_to_no_other(call):
    stranger = call("stranger")
    assert stranger.get(CORA).status_code == 404
    assert stranger.patch(CORA, {"note": "x"}, If_Match='"1"').status_code == 404
    consent = {"purpose": "sms_messages", "given": True}
    assert stranger.post(f"{CORA}/consents", consent).status_code == 404
    assert stranger.get(f"{CORA}/consents").status_code == 404
    assert stranger.get("clients?q=cora").body["items"] == []
    taken = stranger.post(
        "clients", {"id": str(uid("cora")), "name": "X", "location_id": str(uid("elsewhere"))}
    )
    assert (taken.status_code, taken.body["type"]) == (409, "/problems/already-exists")


@pytest.mark.parametrize("path", ["clients", CORA, f"{CORA}/consents", f"{CORA}/health"])
def test_an_inspector_sees_no_client(call, path):
    assert call("inga").get(path).status_code == 403
    assert call("inga").post("clients", {"name": "X"}).status_code == 403


def test_a_repeat_with_the_same_key_is_the_same_client(call):
    given = {"name": "Invented Nell"}
    key = {"Idempotency_Key": "nell-1"}
    first = call("freya").post("clients", given, **key)
    again = call("freya").post("clients", given, **key)
    assert (again.status_code, again.body) == (201, first.body)
    assert names(call("freya"), "nell") == ["Invented Nell"]


def test_consent_is_given_and_withdrawn_for_one_purpose_and_all_of_it_stays(call, now):
    freya = call("freya")
    nell_id = freya.post("clients", {"name": "Invented Nell"}).body["id"]
    nell = f"clients/{nell_id}"

    def say(purpose, given, minutes):
        with clock.stopped_at(now + timedelta(minutes=minutes)):
            return freya.post(f"{nell}/consents", {"purpose": purpose, "given": given})

    assert say("sms_messages", True, 0).body["consents"] == {"sms_messages": True}
    assert say("photographs", False, 5).body["consents"] == {
        "photographs": False,
        "sms_messages": True,
    }
    # Another machine's clock is behind: what was said last still holds.
    last = say("sms_messages", False, 2).body
    assert last["consents"] == {"photographs": False, "sms_messages": False}
    assert last["version"] == 4
    kept = freya.get(f"{nell}/consents").body["items"]
    assert [(c["purpose"], c["given"]) for c in kept] == [
        ("sms_messages", True),
        ("photographs", False),
        ("sms_messages", False),
    ]
    assert {c["recorded_by"] for c in kept} == {str(uid("freya"))}
    ((_, given),) = entries("client.consent_given", nell_id)
    assert (given["purpose"], given["consent_id"]) == ("sms_messages", kept[0]["id"])
    assert len(entries("client.consent_withdrawn", nell_id)) == 2


@pytest.mark.parametrize(
    "wrong",
    [{}, {"purpose": "everything", "given": True}, {"purpose": "photographs"}],
)
def test_a_consent_names_its_purpose_and_what_was_said(call, wrong):
    before = call("freya").get(CORA).body["consents"]
    assert call("freya").post(f"{CORA}/consents", wrong).status_code == 422
    assert call("freya").get(CORA).body["consents"] == before


def test_the_pages_of_a_list_hold_every_client_once_by_name(call):
    freya = call("freya")
    for name in ("Ábel Invented", "abel Invented", "Zed Invented", "Ötzi Invented"):
        freya.post("clients", {"name": name})
    seen, cursor = [], ""
    while cursor is not None:
        page = freya.get(f"clients?limit=2&cursor={cursor}").body
        seen += [c["name"] for c in page["items"]]
        cursor = page["next"]
    assert len(seen) == len(set(seen)) == 7
    assert seen.index("Ötzi Invented") < seen.index("Zed Invented")
    assert {seen[0], seen[1]} == {"Ábel Invented", "abel Invented"}


@pytest.mark.parametrize("q", ["!!", "%25", "_", "'; DROP TABLE clients_client; --", "x" * 200])
def test_what_finds_nobody_finds_nobody(call, q):
    assert call("freya").get(f"clients?q={q}").body["items"] == []


def test_an_odd_query_is_a_named_problem(call):
    assert call("freya").get(f"clients?q={'x' * 201}").status_code == 422
    assert call("freya").get("clients?q=%00").status_code == 422
    assert call("freya").get("clients?cursor=nonsense").status_code == 400


def test_a_list_takes_the_same_statements_however_many_rows(call):
    freya = call("freya")

    def statements(path):
        with CaptureQueriesContext(connection) as caught:
            assert freya.get(path).status_code == 200
        return len(caught)

    before = [statements("clients"), statements("clients?q=inv"), statements(f"{CORA}/consents")]
    for n in range(8):
        added = freya.post("clients", {"name": f"Invented Number {n}"}).body
        freya.post(f"clients/{added['id']}/consents", {"purpose": "photographs", "given": True})
        freya.post(f"{CORA}/consents", {"purpose": "photographs", "given": bool(n % 2)})
    after = [statements("clients"), statements("clients?q=inv"), statements(f"{CORA}/consents")]
    assert before == after


def test_a_client_linked_to_a_second_place_is_in_both_feeds_once(call, now):
    for _ in range(2):
        client = actions.link_client(
            actor=actor("hana"), now=now, client_id=uid("cora"), location_id=HARBOR
        )
    assert client.location_ids == [LAKE, HARBOR]
    assert [chain for chain, _ in entries("client.linked", uid("cora"))] == [HARBOR]
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT feed_id, max(version) FROM sync_change WHERE entity_id = %s GROUP BY 1",
            [uid("cora")],
        )
        assert dict(cursor.fetchall()) == {LAKE: client.version, HARBOR: client.version}


def test_an_unknown_client_cannot_be_linked(db, now):
    with pytest.raises(NotFound):
        actions.link_client(actor=actor("hana"), now=now, client_id=uuid4(), location_id=HARBOR)
    with pytest.raises(NotFound):
        actions.link_client(actor=actor("hana"), now=now, client_id=uid("cora"), location_id=LAKE)
