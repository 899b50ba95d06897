"""Minors and intimate services over HTTP: who must be here, who agreed, who does it, who declines."""

import pytest

from tests.services.day import GLOVED, all_no, book, consult, hair, in_room, line
from tests.world import LAKE, uid
from tests.world_clients import agree


@pytest.fixture
def bikini(call):
    """An intimate service that Petra and Pavel do; a client of 17 whose guardian is on record."""
    lena = call("lena")
    service = {
        "id": str(uid("bikini wax")), "name": "Bikini wax", "area": "bikini",
        "method": "soft_wax", "hands_on_minutes": 20, "price_minor": 4000,
    }  # fmt: skip
    assert lena.post("services", service).status_code == 201
    for who in ("petra", "pavel"):
        skill = lena.post(f"people/{uid(who)}/skills", {"service_id": service["id"]})
        assert skill.status_code == 201
    given = {
        "id": str(uid("mina")), "name": "Invented Mina", "birth_date": "2009-01-01",
        "phone": "(312) 555-0188", "guardian": {"name": "Invented Gerda", "relation": "mother",
        "phone": "(312) 555-0199"},
    }  # fmt: skip
    added = call("freya").post("clients", given)
    assert (added.status_code, added.body["guardian"]["phone"]) == (201, "+13125550199")
    for purpose in ("health_answers", "guardian_service", "intimate_service"):
        said = {"purpose": purpose, "given": True}
        assert call("freya").post(f"clients/{uid('mina')}/consents", said).status_code == 200


def floor(call, age):
    path = f"locations/{LAKE}"
    read = call("lena").get(path)
    return call("lena").patch(
        path, {"policies": {"intimate_age_floor": age}}, If_Match=read["ETag"]
    )


def seated(call, now, client="mina"):
    return in_room(call, now, line(now, "bikini wax", kit=None, minutes=30), client=client)


def asked(call, visit):
    return consult(call, visit, answers=all_no("soft_wax", "bikini"), findings=[hair("bikini")])[
        "lines"
    ][0]


def start(call, visit):
    return call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED)


def test_the_floor_is_18_unless_the_house_says_16_and_nobody_overrides(call, now, bikini):
    visit = seated(call, now)
    call("freya").post(f"visits/{visit['id']}/guardian", {"present": True})
    judged = asked(call, visit)
    assert judged["verdict"] == "do_not_treat"
    override = call("petra").post(f"lines/{judged['id']}/override", {"reason": "she insists"})
    assert override.body["type"] == "/problems/not-overridable"
    for wrong in (15, 17, 0):
        assert floor(call, wrong).status_code == 422
    assert floor(call, 16).status_code == 200
    assert asked(call, visit)["verdict"] == "proceed"
    assert start(call, visit).status_code == 200


def test_a_guardian_is_here_and_not_only_signed_and_it_counts_at_the_start(call, now, bikini):
    assert floor(call, 16).status_code == 200
    visit = seated(call, now)
    assert asked(call, visit)["verdict"] == "do_not_treat"
    path = f"visits/{visit['id']}/guardian"
    here = call("freya").post(path, {"present": True, "relation": "mother"}, Idempotency_Key="g")
    assert here.body["lines"][0]["verdict"] == "proceed"
    again = call("freya").post(path, {"present": True, "relation": "mother"}, Idempotency_Key="g")
    assert again["Idempotency-Replayed"] == "true"
    assert here.body["guardian_present_at"].startswith("2026-05-06T17:00:00")
    gone = call("freya").post(path, {"present": False})
    assert gone.body["lines"][0]["verdict"] == "do_not_treat"
    assert start(call, visit).body["verdict"] == "do_not_treat"
    found = call("inga").get(f"evidence/{LAKE}/entries?kind=visit.guardian_present").body["items"]
    assert [e["facts"]["present"] for e in found] == [True, False]
    assert "mother" not in str(found)


@pytest.mark.parametrize("purpose", ["guardian_service", "intimate_service"])
def test_a_consent_withdrawn_after_the_consultation_stops_the_start(call, now, bikini, purpose):
    assert floor(call, 16).status_code == 200
    visit = seated(call, now)
    call("freya").post(f"visits/{visit['id']}/guardian", {"present": True})
    assert asked(call, visit)["verdict"] == "proceed"
    withdrawn = {"purpose": purpose, "given": False}
    call("freya").post(f"clients/{uid('mina')}/consents", withdrawn)
    refused = start(call, visit)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/screening-forbids")


def test_a_chaperone_is_offered_and_who_it_is_kept(call, now, bikini):
    visit = seated(call, now)
    path = f"visits/{visit['id']}/chaperone"
    accepted = {"accepted": True, "chaperone_id": str(uid("lena"))}
    done = call("petra").post(path, accepted).body
    assert (done["chaperone_accepted"], done["chaperone_id"]) == (True, str(uid("lena")))
    declined = call("petra").post(path, {"accepted": False}).body
    assert (declined["chaperone_accepted"], declined["chaperone_id"]) == (False, None)
    assert call("petra").post(path, {"accepted": True}).status_code == 422
    assert call("petra").post(path, accepted | {"accepted": False}).status_code == 422
    assert call("petra").post(path, accepted | {"chaperone_id": str(uid("stranger"))}).status_code == 404  # fmt: skip
    found = call("inga").get(f"evidence/{LAKE}/entries?kind=visit.chaperone_offered").body["items"]
    assert [e["facts"]["accepted"] for e in found] == [True, False]


def test_the_clients_choice_of_practitioner_holds_at_booking_for_an_intimate_line(
    call, now, bikini
):
    agree("cora")
    read = call("freya").get(f"clients/{uid('cora')}")
    choice = {"chosen_practitioner_id": str(uid("petra"))}
    chosen = call("freya").patch(f"clients/{uid('cora')}", choice, If_Match=read["ETag"])
    assert chosen.body["chosen_practitioner_id"] == str(uid("petra"))
    refused = book(call, now, line(now, "bikini wax", who="pavel", kit=None))
    assert (refused.status_code, refused.body["type"]) == (
        409, "/problems/other-practitioner-chosen",
    )  # fmt: skip
    assert refused.body["chosen_id"] == str(uid("petra"))
    assert book(call, now, line(now, who="pavel")).status_code == 201
    other = line(now, "bikini wax", who="petra", room="room 2", kit=None, minutes=180)
    assert book(call, now, other).status_code == 201
    unknown = {"chosen_practitioner_id": str(uid("stranger"))}
    assert call("freya").patch(f"clients/{uid('cora')}", unknown, If_Match=chosen["ETag"]).status_code == 404  # fmt: skip


def test_a_practitioner_declines_their_own_line_and_the_visit_stays(call, now, bikini):
    visit = book(call, now, line(now, "bikini wax", kit=None)).body
    path = f"lines/{visit['lines'][0]['id']}/decline"
    assert call("lena").post(path, {"reason": "x"}).status_code == 403
    assert call("petra").post(path, {}).status_code == 422
    done = call("petra").post(path, {"reason": "not at ease"})
    assert (done.status_code, done.body["lines"][0]["state"]) == (200, "dropped"), done.body
    assert done.body["state"] == "booked"
    assert call("petra").post(path, {"reason": "not at ease"}).body["type"] == "/problems/wrong-state"  # fmt: skip
    (entry,) = call("inga").get(f"evidence/{LAKE}/entries?kind=line.declined").body["items"]
    assert "ease" not in str(entry["facts"])
    # Petra's time is free again, and somebody else may take the line.
    taken = call("freya").post(
        f"visits/{visit['id']}/lines", line(now, "bikini wax", who="pavel", kit=None)
    )
    assert taken.status_code == 201 or taken.status_code == 200, taken.body


def test_a_bad_guardian_is_named(call):
    for wrong, pointer in (
        ({"name": ""}, "/guardian/name"),
        ({"phone": "(312) 555-0199"}, "/guardian/name"),
    ):
        refused = call("freya").post("clients", {"name": "Invented Nell", "guardian": wrong})
        assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    wrong = {"name": "Gerda", "phone": "nine one one"}
    assert call("freya").post("clients", {"name": "Invented Nell", "guardian": wrong}).status_code == 422  # fmt: skip
