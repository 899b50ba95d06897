"""Lines that take longer and visits given to somebody else, over HTTP; and two who do so at once."""

from datetime import datetime, timedelta

from django.db import connection

from spa_ops.unit.work import snapshot
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import EXPECTED, HELD, count, flaws
from tests.services.day import GLOVED, book, consult, in_room, line
from tests.services.test_holds import at_once, slug
from tests.world import BUSINESS, LAKE, uid

MINUTE = timedelta(minutes=1)


def running(call, now, *lines):
    here = in_room(call, now, *lines)
    held = consult(call, here)
    started = call("petra").post(f"lines/{held['lines'][0]['id']}/start", GLOVED)
    assert started.status_code == 200, started.body
    return started.body


def at(text):
    return datetime.fromisoformat(text)


def lip(now, minutes=None, **more):
    return line(now, "lip wax", minutes=minutes, **{"kit": None} | more)


def claims_match() -> bool:
    """What the lines of visits that are not over need is what is claimed: by the SQL of the races."""
    expected = EXPECTED.replace(
        "v.state = 'booked'", "v.state IN ('booked', 'arrived', 'in_room')"
    ).replace("services_line l", "(SELECT * FROM services_line WHERE state <> 'dropped') l")
    with snapshot(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            f"(({expected}) EXCEPT ALL ({HELD})) UNION ALL (({HELD}) EXCEPT ALL ({expected}))"
        )
        return cursor.fetchall() == []


def test_a_running_line_takes_longer_and_pushes_what_follows(call, now):
    here = running(call, now, line(now, minutes=30), lip(now))
    brow, after = here["lines"]
    longer = call("petra").post(f"lines/{brow['id']}/extend", {"minutes": 10})
    assert longer.status_code == 200, longer.body
    now_brow, now_after = longer.body["lines"]
    assert at(now_brow["ends_at"]) - at(brow["ends_at"]) == 10 * MINUTE
    assert now_brow["hands_on_at"] == brow["hands_on_at"]
    assert at(now_after["starts_at"]) - at(after["starts_at"]) == 10 * MINUTE
    assert at(now_after["turnover_ends_at"]) - at(after["turnover_ends_at"]) == 10 * MINUTE
    assert longer.body["version"] == here["version"] + 1
    assert claims_match()


def test_a_gap_that_was_planned_is_used_up_first(call, now):
    here = running(call, now, line(now, minutes=30), lip(now, minutes=80))
    before = here["lines"]
    longer = call("petra").post(f"lines/{before[0]['id']}/extend", {"minutes": 10}).body["lines"]
    assert longer[1]["starts_at"] == before[1]["starts_at"]
    assert claims_match()


def test_nobodys_time_is_taken_and_what_is_free_is_said(call, now):
    here = running(call, now, line(now, minutes=30))
    mine = here["lines"][0]
    # Petra's next set-up begins eight minutes after her turnover.
    next_start = at(mine["turnover_ends_at"]) + 13 * MINUTE
    behind = lip(now, room="room 2") | {"starts_at": next_start.isoformat()}
    booked = book(call, now, behind, client="celia")
    assert booked.status_code == 201, booked.body
    gap = at(booked.body["lines"][0]["set_up_at"]) - at(mine["turnover_ends_at"])
    free = int(gap / MINUTE)
    refused = call("petra").post(f"lines/{mine['id']}/extend", {"minutes": free + 1})
    assert (slug(refused), refused.body["free_minutes"]) == ("claim-clash", free)
    assert call("freya").get(f"visits/{here['id']}").body == here
    assert claims_match()
    done = call("petra").post(f"lines/{mine['id']}/extend", {"minutes": free})
    assert done.status_code == 200, done.body
    assert claims_match()


def test_only_a_line_that_runs_takes_longer_and_not_beyond_the_shift(call, now):
    here = in_room(call, now)
    planned = here["lines"][0]["id"]
    assert slug(call("petra").post(f"lines/{planned}/extend", {"minutes": 5})) == "wrong-state"
    consult(call, here)
    assert call("petra").post(f"lines/{planned}/start", GLOVED).status_code == 200
    for minutes, answer in ((0, "invalid-input"), (241, "invalid-input")):
        assert slug(call("petra").post(f"lines/{planned}/extend", {"minutes": minutes})) == answer
    for _ in range(2):
        # From half past twelve to half past seven in the evening: the house closes at seven.
        far = call("petra").post(f"lines/{planned}/extend", {"minutes": 200})
    assert slug(far) in {"off-shift", "outside-opening-hours"}
    assert call("stranger").post(f"lines/{planned}/extend", {"minutes": 5}).status_code == 404
    assert call("henk").post(f"lines/{planned}/extend", {"minutes": 5}).status_code == 404
    assert call("freya").post(f"lines/{planned}/extend", {"minutes": 5}).status_code == 403
    assert claims_match()


def reassign(call, visit, who, by="freya", **more):
    body = {"practitioner_id": str(uid(who)), **more}
    return call(by).post(f"visits/{visit['id']}/reassign", body)


def test_every_line_goes_to_another_practitioner_at_its_time(call, now):
    mine = book(call, now, line(now), lip(now)).body
    given = reassign(call, mine, "lena", reason="ill")
    assert given.status_code == 200, given.body
    assert {x["practitioner_id"] for x in given.body["lines"]} == {str(uid("lena"))}
    assert [x["starts_at"] for x in given.body["lines"]] == [x["starts_at"] for x in mine["lines"]]
    change = call("freya").get(f"visits/{mine['id']}/changes").body["items"][-1]
    assert (change["kind"], change["reason"], change["person_id"]) == (
        "reassigned", "ill", str(uid("freya"))
    )  # fmt: skip
    assert claims_match()
    # Petra has her time back.
    again = line(now, room="room 2", kit="brow kit 2")
    assert book(call, now, again, client="celia").status_code == 201
    assert slug(reassign(call, mine, "lena")) == "wrong-state"
    assert slug(reassign(call, mine, "pavel")) == "skill-missing"
    clash = reassign(call, mine, "petra")
    assert slug(clash) == "claim-clash" and clash.body["alternatives"]
    assert {x["practitioner_id"] for o in clash.body["alternatives"] for x in o["lines"]} == {str(uid("petra"))}  # fmt: skip
    assert claims_match()


def test_under_way_only_what_has_not_begun_is_given_over_with_a_consultation_of_its_own(call, now):
    here = running(call, now, line(now, minutes=30), lip(now))
    given = reassign(call, here, "lena")
    assert given.status_code == 200, given.body
    brow, after = given.body["lines"]
    assert (brow["practitioner_id"], after["practitioner_id"]) == (
        str(uid("petra")),
        str(uid("lena")),
    )
    assert brow["state"] == "started"
    # One consultation with each practitioner: the house's decision 8.
    assert at(after["hands_on_at"]) > at(after["starts_at"])
    assert claims_match()


def test_of_two_who_want_one_practitioner_at_once_one_has_her(own_database, now):
    freya, lena = Caller(secret_of("freya")), Caller(secret_of("lena"))
    place = f"locations/{LAKE}/visits"
    to = {"practitioner_id": str(uid("lena"))}
    for n in range(6):
        lines = [line(now, who="pavel", minutes=60 + 60 * n)]
        visit = freya.post(place, {"client_id": str(uid("cora")), "lines": lines}).body
        other = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=60 + 60 * n)
        # Lena is wanted for both: she is given to one.
        found = at_once(
            lambda v=visit: freya.post(f"visits/{v['id']}/reassign", to),
            lambda o=other: lena.post(place, {"client_id": str(uid("celia")), "lines": [o]}),
        )
        assert sorted(a.status_code // 100 for a in found) == [2, 4], [a.body for a in found]
        assert "alternatives" in next(a.body for a in found if a.status_code == 409)
    assert count(BUSINESS, "services_visit_change", "kind = 'reassigned'") == 6 - (
        count(BUSINESS, "services_visit") - 6
    )
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def _asked_of(visit, now):
    """Each change of a plan that a desk makes from what it sees on its screen, with what is sent."""
    path, (first, *_) = f"visits/{visit['id']}", visit["lines"]
    return [
        (f"{path}/move", {"lines": [line(now, minutes=180) | {"id": first["id"]}]}),
        (f"{path}/reassign", {"practitioner_id": str(uid("pavel"))}),
        (f"{path}/lines", lip(now)),
        (f"lines/{first['id']}/swap", {"line": lip(now, minutes=30), "reason": "rather the lip"}),
        (f"lines/{first['id']}/drop", {"reason": "not after all"}),
        (f"{path}/arrive", {}),
        (f"{path}/cancel", {"reason": "ill"}),
        (f"{path}/cancel", {"reason": "ill", "linked": True}),
    ]


def test_who_says_what_they_last_read_overwrites_nobody(call, now):
    # RFC 9110, 13.1.1: with an If-Match that does not hold the method must not be performed.
    visit = book(call, now, line(now, minutes=30), lip(now)).body
    read = call("freya").get(f"visits/{visit['id']}")
    assert read["ETag"] == f'"{visit["version"]}"'
    moved = call("freya").post(
        f"visits/{visit['id']}/move",
        {"lines": [{**line(now, minutes=60), "id": visit["lines"][0]["id"]}, lip(now)]},
        If_Match=read["ETag"],
    )
    assert moved.status_code == 200, moved.body
    for path, body in _asked_of(moved.body, now):
        late = call("freya").post(path, body, If_Match=read["ETag"])
        assert (late.status_code, late.body["current_version"]) == (412, moved.body["version"]), (
            path
        )
    assert call("freya").get(f"visits/{visit['id']}").body == moved.body
    # Who sends none, or any, takes it as it is; one that is none is told.
    path, body = _asked_of(moved.body, now)[2]
    assert call("freya").post(path, body, If_Match="last one").status_code == 400
    assert call("freya").post(path, body, If_Match="*").status_code == 200
    assert call("freya").post(f"visits/{visit['id']}/cancel", {}).status_code == 200
