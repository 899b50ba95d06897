"""Handing over between shifts: what stood is kept as it was shown, and accepted by name by another."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from services.actions import hand_over as actions
from services.models import HandOver
from spa_ops.kernel import clock
from spa_ops.kernel.problems import WrongState
from spa_ops.unit.work import reading
from tests.rooms.test_check_lists_api import evidence
from tests.rooms.test_equipment_api import FILLED, add, log
from tests.services.test_checkout_at_once import _at_once
from tests.world import BUSINESS, LAKE, actor, uid

PATH = f"locations/{LAKE}/hand-over"
KIT = f"kits/{uid('brow kit 2')}"


def stands(call, by="petra"):
    found = call(by).get(PATH)
    assert found.status_code == 200, found.body
    return found.body


def give(call, by="petra", **more):
    return call(by).post(f"{PATH}s", more)


def test_what_runs_and_what_is_not_ready_is_there(call, now):
    seen = stands(call)
    assert [room["name"] for room in seen["rooms_not_ready"]] == ["room 3"]
    assert [kit["name"] for kit in seen["soiled_kits"]] == ["brow kit 2"]
    assert (seen["soaks"], seen["shortages"]) == ([], [])
    assert {bath["is_usable"] for bath in seen["solutions"]} == {True}
    bath = seen["solutions"][0]["solution_id"]
    for kind, said in (
        ("washed", {}),
        ("rinsed", {}),
        ("dried", {}),
        ("immersed", {"agent_id": bath, "fully_open": True}),
    ):
        assert call("petra").post(f"{KIT}/reprocessing", {"kind": kind, **said}).status_code < 300
    seen = stands(call)
    (soak,) = seen["soaks"]
    # The label of the world's product asks for 600 s.
    assert soak["name"] == "brow kit 2"
    assert soak["contact_due_at"].startswith("2026-05-06T17:10:00")
    assert seen["soiled_kits"] == []


def test_pots_due_and_lists_are_part_of_it(call, now):
    pot = add(call)
    log(call, pot, **FILLED)
    seen = stands(call)
    assert seen["equipment"] == [{"name": "wax_pot 1", "flaws": ["not_measured_today"]}]
    assert [(one["kind"], one["complete"]) for one in seen["lists"]] == [
        ("opening", False),
        ("closing", False),
    ]


def test_it_is_kept_as_shown_and_accepted_once_by_somebody_else(call, now):
    given = give(call, shortages=["gloves, small"])
    assert (given.status_code, given.body["given_by"]) == (201, str(uid("petra")))
    path = f"hand-overs/{given.body['id']}"
    assert given.body["shown"]["shortages"] == [{"what": "gloves, small", "kind": "told"}]
    own = call("petra").post(f"{path}/accept")
    assert (own.status_code, own.body["type"]) == (409, "/problems/own-hand-over")
    assert call("freya").get(f"{PATH}s?open=true").body["items"][0]["id"] == given.body["id"]
    with clock.stopped_at(now + timedelta(minutes=5)):
        # Meanwhile the room was taken out of use; what was shown stays what was shown.
        call("lena").post(f"rooms/{uid('room 1')}/out-of-use", {"reason": "lamp broken"})
        taken = call("pavel").post(f"{path}/accept")
        assert (taken.status_code, taken.body["accepted_by"]) == (200, str(uid("pavel")))
        assert taken.body["shown"] == given.body["shown"]
        again = call("lena").post(f"{path}/accept")
        assert again.body["type"] == "/problems/wrong-state"
        assert len(stands(call)["rooms_not_ready"]) == 2
    assert call("freya").get(f"{PATH}s?open=true").body["items"] == []
    (first,) = evidence(call, "hand_over.given")
    assert (first["rooms_not_ready"], first["shortages"], first["open_incidents"]) == (1, 1, 0)
    (second,) = evidence(call, "hand_over.accepted")
    assert second["accepted_by"] == str(uid("pavel"))


def test_of_incidents_the_desk_sees_how_many_and_when_to_call_back(call, now):
    told = {
        "kind": "fall", "what_happened": "slipped on the marzipan", "client_id": str(uid("cora")),
        "occurred_at": (now - timedelta(hours=1)).isoformat(),
    }  # fmt: skip
    made = call("petra").post(f"locations/{LAKE}/incidents", told)
    assert made.status_code == 201, made.body
    given = give(call).body
    assert given["incident_ids"] == [made.body["id"]]
    assert given["shown"]["incidents"]["open"] == 1
    seen = call("freya").get(f"hand-overs/{given['id']}")
    assert "incident_ids" not in seen.body
    assert seen.body["shown"]["incidents"]["open"] == 1
    assert seen.body["shown"]["incidents"]["next_call_back_at"]
    for text in (seen.content.decode(), call("freya").get(PATH).content.decode()):
        assert "marzipan" not in text
        assert "fall" not in text.replace("shortfall", "")
        assert str(uid("cora")) not in text


def test_the_database_refuses_who_accepts_their_own(call, now):
    given = give(call).body["id"]
    with reading(BUSINESS), pytest.raises(IntegrityError, match="by_another"):
        with transaction.atomic():
            HandOver.objects.filter(id=given).update(accepted_by_id=uid("petra"), accepted_at=now)


def test_a_shortage_is_a_few_words(call):
    refused = call("lena").post(f"{PATH}s", {"shortages": ["x" * 81]})
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/shortages/0")


def test_the_page_to_print(call):
    page = call("petra").get(f"{PATH}-page").content.decode()
    assert "room 3: needs turnover since" in page
    assert "brow kit 2" in page
    assert "Accepted by" in page


def test_of_many_who_accept_at_once_one_does(own_database):
    given = actions.give_hand_over(actor=actor("petra"), now=clock.now(), location_id=LAKE)

    def accepts(name):
        return lambda: actions.accept_hand_over(
            actor=actor(name), now=clock.now(), hand_over_id=given.id
        )

    found = _at_once(*[accepts(name) for name in ("pavel", "lena", "freya", "olga")])
    assert [type(one) for one in found if isinstance(one, Exception)] == [WrongState] * 3
    with reading(BUSINESS):
        row = HandOver.objects.get(id=given.id)
    assert [one.accepted_by_id for one in found if isinstance(one, HandOver)] == [
        row.accepted_by_id
    ]
