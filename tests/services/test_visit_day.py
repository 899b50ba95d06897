"""A client's day over HTTP: arrive, seat, consult, start, work, leave; and what does not start."""

from datetime import timedelta

import pytest

from spa_ops.kernel import clock
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, hair, in_room, line
from tests.world import LAKE, uid


def start(call, visit, by="petra", at=0, **confirmed):
    return call(by).post(f"lines/{visit['lines'][at]['id']}/start", GLOVED | confirmed)


def test_one_line_from_arrival_to_leaving(call, now):
    visit = in_room(call, now)
    assert call("petra").get(f"rooms/{uid('room 1')}").body["state"] == "in_service"
    judged = consult(call, visit)
    assert (judged["lines"][0]["verdict"], judged["lines"][0]["screened_on"]) == (
        "proceed",
        "2026-05-06",
    )
    begun = start(call, visit)
    assert (begun.status_code, begun.body["lines"][0]["state"]) == (200, "started")
    path = f"lines/{visit['lines'][0]['id']}"
    unwashed = call("petra").post(f"{path}/finish", {"record": RECORD, "gloves_off": True})
    assert (unwashed.status_code, unwashed.body["missing"]) == (409, "hands_washed")
    done = call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED})
    assert done.body["lines"][0]["state"] == "finished"
    left = call("freya").post(f"visits/{visit['id']}/leave")
    assert left.body["state"] == "left"
    assert call("petra").get(f"rooms/{uid('room 1')}").body["state"] == "needs_turnover"
    kit = call("petra").get(f"kits/{uid('brow kit 1')}").body
    assert {i["state"] for i in kit["implements"]} <= {"in_use", "soiled"}
    kinds = [
        e["kind"]
        for e in call("inga").get(f"evidence/{LAKE}/entries?subject={visit['id']}").body["items"]
    ]
    assert kinds == [
        "visit.booked", "visit.arrived", "visit.seated", "line.screened", "line.started",
        "line.work_recorded", "line.finished", "visit.left",
    ]  # fmt: skip
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True


def test_nothing_starts_unscreened_and_silence_never_proceeds(call, now):
    visit = in_room(call, now)
    assert start(call, visit).body["type"] == "/problems/not-screened"
    judged = consult(call, visit, answers=all_no()[:-1])
    assert judged["lines"][0]["verdict"] == "ask_first"
    assert start(call, visit).body["verdict"] == "ask_first"
    judged = consult(call, visit, answers=all_no()[-1:], findings=[])
    assert judged["lines"][0]["verdict"] == "proceed"


def test_yesterdays_consultation_does_not_count_today(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    with clock.stopped_at(now + timedelta(hours=13)):  # past midnight in Chicago
        assert start(call, visit).body["type"] == "/problems/not-screened"


def test_a_retinoid_waits_until_a_date_and_the_desk_sees_only_that(call, now):
    visit = in_room(call, now)
    judged = consult(
        call,
        visit,
        answers=all_no(skin_actives="yes"),
        declarations=[
            {
                "kind": "topical_retinoid",
                "areas": ["brow"],
                "when": {"on": "2026-05-04"},
                "still": False,
            }
        ],
    )
    # 7 days after the last use on 4 May (trade-facts 7.06, dermatologist's published advice).
    assert (judged["lines"][0]["verdict"], judged["lines"][0]["earliest_on"]) == (
        "wait_until",
        "2026-05-11",
    )
    assert start(call, visit).body["earliest_on"] == "2026-05-11"
    seen = call("freya").get(f"visits/{visit['id']}")
    assert b"retinoid" not in seen.content
    assert call("freya").get(f"visits/{visit['id']}/consultation").status_code == 403
    why = call("petra").get(f"visits/{visit['id']}/consultation").body
    assert any("retinoid" in r["rule_id"] for r in why["lines"][0]["reasons"])
    assert why["lines"][0]["reasons"][0]["sources"]


def test_isotretinoin_is_overridden_by_nobody(call, now):
    visit = in_room(call, now)
    judged = consult(
        call, visit, answers=all_no(isotretinoin="yes"),
        declarations=[{"kind": "isotretinoin", "still": True}],
    )  # fmt: skip
    assert judged["lines"][0]["verdict"] == "do_not_treat"
    for name in ("petra", "lena"):
        refused = call(name).post(
            f"lines/{visit['lines'][0]['id']}/override", {"reason": "she insists"}
        )
        assert refused.body["type"] == "/problems/not-overridable"


def _waiting(call, now):
    visit = in_room(call, now)
    consult(
        call,
        visit,
        answers=all_no(procedures="yes"),
        declarations=[
            {
                "kind": "chemical_peel",
                "areas": ["face"],
                "when": {"on": "2026-04-28"},
                "details": ["light"],
            }
        ],
    )
    return visit


def test_an_override_is_by_someone_whose_licence_and_skill_cover_it(call, now):
    visit = _waiting(call, now)
    path = f"lines/{visit['lines'][0]['id']}/override"
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["verdict"] == "wait_until"
    reason = {"reason": "the peel was on the chin only, the brow is untouched"}
    assert call("freya").post(path, reason).status_code == 403
    assert call("olga").post(path, reason).body["type"] == "/problems/not-covered"
    assert call("petra").post(path, {}).status_code == 422
    done = call("petra").post(path, reason)
    assert (done.status_code, done.body["lines"][0]["overridden"]) == (200, True)
    assert start(call, visit).status_code == 200
    entry = call("inga").get(f"evidence/{LAKE}/entries?kind=line.overridden").body["items"][0]
    assert entry["person_id"] == str(uid("petra"))
    assert "peel" not in str(entry["facts"])


def test_a_new_finding_decides_again_and_ends_an_override(call, now):
    visit = _waiting(call, now)
    call("petra").post(f"lines/{visit['lines'][0]['id']}/override", {"reason": "agreed"})
    judged = consult(call, visit, answers=[], findings=[{"code": "broken_skin", "areas": ["brow"]}])
    assert (judged["lines"][0]["verdict"], judged["lines"][0]["overridden"]) == (
        "do_not_treat",
        False,
    )


@pytest.mark.parametrize(
    ("finding", "verdict"),
    [
        ("broken_skin", "do_not_treat"),  # 16 TAC 83.102(b), trade-facts 7.01
        ("swollen_skin", "do_not_treat"),
        ("cold_sore", "do_not_treat"),
        ("mole", "proceed_with_care"),  # common practice, no source
        ("sunburn", "wait_until"),  # American Academy of Dermatology, 2016 release, 7.17
    ],
)
def test_what_is_seen_decides(call, now, finding, verdict):
    visit = in_room(call, now)
    judged = consult(call, visit, findings=[hair(), {"code": finding, "areas": ["brow"]}])
    assert judged["lines"][0]["verdict"] == verdict


def test_a_fever_stops_every_line(call, now):
    lines = [line(now, minutes=30), line(now, "full leg wax", kit=None, minutes=None)]
    visit = in_room(call, now, *lines)
    judged = consult(call, visit, findings=[{"code": "fever"}])
    assert {x["verdict"] for x in judged["lines"]} == {"do_not_treat"}


@pytest.mark.parametrize(
    "missing", ["hands_cleaned", "fresh_gloves", "skin_prepared", "wax_tried_on_wrist"]
)
def test_each_confirmation_is_needed(call, now, missing):
    visit = in_room(call, now)
    consult(call, visit)
    refused = start(call, visit, **{missing: False})
    assert (refused.status_code, refused.body["missing"]) == (409, missing)
    assert start(call, visit).status_code == 200


def test_only_the_lines_own_practitioner_confirms_their_hands(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    assert start(call, visit, by="lena").body["type"] == "/problems/not-covered"


def test_an_uncleared_kit_is_recorded_and_does_not_start(call, now):
    visit = in_room(call, now, line(now, minutes=30, kit="brow kit 2"))
    consult(call, visit)
    assert start(call, visit).body["type"] == "/problems/kit-not-cleared"
    opened = call("inga").get(f"evidence/{LAKE}/entries?kind=kit.opened").body["items"][-1]
    assert opened["facts"]["cleared"] is False
    assert len(opened["facts"]["uncleared_ids"]) == 2


def kits_opened(call):
    found = call("inga").get(f"evidence/{LAKE}/entries?kind=kit.opened").body["items"]
    return [(e["facts"]["kit_id"], e["facts"]["cleared"]) for e in found]


def test_another_kit_taken_with_the_client_in_the_room_is_opened_at_the_start(call, now):
    visit = in_room(call, now, line(now, minutes=30, kit="brow kit 2"))
    consult(call, visit)
    refused = start(call, visit)
    assert "Take a cleared kit" in refused.body["detail"]
    swap = line(now, minutes=None, kit="brow kit 1")
    swapped = call("petra").post(
        f"lines/{visit['lines'][0]['id']}/swap", {"line": swap, "reason": "kit not cleared"}
    )
    assert swapped.status_code == 200, swapped.body
    consult(call, visit, answers=[], findings=[])  # the other line is judged by what was said
    planned = [each for each in swapped.body["lines"] if each["state"] == "planned"]
    begun = start(call, {"lines": planned})
    assert begun.status_code == 200, begun.body
    assert kits_opened(call) == [
        (str(uid("brow kit 2")), False),
        (str(uid("brow kit 1")), True),
    ]
    kit = call("petra").get(f"kits/{uid('brow kit 1')}").body
    assert {i["state"] for i in kit["implements"]} == {"in_use"}


def test_a_kit_brought_the_whole_way_back_meanwhile_is_opened_anew(call, now):
    visit = in_room(call, now, line(now, minutes=30, kit="brow kit 2"))
    consult(call, visit)
    bath = call("petra").post(
        f"locations/{LAKE}/solutions",
        {"product_id": str(uid("quat")), "container": "jar 1",
         "concentrate": {"amount": "60", "unit": "mL"}, "water": {"amount": "960", "unit": "mL"}},
    ).body["id"]  # fmt: skip
    steps = [
        ("washed", {}, 0), ("rinsed", {}, 10), ("dried", {}, 20),
        ("immersed", {"agent_id": bath, "fully_open": True}, 30), ("lifted", {}, 630),
        ("rinsed", {}, 640), ("dried", {}, 650), ("stored", {"covered": True}, 660),
    ]  # fmt: skip
    for kind, said, seconds in steps:
        with clock.stopped_at(now + timedelta(seconds=seconds)):
            assert start(call, visit).body["type"] == "/problems/kit-not-cleared"
            done = call("petra").post(
                f"kits/{uid('brow kit 2')}/reprocessing", {"kind": kind, **said}
            )
            assert done.status_code == 200, done.body
    with clock.stopped_at(now + timedelta(seconds=661)):
        assert start(call, visit).status_code == 200
        again = call("lena").get(f"visits/{visit['id']}/trace")
    assert kits_opened(call) == [(str(uid("brow kit 2")), cleared) for cleared in (False, True)]
    assert again.status_code == 200, again.body


def test_a_room_that_is_not_ready_takes_nobody(call, now):
    visit = book(call, now, line(now, minutes=30, room="room 3")).body
    call("freya").post(f"visits/{visit['id']}/arrive")
    refused = call("petra").post(f"visits/{visit['id']}/seat")
    assert (refused.status_code, refused.body["state"]) == (409, "needs_turnover")
    assert call("petra").get(f"visits/{visit['id']}").body["state"] == "arrived"


def test_blood_stops_everything_until_it_stops(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    start(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    seen = call("petra").post(
        f"{path}/blood-seen", {"stopped": True, "first_aid": True, "fresh_gloves": True}
    )
    assert (seen.body["lines"][0]["state"], seen.body["lines"][0]["bleeding"]) == ("paused", True)
    assert start(call, visit).body["type"] == "/problems/bleeding"
    kit = call("petra").get(f"kits/{uid('brow kit 1')}").body
    assert all(i["blood"] for i in kit["implements"])
    entry = call("inga").get(f"evidence/{LAKE}/entries?kind=line.blood_seen").body["items"][0]
    assert entry["facts"]["not_done"] == ["waste_bagged"]
    assert call("petra").post(f"{path}/bleeding-stopped").status_code == 200
    assert start(call, visit).status_code == 200


def test_blood_sends_the_room_the_stricter_way_back(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    start(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    call("petra").post(f"{path}/blood-seen", {"stopped": True})
    call("petra").post(f"{path}/stop", {"reason": "bleeding", "done": "half", "price_minor": 0})
    call("freya").post(f"visits/{visit['id']}/leave")
    assert call("petra").get(f"rooms/{uid('room 1')}/turnover").body["blood_seen"] is True


def test_a_line_can_be_paused_and_stopped_at_an_agreed_price(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    start(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert (
        call("petra").post(f"{path}/pause", {"reason": "phone"}).body["lines"][0]["state"]
        == "paused"
    )
    assert start(call, visit).body["lines"][0]["state"] == "started"
    dear = call("petra").post(f"{path}/stop", {"reason": "too sore", "price_minor": 999999})
    assert dear.body["errors"][0]["pointer"] == "/price_minor"
    stopped = call("petra").post(
        f"{path}/stop", {"reason": "too sore", "done": "left brow", "price_minor": 1100}
    )
    assert (stopped.body["lines"][0]["state"], stopped.body["lines"][0]["price_minor"]) == (
        "stopped",
        1100,
    )


def test_leaving_waits_for_open_lines(call, now):
    visit = in_room(call, now)
    refused = call("freya").post(f"visits/{visit['id']}/leave")
    assert (refused.status_code, refused.body["count"]) == (409, 1)


def test_a_line_added_while_the_client_is_here_is_screened_and_checked(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    added = call("petra").post(
        f"visits/{visit['id']}/lines", line(now, "lip wax", kit=None, minutes=None)
    )
    assert added.status_code == 200, added.body
    brow, lip = added.body["lines"]
    # The brow's answers do not speak for the lip's hair length, but the lip is judged at once.
    assert lip["screened_on"] == "2026-05-06"
    assert (brow["turnover_ends_at"], lip["starts_at"]) == (brow["ends_at"], brow["ends_at"])
    dropped = call("petra").post(f"lines/{lip['id']}/drop", {"reason": "changed her mind"})
    assert [x["state"] for x in dropped.body["lines"]] == ["planned", "dropped"]
    assert dropped.body["lines"][0]["turnover_ends_at"] > dropped.body["lines"][0]["ends_at"]


def test_a_swapped_line_takes_the_time_of_the_old_one(call, now):
    visit = in_room(call, now, line(now, minutes=30))
    swapped = call("petra").post(
        f"lines/{visit['lines'][0]['id']}/swap",
        {"line": line(now, "lip wax", kit=None, minutes=None), "reason": "lip instead"},
    )
    assert swapped.status_code == 200, swapped.body
    old, new = sorted(swapped.body["lines"], key=lambda x: x["position"])
    assert (old["state"], new["state"], new["starts_at"]) == (
        "dropped",
        "planned",
        old["starts_at"],
    )


def test_a_line_that_does_not_fit_is_refused_whole(call, now):
    visit = in_room(call, now, line(now, minutes=30))
    assert (
        book(call, now, line(now, minutes=90, kit="brow kit 2"), client="celia").status_code == 201
    )
    before = call("petra").get(f"visits/{visit['id']}").body
    refused = call("petra").post(
        f"visits/{visit['id']}/lines", line(now, "full leg wax", kit=None, minutes=None)
    )
    assert refused.body["type"] == "/problems/claim-clash"
    assert call("petra").get(f"visits/{visit['id']}").body == before


def test_changing_rooms_leaves_the_first_at_once(call, now):
    visit = in_room(
        call,
        now,
        line(now, minutes=30),
        line(now, "lip wax", room="room 2", kit=None, minutes=None),
    )
    moved = call("petra").post(f"visits/{visit['id']}/seat", {"room_id": str(uid("room 2"))})
    assert moved.body["room_id"] == str(uid("room 2"))
    assert call("petra").get(f"rooms/{uid('room 1')}").body["state"] == "needs_turnover"
    assert call("petra").get(f"rooms/{uid('room 2')}").body["state"] == "in_service"


def test_a_correction_of_the_record_leaves_the_former(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    start(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED})
    assert (
        call("petra").post(f"{path}/work-records", RECORD | {"applicators": 5}).status_code == 200
    )
    found = call("inga").get(f"evidence/{LAKE}/entries?kind=line.work_recorded").body["items"]
    assert [e["facts"]["applicators"] for e in found] == [4, 5]


def test_arriving_is_for_the_day_of_the_visit(call, now):
    visit = book(call, now, line(now) | {"starts_at": "2026-05-08T15:00:00Z"}).body
    refused = call("freya").post(f"visits/{visit['id']}/arrive")
    assert (refused.status_code, refused.body["on"]) == (409, "2026-05-08")


@pytest.mark.parametrize(
    "wrong",
    [
        {"answers": [{"question": "shoe_size", "answer": "no"}]},
        {"answers": [{"question": "isotretinoin", "answer": "maybe"}]},
        {"declarations": [{"kind": "gout"}]},
        {"declarations": [{"kind": "sunburn", "areas": ["tail"]}]},
        {"declarations": [{"kind": "sunburn", "when": {"on": "2030-01-01"}}]},
        {"findings": [{"code": "broken_skin", "areas": "brow"}]},
        {"met": [{"line_id": str(uid("x")), "rule_id": "sunburn"}]},
        {"anwsers": []},
    ],
)
def test_a_consultation_with_a_wrong_word_keeps_nothing(call, now, wrong):
    visit = in_room(call, now)
    refused = call("petra").post(f"visits/{visit['id']}/consultation", wrong)
    assert refused.status_code == 422, refused.body
    assert call("petra").get(f"visits/{visit['id']}/consultation").body["items"] == []


def test_a_mistaken_no_show_takes_its_time_back_if_it_is_still_free(call, now):
    visit = book(call, now).body
    path = f"visits/{visit['id']}"
    with clock.stopped_at(now + timedelta(minutes=61)):
        call("freya").post(f"{path}/no-show")
        back = call("freya").post(f"{path}/strike-out", {"reason": "she was in the wrong chair"})
    assert (back.status_code, back.body["state"]) == (200, "booked")
    assert book(call, now, client="celia").status_code == 409
    call("freya").post(f"{path}/cancel")
    assert book(call, now, client="celia").status_code == 201
    assert (
        call("freya").post(f"{path}/strike-out", {"reason": "x"}).body["type"]
        == "/problems/claim-clash"
    )
    struck = call("inga").get(f"evidence/{LAKE}/entries?kind=visit.struck").body["items"]
    assert [e["facts"]["was"] for e in struck] == ["no_show"]


def test_a_start_tapped_by_mistake_is_put_right(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    start(call, visit)
    path = f"lines/{visit['lines'][0]['id']}/strike-out"
    assert (
        call("petra").post(path, {"reason": "wrong client"}).body["lines"][0]["state"] == "planned"
    )
    assert call("petra").post(path, {"reason": "again"}).body["type"] == "/problems/wrong-state"
    assert start(call, visit).status_code == 200


def test_leaving_early_frees_the_rest_and_the_turnover_ends_with_the_turnover(call, now):
    visit = in_room(call, now, line(now, minutes=120))
    call("petra").post(f"lines/{visit['lines'][0]['id']}/drop", {"reason": "changed her mind"})
    assert (
        book(call, now, line(now, minutes=15, kit="brow kit 2"), client="celia").status_code == 201
    )
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    # Petra was planned for the next client meanwhile, so only the room is held for its turnover.
    walk_in = {
        "client_id": str(uid("cora")),
        "lines": [line(now, room="room 2", who="lena", kit=None, service="lip wax", minutes=None)],
    }
    assert call("freya").post(f"locations/{LAKE}/walk-ins", walk_in).status_code == 201


def test_a_wrong_answer_is_struck_out_kept_and_judged_anew(call, now):
    visit = in_room(call, now)
    judged = consult(call, visit, findings=[hair(), {"code": "broken_skin", "areas": ["brow"]}])
    assert judged["lines"][0]["verdict"] == "do_not_treat"
    path = f"visits/{visit['id']}/consultation"
    items = call("petra").get(path).body["items"]
    wrong = next(i for i in items if i["content"].get("code") == "broken_skin")
    struck = call("petra").post(
        f"{path}/strike-out", {"item_id": wrong["id"], "reason": "other client"}
    )
    assert (struck.status_code, struck.body["lines"][0]["verdict"]) == (200, "proceed")
    assert (
        call("petra")
        .post(f"{path}/strike-out", {"item_id": str(uid("x")), "reason": "x"})
        .status_code
        == 404
    )
    assert (
        call("freya")
        .post(f"{path}/strike-out", {"item_id": wrong["id"], "reason": "x"})
        .status_code
        == 403
    )
