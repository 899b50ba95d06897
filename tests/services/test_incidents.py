"""The incident record over HTTP: reported, written on, closed, struck out; who sees what of it."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest

from clients.actions_erasure import expire_health_answers
from clients.models import ConsentPurpose, HealthAnswer, HealthRead
from clients.registry import HOLDINGS
from compliance.ledger.queries import entries, verification
from services import tasks
from services.incident_guide_files import shipped_guides
from services.models import Incident, IncidentCallBack, IncidentEntry, IncidentRead
from services.tasks import send_due_reminders
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.clock import stopped_at
from spa_ops.unit.work import reading, snapshot
from tests.services import builders as build
from tests.services.carriers import Kept
from tests.services.day import all_no, book, consult, in_room, line
from tests.services.test_erasure import DUE as LET_GO
from tests.services.test_erasure import said
from tests.services.test_foresight import WEEK, in_question
from tests.services.test_reminders import DUE, carry, waiting  # noqa: F401 - a fixture
from tests.sync.test_pull import follow
from tests.world import BUSINESS, HARBOR, LAKE, uid

PLACE, CORA = f"locations/{LAKE}/incidents", str(uid("cora"))
WORDS = "Wax dripped from the spatula, invented words"
BURN = {"kind": "burn", "what_happened": WORDS, "client_id": CORA, "area": "lip"}
#: What a burn on the lip asks of whoever is there (ANZCOR 9.1.3; burns triage page: face).
BURN_STEPS = (
    {"code": "cool_running_water", "minutes": 20},
    {"code": "cover_loosely"},
    {"code": "medical_care"},
)


def report(call, by="petra", place=PLACE, headers=None, **more):
    given = BURN | more
    answer = call(by).post(
        place, {k: v for k, v in given.items() if v is not None}, **(headers or {})
    )
    assert answer.status_code == 201, answer.body
    return answer.body


def enter(call, incident, kind, by="petra", **said):
    return call(by).post(f"incidents/{incident['id']}/entries", {"kind": kind, **said})


def entered(call, incident, kind, **said):
    answer = enter(call, incident, kind, **said)
    assert answer.status_code == 201, answer.body
    return answer.body


def do_all(call, incident):
    for one in BURN_STEPS:
        entered(call, incident, "step", **one)


def close(call, incident, by="petra", **headers):
    return call(by).post(f"incidents/{incident['id']}/close", **headers)


def strike(call, incident, **given):
    given.setdefault("reason", "another client")
    return call("petra").post(f"incidents/{incident['id']}/strike-out", given)


def whole(call, incident, by="petra"):
    answer = call(by).get(f"incidents/{incident['id']}")
    assert answer.status_code == 200, answer.body
    return answer.body


def log(kind):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(LAKE, kinds=[kind])]


def count(model, **conditions):
    with reading(BUSINESS):
        return model.objects.filter(**conditions).count()


def test_the_emergency_line_is_said_first_and_then_what_to_do(call):
    told = report(call)
    assert list(told)[:2] == ["emergency", "steps"]
    assert told["emergency"] == shipped_guides().emergency
    required = [s["code"] for s in told["steps"] if s["required"]]
    # Burns triage page (8.09): care for any burn on the face, of which the lip is a part.
    assert required == [one["code"] for one in BURN_STEPS]
    assert all(step["sources"] for step in told["steps"])
    assert told["never"] == ["ice", "cream", "oil"]  # ANZCOR guideline 9.1.3
    assert [c["hours"] for c in told["call_backs"]] == [24, 72]  # house policy
    assert told["guide_digest"] == shipped_guides().digest


def test_an_incident_is_carried_from_the_report_to_its_closing(call, now):
    incident = report(call)
    do_all(call, incident)
    entered(call, incident, "words", text="it stings")
    entered(call, incident, "witness", name="Invented Wanda", contact="at the desk")
    entered(call, incident, "advice", text="see a doctor if it blisters")
    with stopped_at(now + timedelta(hours=25)):
        refused = close(call, incident)
        assert (refused.status_code, refused.body["steps"], refused.body["call_backs"]) == (
            409,
            [],
            [24],
        )
        entered(call, incident, "call_back", hours=24, reached=True, text="healing")
        said = {"text": "healing, nothing left to do"}
        closed = call("petra").post(f"incidents/{incident['id']}/close", said)
        assert (closed.status_code, closed.body["state"]) == (200, "closed")
        found = whole(call, incident)
        assert found["closed_at"] == "2026-05-07T18:00:00.000000Z"
    assert [e["kind"] for e in found["entries"]] == [
        "step", "step", "step", "words", "witness", "advice", "call_back", "closed",
    ]  # fmt: skip
    assert (found["what_happened"], found["open_steps"]) == (WORDS, [])
    assert all(step["done"] for step in found["steps"] if step["required"])
    # The call after three days is still owed, comes up, and can be made.
    with stopped_at(now + timedelta(hours=73)):
        (owed,) = call("freya").get(f"locations/{LAKE}/follow-ups").body["items"]
        assert (owed["incident_id"], owed["hours"]) == (incident["id"], 72)
        entered(call, incident, "call_back", hours=72, reached=True, text="healed")
        assert call("freya").get(f"locations/{LAKE}/follow-ups").body["items"] == []
        assert whole(call, incident)["state"] == "closed"
    assert len(log("incident.reported")) == 1
    assert (len(log("incident.entry_added")), len(log("incident.closed"))) == (8, 1)
    with snapshot(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole


def test_closing_names_every_required_step_that_is_open(call):
    incident = report(call)
    entered(call, incident, "step", code="cool_running_water", minutes=10)
    refused = close(call, incident)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/incident-not-done")
    assert refused.body["steps"] == [one["code"] for one in BURN_STEPS]
    assert whole(call, incident)["state"] == "open"
    assert log("incident.closed") == []


def test_a_call_back_that_reached_nobody_or_came_too_early_is_kept_and_still_due(call, now):
    incident = report(call)
    do_all(call, incident)
    entered(call, incident, "call_back", hours=24, reached=True, text="at once")
    with stopped_at(now + timedelta(hours=24)):
        entered(call, incident, "call_back", hours=24, reached=False, text="no answer")
        assert whole(call, incident)["due_call_backs"] == [24]
        assert close(call, incident).status_code == 409


def test_what_was_struck_out_stays_and_takes_its_effect_back(call):
    incident = report(call)
    do_all(call, incident)
    assert close(call, incident).body["state"] == "closed"
    cooled = whole(call, incident)["entries"][0]
    struck = strike(call, incident, entry_id=cooled["id"], reason="it was not cooled")
    assert (struck.status_code, struck.body["state"], struck.body["closed_at"]) == (
        200,
        "open",
        None,
    )
    found = whole(call, incident)
    assert found["entries"][0]["struck"] == "it was not cooled"
    assert (found["open_steps"], len(found["entries"])) == (["cool_running_water"], 5)
    again = strike(call, incident, entry_id=cooled["id"])
    assert (again.status_code, again.body["type"]) == (409, "/problems/already-corrected")
    entered(call, incident, "step", code="cool_running_water", minutes=25)
    assert whole(call, incident)["state"] == "closed"
    closing = next(e for e in whole(call, incident)["entries"] if e["kind"] == "closed")
    assert strike(call, incident, entry_id=closing["id"]).body["state"] == "open"
    assert [f["struck_id"] for f in log("incident.struck")] == [cooled["id"], closing["id"]]


def test_a_struck_out_incident_stays_visible_and_owes_nothing(call, now):
    incident = report(call)
    assert strike(call, incident, reason="it was another client").status_code == 200
    found = whole(call, incident)
    assert (found["state"], found["struck"]) == ("struck", "it was another client")
    assert found["what_happened"] == WORDS
    for refused in (enter(call, incident, "words", text="x"), close(call, incident)):
        assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")
    assert strike(call, incident).body["type"] == "/problems/already-corrected"
    with stopped_at(now + timedelta(hours=100)):
        assert call("lena").get(f"locations/{LAKE}/follow-ups").body["items"] == []
    listed = call("petra").get(PLACE).body["items"]
    assert [i["state"] for i in listed] == ["struck"]
    assert call("freya").get(PLACE).body["items"] == []


def test_a_hurt_team_member_is_offered_an_evaluation_and_their_answer_kept(call):
    hurt = {"client_id": None, "person_id": str(uid("pavel")), "area": "hand"}
    incident = report(call, kind="blood_exposure", **hurt)
    assert "evaluation_offered" in [s["code"] for s in incident["steps"] if s["required"]]
    assert incident["declaration_recorded"] is False
    for one in ("wash_or_flush", "antiseptic_and_dress", "bag_waste", "exposure_record"):
        entered(call, incident, "step", code=one)
    entered(call, incident, "evaluation_offer", outcome="offered")
    assert close(call, incident).body["steps"] == ["evaluation_offered"]
    entered(call, incident, "evaluation_offer", outcome="declined", text="signed at the desk")
    assert close(call, incident).status_code == 200
    found = whole(call, incident)
    assert (found["person_id"], found["client_id"]) == (str(uid("pavel")), None)
    # The six fields of the exposure record: Windsor-Essex health unit's template (10.06).
    assert found["occurred_at"]
    assert found["what_happened"]
    assert found["area"] == "hand"
    assert found["recorded_by"] == str(uid("petra"))
    assert "line_id" in found
    assert "exposure_record" in [e["content"].get("code") for e in found["entries"]]
    assert count(IncidentRead) == 1
    assert count(HealthRead) == 0


@pytest.mark.parametrize("word", ["hospital_stay", "lasting_rash"])
def test_what_turns_out_serious_is_to_be_passed_on_to_the_company_on_the_label(call, now, word):
    incident = report(call, kind="reaction", product="invented tint, lot 7")
    assert incident["tell_company"] is False
    with stopped_at(now + timedelta(hours=25)):
        said = {"hours": 24, "reached": True, "text": "saw a doctor", "serious": [word]}
        entered(call, incident, "call_back", **said)
        assert whole(call, incident)["tell_company"] is True
        entered(call, incident, "company_told", company="Invented Alba")
        assert whole(call, incident)["tell_company"] is False


@pytest.mark.parametrize(
    ("kind", "more", "rule", "verdict", "questioned"),
    [
        ("burn", {}, "burnt_before", "wait_until", True),
        ("skin_lifted", {}, "lifted_skin", "do_not_treat", True),
        ("reaction", {}, "allergic_before", "patch_test_first", True),
        ("reaction", {"allergic": False}, "reddened_before", "proceed_with_care", False),
    ],
)
def test_a_clients_reaction_is_screened_by_in_this_visit_and_the_next(
    call, now, kind, more, rule, verdict, questioned
):
    area = {"area": "brow"}
    coming = book(call, now, line(now, minutes=WEEK))
    here = in_room(call, now)
    assert consult(call, here)["lines"][0]["verdict"] == "proceed"
    incident = report(call, kind=kind, visit_id=here["id"], **area, **more)
    assert incident["declaration_recorded"] is True
    found = call("petra").get(f"visits/{here['id']}/consultation").body["lines"][0]
    assert rule in [reason["rule_id"] for reason in found["reasons"]]
    assert found["verdict"] == verdict
    tasks.look_ahead()
    assert in_question(call) == ([coming.body["id"]] if questioned else [])
    assert strike(call, incident).status_code == 200
    (after,) = call("petra").get(f"visits/{here['id']}").body["lines"]
    assert after["verdict"] == "proceed"
    tasks.look_ahead()
    assert in_question(call) == []


def test_without_a_visit_the_reaction_counts_all_the_same(call, now):
    report(call, kind="skin_lifted", area="brow")
    visit = in_room(call, now)
    asked = consult(call, visit, answers=all_no())
    assert asked["lines"][0]["verdict"] == "do_not_treat"


def test_without_consent_to_health_answers_the_incident_is_kept_and_no_declaration_made(call):
    withdrawn = {"purpose": ConsentPurpose.HEALTH_ANSWERS, "given": False}
    assert call("freya").post(f"clients/{CORA}/consents", withdrawn).status_code == 200
    incident = report(call)
    assert incident["declaration_recorded"] is False
    assert whole(call, incident)["what_happened"] == WORDS
    assert count(HealthAnswer) == 0


def test_neither_the_desk_nor_a_feed_nor_evidence_says_what_happened(call, now):
    incident = report(call, product="invented wax, lot 7")
    do_all(call, incident)
    entered(call, incident, "words", text="it stings a lot")
    desk = call("freya")
    (seen,) = desk.get(PLACE).body["items"]
    assert seen.keys() == {"id", "version", "location_id", "since", "follow_ups"}
    assert [f["hours"] for f in seen["follow_ups"]] == [24, 72]
    assert desk.get(f"incidents/{incident['id']}").status_code == 404
    assert enter(call, incident, "words", by="freya", text="what was it?").status_code == 404
    for path in ("close", "strike-out"):
        assert desk.post(f"incidents/{incident['id']}/{path}").status_code == 403
    fed, _, _ = follow(desk, LAKE)
    assert fed["incident", incident["id"]].keys() == seen.keys()
    others, _, _ = follow(call("petra"), LAKE)
    with stopped_at(now + timedelta(hours=25)):
        owed = desk.get(f"locations/{LAKE}/follow-ups").text
    with reading(BUSINESS):
        chain = [e["facts"] for e in entries(LAKE) if e["kind"].startswith("incident.")]
    assert len(chain) == 5
    for shown in (
        seen,
        fed["incident", incident["id"]],
        others["incident", incident["id"]],
        owed,
        chain,
    ):
        for word in ("burn", "wax", "sting", "cool", "lip", "medical"):
            assert word not in str(shown).lower()


def test_each_reading_is_recorded(call):
    incident = report(call)
    before = count(HealthRead)
    whole(call, incident)
    whole(call, incident, by="lena")
    assert count(HealthRead, client_id=uid("cora")) == before + 2
    assert call("freya").get(f"incidents/{incident['id']}").status_code == 404
    assert count(HealthRead) == before + 2


def test_open_ones_are_listed_first_and_page_by_page(call, now):
    old = [report(call, occurred_at=(now - timedelta(days=n)).isoformat()) for n in (5, 4)]
    for one in old[:1]:
        strike(call, one)
    new = [report(call) for _ in range(2)]
    seen, cursor = [], ""
    while True:
        page = call("petra").get(f"{PLACE}?limit=1{cursor}").body
        seen += [i["id"] for i in page["items"]]
        if page["next"] is None:
            break
        cursor = f"&cursor={page['next']}"
    assert seen[0] == old[1]["id"]
    assert seen[1:3] == sorted(i["id"] for i in new)
    assert seen[3:] == [old[0]["id"]]


def test_follow_ups_are_listed_from_when_they_are_due_and_overdue_when_the_day_ends(call, now):
    report(call)
    path = f"locations/{LAKE}/follow-ups"

    def listed(after, query=""):
        with stopped_at(now + after):
            return [i["hours"] for i in call("freya").get(path + query).body["items"]]

    due, tick = timedelta(hours=24), timedelta(microseconds=1)
    assert listed(due - tick) == []
    assert listed(due) == [24]
    # NOON is 12:00 in Chicago: the day ends twelve hours later.
    day_ends = due + timedelta(hours=12)
    assert listed(day_ends - tick, "?overdue=true") == []
    assert listed(day_ends - tick, "?overdue=false") == [24]
    assert listed(day_ends, "?overdue=true") == [24]
    assert listed(timedelta(hours=72)) == [24, 72]


FUTURE, LONG_AGO = "2026-05-06T17:00:01Z", "0001-01-01T00:00:00Z"


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"occurred_at": FUTURE}, "/occurred_at"),
        ({"occurred_at": LONG_AGO}, "/occurred_at"),
        ({"area": "moon"}, "/area"),
        ({"kind": "spill"}, "/kind"),
        ({"millimetres": 0}, "/millimetres"),
        ({"allergic": True}, "/allergic"),
        ({"serious": ["annoying"]}, "/serious/0"),
        ({"what_happened": " "}, "/what_happened"),
        ({"what_happened": "x" * 2001}, "/what_happened"),
        ({"client_id": None}, "/client_id"),
        ({"person_id": str(uid("pavel"))}, "/client_id"),
        ({"diagnosis": "second degree"}, "/diagnosis"),
    ],
)
def test_a_report_that_cannot_be_is_refused_and_keeps_nothing(call, given, pointer):
    body = {k: v for k, v in (BURN | given).items() if v is not None}
    refused = call("petra").post(PLACE, body)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    assert (count(Incident), count(IncidentCallBack), count(HealthAnswer)) == (0, 0, 0)


def test_what_is_named_must_fit_together(call, now):
    visit = book(call, now).body
    other = book(call, now, line(now, minutes=180), client="celia").body
    line_id = visit["lines"][0]["id"]
    for given, pointer in (
        ({"visit_id": other["id"]}, "/client_id"),
        ({"visit_id": other["id"], "line_id": line_id}, "/line_id"),
    ):
        refused = call("petra").post(PLACE, BURN | given)
        assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    pier = call("olga").post(PLACE, BURN | {"room_id": str(uid("pier room"))})
    assert (pier.status_code, pier.body["errors"][0]["pointer"]) == (422, "/room_id")
    incident = report(call, line_id=line_id, room_id=str(uid("room 1")))
    found = whole(call, incident)
    assert (found["visit_id"], found["line_id"]) == (visit["id"], line_id)


@pytest.mark.parametrize(
    "given",
    [
        {"client_id": str(uuid4())},
        {"client_id": None, "person_id": str(uid("stranger"))},
        {"visit_id": str(uuid4())},
        {"line_id": str(uuid4())},
        {"room_id": str(uid("far room"))},
        {"room_id": str(uid("pier room"))},
    ],
)
def test_what_is_not_here_is_not_there(call, given):
    body = {k: v for k, v in (BURN | given).items() if v is not None}
    assert call("petra").post(PLACE, body).status_code == 404
    assert count(Incident) == 0


def test_another_business_and_another_location_see_none_of_it(call):
    incident = report(call)
    path = f"incidents/{incident['id']}"
    for who in ("stranger", "henk"):
        caller = call(who)
        assert caller.get(path).status_code == 404
        assert caller.get(PLACE).status_code == 404
        assert caller.get(f"locations/{LAKE}/follow-ups").status_code == 404
        assert caller.post(PLACE, BURN).status_code == 404
        assert caller.post(f"{path}/entries", {"kind": "words", "text": "x"}).status_code == 404
        assert caller.post(f"{path}/close").status_code == 404
        assert caller.post(f"{path}/strike-out", {"reason": "x"}).status_code == 404
    assert count(IncidentEntry) == 0
    harbor = f"locations/{HARBOR}/incidents"
    assert call("henk").get(harbor).body["items"] == []


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ({"kind": "words"}, "/text"),
        ({"kind": "words", "text": "x", "hours": 24}, "/hours"),
        ({"kind": "closed", "text": "x"}, "/kind"),
        ({"kind": "step", "code": "nothing"}, "/code"),
        ({"kind": "words", "text": "x", "occurred_at": FUTURE}, "/occurred_at"),
        ({"kind": "words", "text": "x", "occurred_at": "2026-05-06T16:59:59Z"}, "/occurred_at"),
    ],
)
def test_an_entry_that_cannot_be_is_refused_and_keeps_nothing(call, said, pointer):
    incident = report(call)
    refused = call("petra").post(f"incidents/{incident['id']}/entries", said)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    assert (count(IncidentEntry), whole(call, incident)["version"]) == (0, 1)


def test_the_longest_words_of_the_strangest_letters_are_kept(call):
    # Written as JSON each of these takes six characters.
    incident = report(call, what_happened="\x01" * 2000)
    entered(call, incident, "words", text="\x02\U0001f600" * 1000)
    assert whole(call, incident)["what_happened"] == "\x01" * 2000


def test_striking_out_needs_a_reason_and_something_to_strike(call):
    incident = report(call)
    assert strike(call, incident, reason=" ").status_code == 422
    assert strike(call, incident, entry_id=str(uuid4())).status_code == 404
    entered(call, incident, "words", text="ouch")
    entry = whole(call, incident)["entries"][0]["id"]
    strike(call, incident, entry_id=entry)
    correction = whole(call, incident)["entries"][1]["id"]
    assert strike(call, incident, entry_id=correction).status_code == 404


def test_a_repeat_with_the_same_key_does_it_once(call):
    key = {"Idempotency_Key": "report-1"}
    first, again = report(call, headers=key), report(call, headers=key)
    assert first == again
    assert (count(Incident), count(IncidentCallBack), count(HealthAnswer)) == (1, 2, 1)
    path = f"incidents/{first['id']}/entries"
    for _ in range(2):
        said = call("petra").post(path, {"kind": "words", "text": "x"}, Idempotency_Key="words-1")
        assert said.status_code == 201
    assert count(IncidentEntry) == 1
    refused = [close(call, first, Idempotency_Key="close-1") for _ in range(2)]
    assert [r.status_code for r in refused] == [409, 409]
    assert {r.body["type"] for r in refused} == {"/problems/incident-not-done"}
    do_all(call, first)
    closed = [close(call, first, Idempotency_Key="close-2") for _ in range(2)]
    assert [r.status_code for r in closed] == [200, 200]
    assert closed[1]["Idempotency-Replayed"] == "true"
    assert len(log("incident.closed")) == 1
    twice = close(call, first)
    assert (twice.status_code, twice.body["type"]) == (409, "/problems/wrong-state")


def test_the_same_id_is_not_taken_twice(call):
    mine = str(uuid4())
    assert report(call, id=mine)["id"] == mine
    assert call("petra").post(PLACE, BURN | {"id": mine}).status_code == 409
    assert count(Incident) == 1


def test_reminders_wait_while_an_incident_is_open_and_go_out_after_closing(call, carry):  # noqa: F811
    kept, row = carry(), waiting()
    other = waiting(phone="+13125550777")
    nora = {"client_id": str(row.client_id)}
    with stopped_at(DUE - timedelta(hours=2)):
        incident = report(call, **nora)
        do_all(call, incident)
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert [m.reference for m in kept] == [other.id]
    assert (build.fresh(row).state, build.fresh(row).remind_at) == ("waiting", row.remind_at)
    assert send_due_reminders(now=DUE + timedelta(minutes=30)) == {}
    with stopped_at(DUE + timedelta(hours=1)):
        assert close(call, incident).status_code == 200
    assert send_due_reminders(now=DUE + timedelta(hours=1)) == {"sent": 1}
    assert [m.reference for m in Kept.messages] == [other.id, row.id]
    assert build.fresh(row).state == "sent"


def test_a_reminder_whose_day_has_passed_meanwhile_is_too_late(call, carry):  # noqa: F811
    kept, row = carry(), waiting()
    with stopped_at(DUE - timedelta(hours=2)):
        incident = report(call, client_id=str(row.client_id))
    later = DUE + timedelta(days=9)
    assert send_due_reminders(now=later) == {}
    with stopped_at(later):
        assert strike(call, incident).status_code == 200
    assert send_due_reminders(now=later) == {"too_late": 1}
    assert kept == []


def test_a_client_gets_all_of_it_and_erasing_leaves_nothing_to_read_or_to_call(call, now):
    incident = report(call)
    entered(call, incident, "words", text="it stings")
    with reading(BUSINESS):
        (told,) = HOLDINGS["services_incident"].export(uid("cora"))
        (said,) = HOLDINGS["services_incident_entry"].export(uid("cora"))
        assert HOLDINGS["services_incident"].export(uid("celia")) == []
        assert HOLDINGS["services_incident_entry"].export(uid("celia")) == []
    assert (told["id"], told["record"]["what_happened"]) == (incident["id"], WORDS)
    assert (said["kind"], said["record"]) == ("words", {"text": "it stings"})
    export = call("lena").get(f"clients/{CORA}/export")
    assert WORDS in export.text
    erased = call("lena").post(f"clients/{CORA}/erase", {"asked_by": "client", "reason": "wish"})
    assert erased.status_code == 200, erased.body
    gone = call("petra").get(f"incidents/{incident['id']}")
    assert (gone.status_code, gone.body["type"]) == (410, "/problems/erased")
    assert enter(call, incident, "words", text="x").status_code == 410
    (left,) = call("petra").get(PLACE).body["items"]
    assert (left["state"], left["follow_ups"]) == ("closed", [])
    assert log("incident.closed") == [{"incident_id": incident["id"], "entry_id": None}]
    with stopped_at(now + timedelta(hours=25)):
        assert call("lena").get(f"locations/{LAKE}/follow-ups").body["items"] == []
    assert call("petra").post(PLACE, BURN).status_code == 410
    with snapshot(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole


def test_what_was_recorded_lately_is_not_let_go_with_answers_of_long_ago(call, now):
    said(now)
    swept = {"actor": system_actor(BUSINESS), "location_id": LAKE}
    with stopped_at(LET_GO - timedelta(days=2)):
        incident = report(call, kind="fall", area=None)
    with stopped_at(LET_GO - timedelta(days=1)):
        entered(call, incident, "words", text="the knee hurts")
    with stopped_at(LET_GO):
        assert expire_health_answers(now=LET_GO, **swept) == 0
        assert whole(call, incident)["what_happened"] == WORDS
    # Three years after the last words (house policy) they go as well: 2029-05-05 at Lake.
    later = datetime(2032, 5, 5, 5, tzinfo=UTC)
    assert expire_health_answers(now=later - timedelta(microseconds=1), **swept) == 0
    assert expire_health_answers(now=later, **swept) == 1
