"""Asking for starts over HTTP: what is offered can be booked, what is not is explained."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.services.day import all_no, book, in_room, line
from tests.services.test_holds import slug
from tests.world import LAKE, uid

PATH = f"locations/{LAKE}/availability"
BROW, LIP = {"service_id": str(uid("brow wax"))}, {"service_id": str(uid("lip wax"))}
FACIAL = {"service_id": str(uid("facial"))}
#: Savepoints are the tests' own, and the business is set once a transaction.
FRAME = ("SAVEPOINT", "RELEASE", "ROLLBACK", "BEGIN", "COMMIT")


def asked(call, since, *lines, client="cora", by="freya", **more):
    body = {"client_id": str(uid(client)), "lines": list(lines), "from": since.isoformat()}
    return call(by).post(PATH, {**body, **more})


def found(call, since, *lines, **more):
    answer = asked(call, since, *lines, **more)
    assert answer.status_code == 200, answer.body
    return answer.body


def pick(name, **more):
    return {"service_id": str(uid(name))} | {f"{k}_id": str(uid(v)) for k, v in more.items()}


def test_the_first_middle_and_last_option_can_be_booked_as_they_are(call, now):
    for which in (0, 10, 19):
        given = found(call, now, BROW, LIP, FACIAL, client="celia" if which else "cora")
        assert len(given["options"]) == 20 and given["reasons"] == given["what_if"] == []
        starts = [o["starts_at"] for o in given["options"]]
        assert starts == sorted(set(starts))
        option = given["options"][which]
        booked = call("freya").post(f"locations/{LAKE}/visits", option["visit"])
        assert booked.status_code == 201, booked.body
        for planned, offered in zip(booked.body["lines"], option["lines"], strict=True):
            same = offered.keys() & planned.keys()
            assert {"set_up_by", "turnover_by", "turnover_ends_at", "kit_id"} <= same
            as_instants = [{k: _instant(x[k]) for k in same} for x in (planned, offered)]
            assert as_instants[0] == as_instants[1]


def _instant(value):
    try:
        return datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return value


def test_what_is_booked_is_not_offered_again_and_every_grid_start_is_tried(call, now):
    """The last start left out and the first offered are held to booking itself, one by one."""
    assert book(call, now, line(now, minutes=30), client="celia").status_code == 201
    only = pick("brow wax", practitioner="petra", room="room 1")
    end = now + timedelta(hours=3)
    offered = {
        o["starts_at"] for o in found(call, now, only, to=end.isoformat(), limit=200)["options"]
    }
    offered = {datetime.fromisoformat(at) for at in offered}
    at = now
    while at < end:
        want = line(at, who="petra", room="room 1", minutes=0, kit="brow kit 2")
        tried = book(call, now, want)
        assert (tried.status_code == 201) == (at in offered), (at, tried.body)
        if tried.status_code == 201:
            off = call("freya").post(f"visits/{tried.body['id']}/cancel")
            assert off.status_code == 200
        at += timedelta(minutes=5)
    assert offered


def test_a_taken_practitioner_is_the_reason_and_freeing_her_opens_what_is_named(call, now):
    only = pick("facial", practitioner="petra")
    end = now + timedelta(minutes=30)
    assert book(call, now, line(now, minutes=20), client="celia").status_code == 201
    given = found(call, now, only, to=end.isoformat())
    assert given["options"] == []
    assert [(r["on"], r["why"]) for r in given["reasons"]] == [("2026-05-06", "practitioners_busy")]
    opened = {w["change"]: w for w in given["what_if"]}
    assert opened["practitioner_freed"]["subject_id"] == str(uid("petra"))
    later = found(call, now, only)["options"][0]["starts_at"]
    assert opened["later_day"]["opens_at"] == later
    # Freed in earnest: the same question now starts where it was said to.
    (visit,) = call("freya").get(f"locations/{LAKE}/visits?state=booked").body["items"]
    assert call("freya").post(f"visits/{visit['id']}/cancel").status_code == 200
    first = found(call, now, only, to=end.isoformat())["options"][0]["starts_at"]
    assert first == opened["practitioner_freed"]["opens_at"]


def test_a_closed_day_and_nobody_with_the_skill_are_told_by_day(call, now):
    sunday = datetime(2026, 5, 10, 5, 0, tzinfo=UTC)  # midnight in Chicago, daylight time
    given = found(call, sunday, BROW, to=(sunday + timedelta(days=1)).isoformat())
    assert [(r["on"], r["why"]) for r in given["reasons"]] == [("2026-05-10", "closed")]
    # Pavel has not the skill, and others have: without that wish there is a start.
    given = found(call, now, pick("lip wax", practitioner="pavel"))
    assert {r["why"] for r in given["reasons"]} == {"practitioner_lacks_skill"}
    assert len(given["reasons"]) == 31
    (anybody,) = given["what_if"]
    first = found(call, now, LIP)["options"][0]["starts_at"]
    assert (anybody["change"], anybody["opens_at"]) == ("any_practitioner", first)


def test_a_licence_that_is_over_by_then_is_the_reason_and_not_the_roster(call, now):
    # Everybody's licence ends with 2026, and they are on the roster as before.
    monday = datetime(2027, 1, 4, 16, tzinfo=UTC)
    given = found(call, monday, BROW, to=(monday + timedelta(hours=4)).isoformat())
    assert [r["why"] for r in given["reasons"]] == ["no_one_licensed"]
    assert [w["change"] for w in given["what_if"]] == ["practitioner_added"]
    assert slug(book(call, now, line(monday))) == "licence-lapsed"


def test_two_kinds_of_skill_may_be_two_practitioners_one_after_the_other(call, now):
    given = found(
        call, now, pick("brow wax", practitioner="pavel"), pick("lip wax", practitioner="petra")
    )
    option = given["options"][0]
    assert [x["practitioner_id"] for x in option["lines"]] == [
        str(uid("pavel")), str(uid("petra"))
    ]  # fmt: skip
    assert len({x["room_id"] for x in option["lines"]}) == 1
    booked = call("freya").post(f"locations/{LAKE}/visits", option["visit"])
    assert booked.status_code == 201, booked.body


def test_screening_moves_the_first_day_and_says_no_more_than_outcome_and_date(call, now):
    here = in_room(call, now)
    told = call("petra").post(
        f"visits/{here['id']}/consultation",
        {
            "answers": all_no(skin_procedures="yes"),
            # Two weeks from a light peel to waxing: common practice, no source.
            "declarations": [
                {"kind": "chemical_peel", "details": ["light"], "areas": ["brow"], "when": {"on": "2026-05-04"}}
            ],
        },
    )  # fmt: skip
    assert told.status_code == 200, told.body
    tomorrow = now + timedelta(days=1)
    given = found(call, tomorrow, BROW)
    assert given["options"][0]["starts_at"].startswith("2026-05-18")
    (known,) = given["screening"]
    assert known == {
        "service_id": str(uid("brow wax")), "verdict": "wait_until",
        "earliest_on": "2026-05-18", "not_before": None,
    }  # fmt: skip
    assert "peel" not in str(given)
    given = found(call, tomorrow, BROW, to=(tomorrow + timedelta(days=3)).isoformat())
    assert "screening" in {r["why"] for r in given["reasons"]}
    assert [w["change"] for w in given["what_if"]] == ["later_day"]
    assert given["what_if"][0]["opens_at"].startswith("2026-05-18")


def test_bad_and_unknown_input_is_refused(call, now):
    assert asked(call, now).status_code == 422
    assert asked(call, now, *[BROW] * 7).status_code == 422
    assert asked(call, now, *[BROW] * 5, any_order=True).status_code == 422
    assert asked(call, now, BROW, to=now.isoformat()).status_code == 422
    assert asked(call, now, BROW, to=(now + timedelta(days=63)).isoformat()).status_code == 422
    assert asked(call, now, BROW, limit=0).status_code == 422
    assert asked(call, now, {**BROW, "anyone": True}).status_code == 422
    assert asked(call, datetime(1, 1, 1, tzinfo=UTC), BROW).status_code == 422
    assert asked(call, now, pick("no such service")).status_code == 404
    assert asked(call, now, pick("brow wax", practitioner="nobody")).status_code == 404
    assert asked(call, now, pick("brow wax", room="no such room")).status_code == 404
    assert asked(call, now, pick("brow wax", room="far room")).status_code == 404
    assert asked(call, now, BROW, client="nobody").status_code == 404
    other = call("stranger").post(
        PATH, {"client_id": str(uid("cora")), "lines": [BROW], "from": now.isoformat()}
    )
    assert other.status_code == 404
    assert asked(call, now, BROW, by="henk").status_code == 404
    assert asked(call, now, BROW, by="inga").status_code == 403


@pytest.mark.parametrize(("many", "most"), [(1, 16), (6, 16)])
def test_statements_are_bounded_however_many_lines_and_days(call, now, many, most):
    call("freya").get(f"locations/{LAKE}/visits")  # signed in
    with CaptureQueriesContext(connection) as captured:
        given = found(call, now, *[pick("lip wax", practitioner="pavel")] * many)
    assert given["options"] == []
    statements = [q["sql"] for q in captured if not q["sql"].startswith(FRAME)]
    assert len(statements) <= most, "\n".join(s[:90] for s in statements)
    # Nothing was written: a read has no effect.
    assert not [s for s in statements if s.startswith(("INSERT", "UPDATE", "DELETE"))]


def test_any_order_is_one_that_screening_lets_be_and_a_given_one_stands_and_is_told(call, now):
    # A facial behind waxing on one face waits; before it, it may be (clients/screening_rules).
    lines = [pick("brow wax"), pick("facial")]
    free = found(call, now, *lines, any_order=True)
    in_order = {tuple(x["service_id"] for x in o["lines"]) for o in free["options"]}
    assert in_order == {(str(uid("facial")), str(uid("brow wax")))}
    given = found(call, now, *lines)
    assert {tuple(x["service_id"] for x in o["lines"]) for o in given["options"]} == {
        (str(uid("brow wax")), str(uid("facial")))
    }
    assert [s["verdict"] for s in given["screening"]] == ["", "wait_until"]
    right = found(call, now, *reversed(lines))
    assert [s["verdict"] for s in right["screening"]] == ["", ""]


def test_where_no_order_may_be_the_reason_is_screening(call, now):
    # Waxing and a peel on one face: neither before the other on one day.
    lines = [pick("brow wax"), pick("light peel")]
    end = (now + timedelta(hours=6)).isoformat()
    none = found(call, now, *lines, any_order=True, to=end)
    assert none["options"] == [] and {r["why"] for r in none["reasons"]} == {"screening"}
    # Either of the two alone could be had at once: the other gets a day of its own.
    (one,) = none["what_if"]
    assert one["change"] == "line_dropped"
    assert one["subject_id"] in {line["service_id"] for line in lines}
    left = [x for x in lines if x["service_id"] != one["subject_id"]]
    assert found(call, now, *left)["options"][0]["starts_at"] == one["opens_at"]
