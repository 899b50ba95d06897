"""Changed answers and changed rules put coming visits in question; nothing is cancelled by itself."""

from datetime import timedelta

import pytest

from clients.models import ScreeningPolicy
from services import tasks
from services.actions import foresight
from services.models import ForesightRun
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.clock import stopped_at
from spa_ops.unit.work import reading
from tests.services.day import all_no, book, in_room, line
from tests.world import BUSINESS, LAKE, OTHER, uid

WEEK = 7 * 24 * 60
QUESTION = f"locations/{LAKE}/visits-in-question"


def told(call, visit, *declarations, **answers):
    given = call("petra").post(
        f"visits/{visit['id']}/consultation",
        {"answers": all_no(**answers), "declarations": list(declarations)},
    )
    assert given.status_code == 200, given.body
    return given.body


def in_question(call, by="freya"):
    return [visit["id"] for visit in call(by).get(QUESTION).body["items"]]


@pytest.fixture
def today_and_next_week(call, now):
    """(the visit that goes on now, the id of the same client's visit in a week)."""
    coming = book(call, now, line(now, minutes=WEEK))
    assert coming.status_code == 201, coming.body
    return in_room(call, now), coming.body["id"]


def test_what_is_told_today_puts_next_week_in_question_and_taking_it_back_frees_it(
    call, now, today_and_next_week
):
    here, coming = today_and_next_week
    tasks.look_ahead()
    assert in_question(call) == []
    told(call, here, {"kind": "isotretinoin", "still": True}, isotretinoin="yes")
    tasks.look_ahead()
    assert in_question(call) == [coming]
    (found,) = call("freya").get(f"visits/{coming}").body["lines"]
    assert (found["verdict"], found["screened_on"], found["state"]) == (
        "do_not_treat",
        None,
        "planned",
    )
    assert call("freya").get(f"visits/{coming}").body["state"] == "booked"
    item = next(
        i
        for i in call("petra").get(f"visits/{here['id']}/consultation").body["items"]
        if i["kind"] == "declaration"
    )
    struck = call("petra").post(
        f"visits/{here['id']}/consultation/strike-out",
        {"item_id": item["id"], "reason": "another client's answer"},
    )
    assert struck.status_code == 200, struck.body
    tasks.look_ahead()
    assert in_question(call) == []
    (found,) = call("freya").get(f"visits/{coming}").body["lines"]
    assert (found["verdict"], found["earliest_on"]) == ("", None)


def test_a_wait_shows_its_first_day_and_moving_behind_it_frees_the_visit(
    call, now, today_and_next_week
):
    here, coming = today_and_next_week
    # Two weeks from a light peel to waxing: common practice, no source.
    told(
        call, here,
        {"kind": "chemical_peel", "details": ["light"], "areas": ["brow"], "when": {"on": "2026-05-04"}},
        skin_procedures="yes",
    )  # fmt: skip
    tasks.look_ahead()
    assert in_question(call) == [coming]
    (found,) = call("freya").get(f"visits/{coming}").body["lines"]
    assert (found["verdict"], found["earliest_on"]) == ("wait_until", "2026-05-18")
    etag = call("freya").get(f"visits/{coming}")["ETag"]
    moved = call("freya").post(
        f"visits/{coming}/move",
        {"lines": [line(now, minutes=2 * WEEK)], "reason": "after the wait"},
        If_Match=etag,
    )
    assert moved.status_code == 200, moved.body
    tasks.look_ahead()
    assert in_question(call) == []


def test_a_house_policy_looks_at_every_coming_visit_once_and_can_be_taken_back(
    call, now, today_and_next_week
):
    here, coming = today_and_next_week
    told(
        call, here,
        {"kind": "topical_retinoid", "areas": ["brow"], "still": False, "when": {"on": "2026-05-06"}},
        skin_actives="yes",
    )  # fmt: skip
    tasks.look_ahead()
    assert in_question(call) == []
    olga = call("olga")
    tighter = {
        "version": "lake-1",
        "tighten": [
            {"rule": "topical_retinoid", "since": {"days": 30}, "why": "we had lifted skin"}
        ],
    }
    answer = olga.post("screening-rules/policy", {"policy": tighter}, Idempotency_Key="policy-1")
    assert answer.status_code == 200, answer.body
    again = olga.post("screening-rules/policy", {"policy": tighter}, Idempotency_Key="policy-1")
    assert (again.body, again["Idempotency-Replayed"]) == (answer.body, "true")
    assert tasks.look_ahead() > 0
    assert tasks.look_ahead() == 0
    assert in_question(call) == [coming]
    (found,) = call("freya").get(f"visits/{coming}").body["lines"]
    assert found["earliest_on"] == "2026-06-05"
    assert olga.post("screening-rules/policy", {"policy": {}}).status_code == 200
    tasks.look_ahead()
    assert in_question(call) == []


def test_a_run_stopped_in_the_middle_goes_on_behind_the_last_batch(call, now, monkeypatch):
    for minutes, client in ((WEEK, "cora"), (2 * WEEK, "celia")):
        made = book(call, now, line(now, minutes=minutes), client=client)
        assert made.status_code == 201, made.body
    monkeypatch.setattr(foresight, "CLIENTS_AT_ONCE", 1)
    actor = system_actor(BUSINESS)
    counts = [foresight.foresee_under_new_rules(actor=actor, now=now) for _ in range(4)]
    assert counts == [1, 1, 0, 0]
    with reading(BUSINESS):
        assert ForesightRun.objects.get().completed_at is not None


def test_what_was_foreseen_starts_nothing_and_the_consultation_of_the_day_decides(
    call, now, today_and_next_week
):
    here, coming = today_and_next_week
    told(call, here, {"kind": "isotretinoin", "still": True}, isotretinoin="yes")
    tasks.look_ahead()
    with stopped_at(now + timedelta(days=7)):
        petra = call("petra")
        assert petra.post(f"visits/{coming}/arrive").status_code == 200
        refused = petra.post(
            f"lines/{petra.get(f'visits/{coming}').body['lines'][0]['id']}/override",
            {"reason": "no"},
        )
        assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")


def test_another_locations_visits_in_question_are_not_shown(call):
    assert call("henk").get(QUESTION).status_code == 404
    assert call("stranger").get(QUESTION).status_code == 404


@pytest.mark.parametrize(
    ("policy", "slug"),
    [
        ({"version": "x", "tighten": [{"rule": "isotretinoin_after", "since": {"months": 1}, "why": "quicker"}]}, "house-policy-refused"),
        ({"version": "x", "tighten": [{"rule": "no_such_rule", "why": "?"}]}, "house-policy-refused"),
        ({"tighten": []}, "rule-file-unreadable"),
        ({"version": "x", "more": 1}, "rule-file-unreadable"),
        ({"version": "x", "rules": [{"id": "mine"}]}, "rule-file-unreadable"),
    ],
)  # fmt: skip
def test_a_policy_that_loosens_or_makes_no_sense_is_refused_and_changes_nothing(call, policy, slug):
    olga = call("olga")
    before = olga.get("screening-rules").body
    refused = olga.post("screening-rules/policy", {"policy": policy})
    assert (refused.status_code, refused.body["type"]) == (422, f"/problems/{slug}")
    assert olga.get("screening-rules").body == before


def test_only_the_owner_sets_the_policy_and_everyone_may_read_the_rules(call):
    for who in ("petra", "lena", "freya"):
        refused = call(who).post("screening-rules/policy", {"policy": {}})
        assert refused.status_code == 403
        assert call(who).get("screening-rules").status_code == 200
    rules = call("freya").get("screening-rules").body["rules"]
    after = next(rule for rule in rules if rule["id"] == "isotretinoin_after")
    assert (after["since"], after["overridable_by"]) == ("6 months", [])
    assert {s["strength"] for s in after["sources"]} == {"published_and_read", "common_practice"}
    assert str(uid("cora")) not in str(rules)


def _unknown_policy(business_id, now):
    """As after an upgrade whose rules no longer know what the house's policy speaks of."""
    policy = {"version": "x", "tighten": [{"rule": "gone", "why": "?"}]}
    ScreeningPolicy(
        business_id=business_id, policy=policy, version="x", digest="0" * 64, recorded_at=now
    ).save(force_insert=True)


@pytest.mark.parametrize(("broken", "sound"), [(BUSINESS, OTHER), (OTHER, BUSINESS)])
def test_one_businesss_trouble_does_not_keep_the_others_waiting(db, now, caplog, broken, sound):
    with reading(broken):
        _unknown_policy(broken, now)
    tasks.look_ahead()
    assert f"looking ahead for business {broken} stopped" in caplog.text
    with reading(sound):
        assert ForesightRun.objects.get().completed_at is not None
    with reading(broken):
        assert not ForesightRun.objects.exists()


def test_a_policy_that_the_rules_no_longer_know_stops_screening_by_name_until_another_is_set(
    call, now
):
    visit = in_room(call, now)
    with reading(BUSINESS):
        _unknown_policy(BUSINESS, now)
    path = f"visits/{visit['id']}/consultation"
    refused = call("petra").post(path, {"answers": all_no()})
    assert (refused.status_code, refused.body["type"]) == (422, "/problems/house-policy-refused")
    assert refused.body["faults"][0]["where"] == "gone"
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["verdict"] == ""
    assert call("olga").post("screening-rules/policy", {"policy": {}}).status_code == 200
    assert call("petra").post(path, {"answers": all_no()}).status_code == 200
