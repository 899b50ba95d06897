"""The owner's dashboard: figures made of evidence, each leading to the entries behind it."""

from datetime import timedelta

from django.db import connection
from django.test.utils import CaptureQueriesContext

from rooms import tasks as room_tasks
from spa_ops.kernel import clock
from tests.services.day import GLOVED, RECORD, WASHED, consult, in_room, line
from tests.world import LAKE, uid


def figures(call, by="olga", query=""):
    body = call(by).get(f"dashboard{query}").body
    lake = next(x for x in body["locations"] if x["location_id"] == str(LAKE))
    return {f["name"]: f for f in lake["figures"]}, lake, body


def test_nothing_recorded_has_no_score(call):
    found, lake, _ = figures(call, query="?from=2026-04-01&to=2026-04-02")
    assert {f["of"] for f in found.values()} == {0}
    assert {f["basis_points"] for f in found.values()} == {None}
    assert lake["from"] == "2026-04-01"


def test_a_day_well_done_and_one_uncleared_kit(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    call("petra").post(f"{path}/start", GLOVED)
    call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED})
    call("freya").post(f"visits/{visit['id']}/leave")
    with clock.stopped_at(now + timedelta(minutes=12)):
        call("petra").post(f"rooms/{uid('room 1')}/turnover/begin")
    in_room(
        call,
        now,
        line(now, minutes=200, kit="brow kit 2", room="room 2", who="lena"),
        client="celia",
        by="lena",
    )
    found, _, _ = figures(call)
    of = {name: (f["met"], f["of"]) for name, f in found.items()}
    assert of["screened_before_start"] == (1, 1)
    assert of["cleared_before_use"] == (1, 2)
    assert of["turnovers_on_time"] == (0, 1)  # begun after twelve minutes; ten is house policy
    assert of["soaked_inside_window"][0] == of["soaked_inside_window"][1] > 0
    behind = call("olga").get(found["cleared_before_use"]["entries"] + "&met=false").body["items"]
    assert [e["n"] for e in behind] == found["cleared_before_use"]["not_met_entries"]
    assert behind[0]["facts"]["kit_id"] == str(uid("brow kit 2"))


def test_open_flags_and_licences_about_to_lapse(call, now):
    with clock.stopped_at(now + timedelta(hours=8)):
        room_tasks.flag_rooms()
    with clock.stopped_at(now + timedelta(days=190)):  # mid-November: the licences end in December
        _, lake, body = figures(call)
        assert len(body["licences"]) == 5
        assert not any(x["lapsed"] for x in body["licences"])
    assert lake["open_flags"]["count"] >= 1  # room 3 was never turned over
    with clock.stopped_at(now + timedelta(days=260)):
        assert all(x["lapsed"] for x in figures(call)[2]["licences"])


def test_a_lead_sees_the_own_location_and_others_nothing(call):
    assert [x["location_id"] for x in call("lena").get("dashboard").body["locations"]] == [
        str(LAKE)
    ]
    assert call("petra").get("dashboard").status_code == 403
    assert (
        call("henk").get(f"locations/{LAKE}/figures/cleared_before_use/entries").status_code == 404
    )
    assert (
        call("inga").get(f"locations/{LAKE}/figures/cleared_before_use/entries").status_code == 200
    )
    assert call("inga").get(f"locations/{LAKE}/figures/no_such/entries").status_code == 404
    assert call("stranger").get("dashboard").body["locations"][0]["name"] == "Elsewhere"
    for query in (
        "?from=2026-05-02&to=2026-05-01",
        "?from=yesterday",
        "?from=2020-01-01&to=2026-01-01",
        "?from=2026-05-01",
    ):
        assert call("olga").get(f"dashboard{query}").status_code == 422


def test_many_locations_take_as_many_statements_as_one(call):
    taken = {}
    for who in ("lena", "olga"):
        with CaptureQueriesContext(connection) as statements:
            places = call(who).get("dashboard").body["locations"]
        taken[who] = (len(places), len(statements))
    # Who sees the whole business sees its licences as well.
    assert taken == {"lena": (1, taken["lena"][1]), "olga": (2, taken["lena"][1] + 1)}
