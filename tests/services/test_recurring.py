"""Visits that recur, over HTTP: previewed, booked all or none, ended from one on."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import icalendar
import recurring_ical_events
from django.db import connection

from services.models import Series
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.day import book, consult, in_room, line
from tests.world import BUSINESS, HARBOR, LAKE, uid

PATH = f"locations/{LAKE}/recurring-visits"
WEEK = timedelta(weeks=1)
FOUR_WEEKLY = "FREQ=WEEKLY;INTERVAL=4;COUNT=4"


def asked(now, *lines, rule=FOUR_WEEKLY, client="cora"):
    return {"client_id": str(uid(client)), "lines": list(lines) or [line(now)], "rule": rule}


def preview(call, now, *lines, by="freya", **more):
    found = call(by).post(f"{PATH}/preview", asked(now, *lines, **more))
    assert found.status_code == 200, found.body
    return found.body["occurrences"]


def chosen(occurrences):
    return [{"occurs_at": o["occurs_at"], "lines": o["lines"]} for o in occurrences]


def series(call, now, *lines, by="freya", headers=None, **more):
    visits = chosen(preview(call, now, *lines, by=by, **more))
    return call(by).post(PATH, asked(now, *lines, **more) | {"visits": visits}, **headers or {})


def slug(answer):
    return answer.body["type"].removeprefix("/problems/")


def moments(texts):
    return [datetime.fromisoformat(t).astimezone(UTC) for t in texts]


def visits_of(call):
    found = call("freya").get(f"locations/{LAKE}/visits?client={uid('cora')}").body["items"]
    return [(v["starts_at"][:16], v["state"]) for v in found]


def test_a_rule_is_previewed_and_booked_in_local_wall_time_across_the_clock_change(call, now):
    rule = "FREQ=WEEKLY;INTERVAL=8;COUNT=5"
    seen = preview(call, now, rule=rule)
    assert [(o["on"], o["bookable"], o["why"], o["wall_time"]) for o in seen] == [
        (on, True, None, "once")
        for on in ("2026-05-06", "2026-07-01", "2026-08-26", "2026-10-21", "2026-12-16")
    ]
    # 13:00 in Chicago: UTC-5 in summer, UTC-6 from 1 November on.
    assert [o["occurs_at"][11:16] for o in seen] == ["18:00"] * 4 + ["19:00"]
    assert all(o["screening_allows"] and o["alternatives"] == [] for o in seen)
    made = series(call, now, rule=rule)
    assert made.status_code == 201, made.body
    assert (made.body["rule"], made.body["zone"]) == (rule, "America/Chicago")
    assert [v["starts_at"] for v in made.body["visits"]] == [o["occurs_at"] for o in seen]
    one = call("petra").get(f"visits/{made.body['visits'][2]['visit_id']}").body
    assert (one["series_id"], one["state"]) == (made.body["id"], "booked")
    assert call("petra").get(f"recurring-visits/{made.body['id']}").body == made.body
    assert call("petra").get(f"{PATH}?client={uid('cora')}").body["items"] == [made.body]
    assert call("petra").get(f"{PATH}?client={uid('celia')}").body["items"] == []
    # The library recurring_ical_events shows the same (RFC 5545, 3.3.10).
    event = icalendar.Event.from_ical(
        "BEGIN:VEVENT\r\nUID:invented\r\nDTSTART;TZID=America/Chicago:20260506T130000\r\n"
        f"DURATION:PT30M\r\nRRULE:{made.body['rule']}\r\nEND:VEVENT\r\n"
    )
    calendar = icalendar.Calendar()
    calendar.add_component(event)
    shown = recurring_ical_events.of(calendar).between(now, now + 50 * WEEK)
    assert sorted(e["DTSTART"].dt for e in shown) == moments(o["occurs_at"] for o in seen)


def test_what_stands_in_the_way_is_said_with_others_near_by_that_booking_takes(call, now):
    taken = book(call, now, line(now, minutes=60 + 28 * 24 * 60), client="celia", by="lena")
    assert taken.status_code == 201
    seen = preview(call, now)
    assert [o["bookable"] for o in seen] == [True, False, True, True]
    clash = seen[1]
    assert clash["why"] == "claim-clash"
    assert "the practitioner is taken for service until" in clash["detail"]
    starts = moments(a["starts_at"] for a in clash["alternatives"])
    wished = now + timedelta(minutes=60) + 4 * WEEK
    assert len(starts) == 3
    assert all(abs(s - wished) <= timedelta(hours=1) for s in starts)
    assert {x["practitioner_id"] for a in clash["alternatives"] for x in a["lines"]} == {str(uid("petra"))}  # fmt: skip
    refused = series(call, now)
    assert (slug(refused), refused.body["occurs_at"]) == ("claim-clash", clash["occurs_at"])
    assert visits_of(call) == []
    with reading(BUSINESS):
        assert not Series.objects.exists()
    visits = chosen(seen)
    for alternative in clash["alternatives"]:
        visits[1]["lines"] = alternative["lines"]
        trial = call("freya").post(PATH, asked(now) | {"visits": visits})
        assert trial.status_code == 201, trial.body
        ended = call("freya").post(
            f"recurring-visits/{trial.body['id']}/end", {"from": now.isoformat()}
        )
        assert ended.status_code == 200, ended.body


def test_a_closed_day_and_a_lapsed_licence_show_as_such(call, now):
    # 10, 11 and 12 May 2026 are a Sunday, a Monday and a Tuesday; closed on Sundays.
    seen = preview(call, now, rule="FREQ=DAILY;INTERVAL=4;COUNT=2")
    assert [(o["on"], o["why"]) for o in seen] == [
        ("2026-05-06", None), ("2026-05-10", "outside-opening-hours"),
    ]  # fmt: skip
    days = [a["starts_at"][:10] for a in seen[1]["alternatives"]]
    assert days == ["2026-05-09", "2026-05-11", "2026-05-12"]
    # A licence that is valid through 31 December 2026.
    late = preview(call, now, rule="FREQ=MONTHLY;INTERVAL=9;COUNT=2")
    assert [o["why"] for o in late] == [None, "licence-lapsed"]
    assert late[1]["alternatives"] == []


def test_what_is_known_of_the_client_bounds_the_days_and_offers_later_ones(call, now):
    # Isotretinoin stopped now: no waxing for months (clients/rules, with its sources).
    visit = in_room(call, now, line(now, minutes=30))
    told = [{"kind": "isotretinoin", "still": False, "when": {"on": "2026-05-06"}}]
    consult(call, visit, declarations=told)
    rule = "FREQ=WEEKLY;INTERVAL=17;COUNT=3"
    seen = preview(call, now, line(now, minutes=240), rule=rule)
    assert [o["screening_allows"] for o in seen] == sorted(o["screening_allows"] for o in seen)
    assert (seen[0]["screening_allows"], seen[-1]["screening_allows"]) == (False, True)
    assert seen[0]["bookable"]
    (first,) = seen[0]["screening"]
    assert first["verdict"] == "wait_until"
    assert first["earliest_on"] > seen[0]["on"]
    assert seen[0]["alternatives"] == []  # within three days it is not allowed either


def test_ending_cancels_this_and_following_and_leaves_the_rest(call, now):
    made = series(call, now).body
    second, third = made["visits"][1], made["visits"][2]
    moved = call("freya").post(
        f"visits/{second['visit_id']}/move", {"lines": [line(now, minutes=120 + 28 * 24 * 60)]}
    )
    assert moved.status_code == 200, moved.body
    path = f"recurring-visits/{made['id']}/end"
    ended = call("petra").post(path, {"from": third["starts_at"], "reason": "moves away"})
    assert ended.status_code == 200, ended.body
    assert [v["state"] for v in ended.body["visits"]] == ["booked", "booked", "cancelled", "cancelled"]  # fmt: skip
    assert ended.body["ended_from"] == third["starts_at"]
    again = call("petra").post(path, {"from": third["starts_at"]})
    assert slug(again) == "wrong-state"
    changes = call("petra").get(f"visits/{third['visit_id']}/changes").body["items"]
    assert [(c["kind"], c["reason"]) for c in changes] == [("booked", ""), ("cancelled", "moves away")]  # fmt: skip
    single = call("freya").post(f"visits/{second['visit_id']}/cancel", {})
    assert single.status_code == 200
    for who in ("henk", "stranger"):
        assert call(who).post(path, {"from": now.isoformat()}).status_code == 404
        assert call(who).get(f"recurring-visits/{made['id']}").status_code == 404
        assert call(who).post(f"{PATH}/preview", asked(now)).status_code == 404
        assert call(who).get(PATH).status_code == 404


def test_what_is_sent_wrong_is_named_and_books_nothing(call, now):
    visits = chosen(preview(call, now))
    elsewhere = [visits[0] | {"occurs_at": (now + WEEK).isoformat()}]
    other = [visits[0] | {"lines": [line(now, "lip wax", kit=None)]}]
    no_start = [visits[0] | {"lines": [line(now, minutes=None)]}]
    for body, pointer in (
        ({"visits": []}, "/visits"),
        ({"visits": elsewhere}, "/visits/0/occurs_at"),
        ({"visits": [visits[0], visits[0]]}, "/visits/1/occurs_at"),
        ({"visits": other}, "/visits/0/lines"),
        ({"visits": no_start}, "/visits/0/lines/0/starts_at"),
        ({"visits": visits, "rule": "FREQ=HOURLY;COUNT=2"}, "/rule"),
        ({"visits": visits, "lines": [line(now, minutes=None)]}, "/lines/0/starts_at"),
        ({"visits": visits, "lines": []}, "/lines"),
        ({"visits": visits, "times": 3}, "/times"),
    ):
        refused = call("freya").post(PATH, asked(now) | body)
        assert slug(refused) == "invalid-input"
        assert refused.body["errors"][0]["pointer"] == pointer
    gone = call("freya").post(f"{PATH}/preview", asked(now) | {"client_id": str(uid("nobody"))})
    assert gone.status_code == 404
    assert call("freya").post(f"recurring-visits/{uid('none')}/end", {"from": now.isoformat()}).status_code == 404  # fmt: skip
    assert visits_of(call) == []


def test_a_repeat_books_once_and_some_occurrences_may_stay_out(call, now):
    visits = chosen(preview(call, now))
    body = asked(now) | {"visits": [visits[3], visits[0]], "note": "prefers mornings"}
    made = call("freya").post(PATH, body, Idempotency_Key="series")
    again = call("freya").post(PATH, body, Idempotency_Key="series")
    assert (made.status_code, again.body) == (201, made.body)
    assert [v["occurs_at"] for v in made.body["visits"]] == [visits[0]["occurs_at"], visits[3]["occurs_at"]]  # fmt: skip
    assert len(visits_of(call)) == 2


def test_a_series_of_several_lines_with_an_attendant_keeps_their_distance(call, now):
    morning = now - timedelta(hours=2) + WEEK  # 10:00, while the attendant is on shift
    lines = [line(morning, minutes=0), line(morning, "lip wax", kit=None, minutes=60)]
    made = series(call, now, *lines, rule="FREQ=MONTHLY;BYDAY=2WE;COUNT=3")
    assert made.status_code == 201, made.body
    for link in made.body["visits"]:
        one = call("freya").get(f"visits/{link['visit_id']}").body
        starts = moments(x["starts_at"] for x in one["lines"])
        assert starts[1] - starts[0] == timedelta(hours=1)


def test_a_clients_export_has_their_series_and_harbors_are_harbors(call, now):
    made = series(call, now).body
    exported = call("olga").get(f"clients/{uid('cora')}/export")
    assert exported.status_code == 200, exported.body
    (row,) = exported.body["tables"]["services_series"]
    assert (row["id"], row["rule"]) == (made["id"], FOUR_WEEKLY)
    assert call("henk").get(f"locations/{HARBOR}/recurring-visits").body["items"] == []


def test_two_desks_at_once_book_the_same_series_and_one_has_all_of_it(own_database, now):
    callers = {name: Caller(secret_of(name)) for name in ("freya", "lena")}
    for n in range(3):
        # The other one's rooms and people in the other order: locks are taken by number.
        lines = [line(now, "lip wax", kit=None, minutes=60 + 60 * n)]
        body = asked(now, *lines, rule="FREQ=WEEKLY;COUNT=6")
        seen = callers["freya"].post(f"{PATH}/preview", body).body["occurrences"]
        visits = chosen(seen)
        for v in visits[::2]:
            v["lines"] = [v["lines"][0] | {"practitioner_id": str(uid("lena")), "room_id": str(uid("room 2"))}]  # fmt: skip
        gate = threading.Barrier(2)

        def one(name, client, order, body=body, visits=visits, gate=gate):
            gate.wait(30)
            try:
                sent = body | {"client_id": str(uid(client)), "visits": visits[::order]}
                return callers[name].post(PATH, sent)
            finally:
                connection.close()

        with ThreadPoolExecutor(2) as pool:
            found = list(pool.map(one, callers, ("cora", "celia"), (1, -1)))
        assert sorted(a.status_code for a in found) == [201, 409], [a.body for a in found]
    assert count(BUSINESS, "services_visit") == 18
    assert count(BUSINESS, "services_series") == 3
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_the_preview_names_the_months_that_have_no_such_day(call, now):
    first = datetime(2026, 5, 29, 18, 0, tzinfo=UTC)  # a Friday, 13:00 in Chicago
    on_the_29th = asked(first, line(first, minutes=0), rule="FREQ=MONTHLY;COUNT=11")
    told = call("freya").post(f"{PATH}/preview", on_the_29th).body
    assert [o["on"][:7] for o in told["occurrences"]][-3:] == ["2027-01", "2027-03", "2027-04"]
    # 2027 is no leap year.
    assert told["skipped_months"] == ["2027-02"]
    assert call("freya").post(f"{PATH}/preview", asked(now)).body["skipped_months"] == []


def test_visits_of_a_series_on_one_area_keep_their_distance(call, now):
    # Fact 7.35 of the published facts and common practice: three days for freshly waxed skin.
    seen = preview(call, now, rule="FREQ=DAILY;COUNT=5")
    refused = seen[1]
    assert (refused["bookable"], refused["screening"][0]["verdict"]) == (True, "wait_until")
    assert refused["screening"][0]["earliest_on"] == "2026-05-09"
    assert all(o["starts_at"] >= "2026-05-09" for o in refused["alternatives"])
    # The fourth day is the first on which the first one no longer counts; then the fifth is too soon.
    assert [o["screening_allows"] for o in seen] == [True, False, False, True, False]
