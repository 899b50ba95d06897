"""The front desk reports what happened before its eyes, and reads back its own words alone."""

import pytest

from clients.models import HealthRead
from services.models import Incident, IncidentEntry, IncidentRead
from tests.services.pictures import photograph
from tests.services.test_incidents import (
    BURN_STEPS,
    count,
    do_all,
    enter,
    entered,
    report,
    strike,
    whole,
)
from tests.world import uid

FALL = {
    "kind": "fall", "what_happened": "slipped in the corridor, invented words", "area": None,
    "client_id": None, "person_id": str(uid("petra")),
}  # fmt: skip


@pytest.mark.parametrize("who", [{}, FALL])
def test_the_desk_is_told_what_to_do_and_reads_back_what_it_said(call, who):
    told = report(call, by="freya", **who)
    assert told["emergency"]
    assert [step["done"] for step in told["steps"]] == [False] * len(told["steps"])
    assert enter(call, told, "words", by="freya", text="she sat down").status_code == 201
    read = whole(call, told, by="freya")
    assert read["recorded_by"] == str(uid("freya"))
    assert [e["content"]["text"] for e in read["entries"]] == ["she sat down"]
    assert count(HealthRead) + count(IncidentRead) == 1


def test_what_others_write_is_not_for_the_desk_and_what_was_done_is(call):
    told = report(call, by="freya")
    do_all(call, told)
    entered(call, told, "words", text="blisters the size of marzipan", serious=["infection"])
    assert enter(call, told, "witness", by="freya", name="Invented Wanda").status_code == 201
    read = whole(call, told, by="freya")
    assert [e["kind"] for e in read["entries"]] == ["witness"]
    assert "marzipan" not in str(read)
    assert {s["code"] for s in read["steps"] if s["done"]} >= {s["code"] for s in BURN_STEPS}
    assert set(read["open_steps"]) == set(whole(call, told)["open_steps"])
    assert (read["tell_company"], whole(call, told)["tell_company"]) == (False, True)
    assert len(whole(call, told)["entries"]) == len(BURN_STEPS) + 2


def test_struck_out_is_seen_and_why_is_not(call):
    told = report(call, by="freya")
    assert enter(call, told, "words", by="freya", text="it was the left arm").status_code == 201
    (said,) = whole(call, told)["entries"]
    assert strike(call, told, entry_id=said["id"], reason="a marzipan allergy").status_code == 200
    assert strike(call, told, reason="another marzipan").status_code == 200
    read = whole(call, told, by="freya")
    assert (read["state"], read["struck"]) == ("struck", "")
    assert [e["struck"] for e in read["entries"]] == [""]
    assert "marzipan" not in str(read)
    assert "marzipan" in str(whole(call, told))


@pytest.mark.parametrize("kind", ["step", "words", "witness"])
def test_what_somebody_else_reported_is_not_there_for_the_desk(call, kind):
    incident, before = report(call), count(IncidentEntry)
    said = {"step": {"code": "cool_running_water", "minutes": 20}, "words": {"text": "x"},
            "witness": {"name": "Invented Wanda"}}[kind]  # fmt: skip
    refused = enter(call, incident, kind, by="freya", **said)
    assert (refused.status_code, refused.body["type"]) == (404, "/problems/not-found")
    assert call("freya").get(f"incidents/{incident['id']}").status_code == 404
    assert (count(IncidentEntry), count(HealthRead)) == (before, 0)
    # Nor for a colleague at another desk.
    mine = report(call, by="freya")
    assert call("hana").get(f"incidents/{mine['id']}").status_code == 404


def test_a_repeat_is_answered_without_what_others_wrote_meanwhile(call):
    first = report(call, by="freya", headers={"Idempotency_Key": "desk-1"})
    entered(call, first, "words", text="worse", serious=["hospital_stay"])
    again = report(call, by="freya", headers={"Idempotency_Key": "desk-1"})
    assert again == first
    assert count(Incident) == 1


def test_the_desk_reports_and_sees_no_picture(call):
    told = report(call, by="freya")
    agreed = {"purpose": "photographs", "given": True}
    assert call("petra").post(f"clients/{uid('cora')}/consents", agreed).status_code in {200, 201}
    shown = {"picture": photograph(), "moment": "injury", "area": "lip"}
    path = f"incidents/{told['id']}/photographs"
    assert call("freya").post(path, shown).status_code == 403
    shown["picture"] = photograph()
    assert call("petra").post(path, shown).status_code == 201
    assert len(whole(call, told)["photographs"]) == 1
    assert whole(call, told, by="freya")["photographs"] == []
