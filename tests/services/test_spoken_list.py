"""The short spoken list over HTTP: a returning client is asked, and is done with one command."""

import pytest

from clients.models import HealthAnswer, HealthRead
from clients.rule_files import shipped_rule_set
from clients.rules.model import Asked
from spa_ops.unit.work import reading
from tests.services.day import all_no, book, consult, hair, in_room, line
from tests.services.test_intake import answered, made, send
from tests.world import BUSINESS, uid

BROW = shipped_rule_set().questions_for("hard_wax", "brow")
IDS = [q.id for q in BROW]
ANTIBIOTIC = {
    "kind": "medicine",
    "details": ["antibiotic"],
    "still": False,
    "when": {"on": "2025-11-01"},
}
OLD_SUNBURN = {"kind": "sunburn", "areas": ["back"], "still": False, "when": {"on": "2026-03-01"}}


@pytest.fixture(autouse=True)
def _many_pages_a_minute(settings):
    """The clock of the tests stands still: all of them ask within one minute."""
    settings.PAGES_PER_MINUTE = 1_000_000


def address(visit):
    return f"visits/{visit['id']}/spoken-list"


def left(call, visit):
    """The first visit ends undone: the client goes, and can be seated again for another."""
    path = f"visits/{visit['id']}"
    for one in visit["lines"]:
        dropped = call("petra").post(f"lines/{one['id']}/drop", {"reason": "another day"})
        assert dropped.status_code == 200, dropped.body
    assert call("petra").post(f"{path}/leave").status_code == 200


def returning(call, now, *declarations, **answers):
    """Cora is here again, after a consultation at which she said this; in another room."""
    first = in_room(call, now)
    consult(call, first, answers=all_no(**answers), declarations=list(declarations))
    left(call, first)
    return in_room(
        call, now, line(now, who="lena", room="room 2", kit="brow kit 2", minutes=120), by="lena"
    )


def verdict(body):
    return body["lines"][0]["verdict"]


def listed(call, visit):
    read = call("lena").get(address(visit))
    assert read.status_code == 200, read.body
    return {q["question"]: q for q in read.body["questions"]}


def test_a_returning_client_is_done_with_one_command(call, now):
    visit = returning(call, now, ANTIBIOTIC, OLD_SUNBURN, new_medicine="yes", sun="yes")
    silent = consult(call, visit, by="lena", answers=[])
    assert verdict(silent) == "ask_first"
    found = listed(call, visit)
    assert list(found) == sorted(IDS, key=lambda name: found[name]["asked"] != "every_visit")
    assert {n for n, q in found.items() if q["asked"] == "every_visit"} == {
        q.id for q in BROW if q.asked is Asked.EVERY_VISIT
    }
    (medicine,) = found["new_medicine"]["standing"]
    assert (medicine["details"], medicine["still"]) == (["antibiotic"], False)
    (burn,) = found["sun"]["standing"]
    assert (burn["earliest_on"], burn["latest_on"], burn["areas"]) == ("2026-03-01", "2026-03-01", ["back"])  # fmt: skip
    assert burn["at_this_visit"] is False
    assert {n: q["no_change"] for n, q in found.items()} == dict.fromkeys(IDS, "no") | {
        "new_medicine": "yes",
        "sun": "yes",
    }
    done = call("lena").post(address(visit), {"no_change": list(found)})
    assert done.status_code == 200, done.body
    # What the same words of today give, at a consultation that is held in full.
    full = consult(
        call, visit, by="lena", answers=all_no(new_medicine="yes", sun="yes"),
        declarations=[ANTIBIOTIC, OLD_SUNBURN], findings=[],
    )  # fmt: skip
    assert verdict(done.body) == verdict(full) != "ask_first"
    again = listed(call, visit)
    assert all(q["answered"] for q in again.values())


def test_what_stops_a_line_stops_it_after_no_change(call, now):
    taking = {"kind": "isotretinoin", "still": True}
    visit = returning(call, now, taking, isotretinoin="yes")
    consult(call, visit, by="lena", answers=[])
    done = call("lena").post(address(visit), {"no_change": IDS})
    # AAD, "Isotretinoin: FAQs": no waxing during it and for 6 months after (trade-facts 7.02).
    assert verdict(done.body) == "do_not_treat"


def test_what_is_new_goes_with_what_is_unchanged(call, now):
    visit = returning(call, now)
    consult(call, visit, by="lena", answers=[])
    said = {
        "no_change": [name for name in IDS if name != "isotretinoin"],
        "answers": [{"question": "isotretinoin", "answer": "yes"}],
        "declarations": [{"kind": "isotretinoin", "still": True}],
    }
    assert verdict(call("lena").post(address(visit), said).body) == "do_not_treat"


def test_a_first_client_is_asked_what_is_asked_once(call, now):
    visit = in_room(call, now)
    found = call("petra").get(address(visit)).body
    assert found["intake"] is None
    assert {q["question"] for q in found["questions"] if q["no_change"] is None} == {
        q.id for q in BROW if q.asked is Asked.ONCE
    }
    refused = call("petra").post(address(visit), {"no_change": IDS})
    assert refused.status_code == 422
    assert {e["code"] for e in refused.body["errors"]} == {"needs-an-answer"}
    with reading(BUSINESS):
        assert not HealthAnswer.objects.exists()


def test_what_was_sent_before_the_visit_is_shown_and_not_talked_over(call, now):
    first = in_room(call, now)
    consult(call, first)
    left(call, first)
    visit = in_room_after_intake(
        call, now, **{"q-isotretinoin": "yes", "k-isotretinoin-isotretinoin-still": "yes"}
    )
    read = call("lena").get(address(visit)).body
    assert read["intake"]["changed"] == "yes"
    found = {q["question"]: q for q in read["questions"]}
    assert [i["kind"] for i in found["isotretinoin"]["sent"]] == ["answer", "declaration"]
    assert not any(i["confirmed"] for q in found.values() for i in q["sent"])
    refused = call("lena").post(address(visit), {"no_change": IDS})
    at = IDS.index("isotretinoin")
    (error,) = refused.body["errors"]
    assert (refused.status_code, error["pointer"], error["code"]) == (422, f"/no_change/{at}", "told-otherwise")  # fmt: skip
    with reading(BUSINESS):
        assert not HealthAnswer.objects.filter(visit_id=visit["id"]).exists()
    said = {"no_change": [name for name in IDS if name != "isotretinoin"],
            "answers": [{"question": "isotretinoin", "answer": "no"}]}  # fmt: skip
    assert verdict(call("lena").post(address(visit), said).body) == "proceed"
    # The room's answer is newer than the intake: from here on it is what stays unchanged.
    assert call("lena").post(address(visit), {"no_change": IDS}).status_code == 200


def test_what_was_confirmed_is_no_contradiction(call, now):
    first = in_room(call, now)
    consult(call, first)
    left(call, first)
    visit = in_room_after_intake(
        call, now, **{"q-isotretinoin": "yes", "k-isotretinoin-isotretinoin-still": "yes"}
    )
    assert call("lena").post(f"visits/{visit['id']}/intake/confirm", {}).status_code == 200
    done = call("lena").post(address(visit), {"no_change": IDS})
    assert (done.status_code, verdict(done.body)) == (200, "do_not_treat")


def in_room_after_intake(call, now, **form):
    there = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=120)
    visit = book(call, now, there).body
    assert send(made(call, visit), answered(changed="yes", **form)).status_code == 303
    assert call("freya").post(f"visits/{visit['id']}/arrive").status_code == 200
    return call("lena").post(f"visits/{visit['id']}/seat").body


def test_two_ways_at_once_are_refused_and_nothing_is_kept(call, now):
    visit = in_room(call, now)
    said = {
        "no_change": ["sun", "pregnancy"],
        "answers": [{"question": "sun", "answer": "no"}],
        "declarations": [{"kind": "pregnancy", "still": True}],
    }
    refused = call("petra").post(address(visit), said)
    found = [(e["pointer"], e["code"]) for e in refused.body["errors"]]
    assert found == [("/no_change/0", "doubled"), ("/declarations/0/kind", "doubled")]
    unknown = call("petra").post(address(visit), {"no_change": ["weather"]})
    assert (unknown.status_code, unknown.body["errors"][0]["pointer"]) == (422, "/no_change/0")
    assert call("petra").post(address(visit), {"no_change": ["sun"] * 101}).status_code == 422
    with reading(BUSINESS):
        assert not HealthAnswer.objects.exists()


def test_a_repeat_counts_once(call, now):
    visit = returning(call, now)
    key = {"Idempotency_Key": "spoken"}
    first, second = (call("lena").post(address(visit), {"no_change": IDS}, **key) for _ in range(2))
    assert first.body == second.body
    with reading(BUSINESS):
        assert HealthAnswer.objects.filter(visit_id=visit["id"]).count() == len(IDS)


def test_what_a_colleague_was_told_meanwhile_is_not_talked_over(call, now):
    visit = returning(call, now)
    assert listed(call, visit)["isotretinoin"]["no_change"] == "no"
    consult(call, visit, answers=[{"question": "isotretinoin", "answer": "yes"}],
            declarations=[{"kind": "isotretinoin", "still": True}])  # fmt: skip
    done = call("lena").post(address(visit), {"no_change": IDS})
    assert verdict(done.body) == "do_not_treat"
    assert listed(call, visit)["isotretinoin"]["last_answer"] == "yes"


def test_each_reading_is_recorded_and_the_desk_neither_reads_nor_confirms(call, now):
    visit = in_room(call, now)
    call("petra").get(address(visit))
    with reading(BUSINESS):
        read = HealthRead.objects.get()
    assert (read.person_id, read.client_id) == (uid("petra"), uid("cora"))
    for who, status in (("freya", 403), ("hana", 404), ("stranger", 404)):
        assert call(who).get(address(visit)).status_code == status
        assert call(who).post(address(visit), {"no_change": []}).status_code == status


def test_without_an_open_line_nothing_is_asked_and_an_absent_client_cannot_confirm(call, now):
    visit = in_room(call, now)
    for one in visit["lines"]:
        call("petra").post(f"lines/{one['id']}/drop", {"reason": "changed her mind"})
    assert call("petra").get(address(visit)).body["questions"] == []
    assert call("petra").post(f"visits/{visit['id']}/leave").status_code == 200
    gone = call("petra").post(address(visit), {"no_change": ["sun"]})
    assert (gone.status_code, gone.body["type"]) == (409, "/problems/wrong-state")


def test_findings_are_still_asked_for_elsewhere(call, now):
    visit = returning(call, now)
    assert verdict(consult(call, visit, by="lena", answers=[], findings=[hair()])) == "ask_first"
    assert verdict(call("lena").post(address(visit), {"no_change": IDS}).body) == "proceed"
