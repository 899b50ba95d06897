"""Rebooking dates: proposed at the finish, changed and withdrawn by the client's wish, over HTTP."""

import threading
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection

from compliance.ledger.queries import entries
from services.actions import rebooking
from services.models import LineState
from spa_ops.kernel import clock
from spa_ops.kernel.problems import Problem, WrongState
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.world import BUSINESS, HARBOR, LAKE, actor

#: Four weeks after the tests' Wednesday, 2026-05-06.
IN_FOUR_WEEKS = date(2026, 6, 3)


def propose(line, who="petra"):
    return rebooking.propose_rebooking(actor=actor(who), now=clock.now(), line_id=line.id)


def proposed(**fields):
    (line,) = build.lines_of(build.visit(**fields))
    return propose(line, "hana" if fields.get("location_id") == HARBOR else "petra")


def log(kind):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(LAKE, kinds=[kind])]


def test_a_finished_line_gets_the_date_of_the_price_list_and_a_reminder_a_week_before(db):
    row = proposed()
    # Facial waxing 4 weeks (common practice, no source); 10:00 in Chicago is 15:00 UTC in May.
    assert row.rebook_on == IN_FOUR_WEEKS
    assert row.remind_at == datetime(2026, 5, 27, 15, tzinfo=UTC)
    assert (row.state, row.version) == ("waiting", 1)
    assert log("rebooking.proposed") == [
        {
            "rebooking_id": str(row.id),
            "line_id": str(row.line_id),
            "service_id": str(row.service_id),
            "rebook_on": "2026-06-03",
            "remind_at": "2026-05-27T15:00:00.000000Z",
        }
    ]


@pytest.mark.parametrize(
    ("zone", "utc"),
    [
        ("Pacific/Chatham", datetime(2026, 5, 26, 21, 15, tzinfo=UTC)),
        ("Asia/Kathmandu", datetime(2026, 5, 27, 4, 15, tzinfo=UTC)),
        ("", datetime(2026, 5, 27, 15, tzinfo=UTC)),
        ("Nowhere/Invented", datetime(2026, 5, 27, 15, tzinfo=UTC)),
    ],
)
def test_reminders_are_timed_by_the_clients_zone_else_the_locations(db, zone, utc):
    row = proposed(client=build.client(zone=zone))
    assert (row.rebook_on, row.remind_at) == (IN_FOUR_WEEKS, utc)


def test_the_day_is_the_locations(db, now):
    # 23:30 on 6 May in Chicago is 7 May in UTC.
    late = now + timedelta(hours=11, minutes=30)
    assert proposed(line={"finished_at": late}).rebook_on == IN_FOUR_WEEKS


def test_a_line_that_has_a_date_keeps_it_and_services_without_weeks_have_none(db):
    (line,) = build.lines_of(build.visit())
    first = propose(line)
    assert propose(line).id == first.id
    assert len(build.rebookings(line_id=line.id)) == 1
    (once,) = build.lines_of(build.visit(of=build.service(rebook_weeks=None)))
    assert propose(once) is None
    (running,) = build.lines_of(build.visit(LineState.STARTED))
    with pytest.raises(WrongState):
        propose(running)


def test_a_changed_date_is_a_row_of_its_own_and_the_former_waits_no_longer(call):
    row = proposed()
    changed = call("freya").post(f"rebookings/{row.id}/change", {"rebook_on": "2026-06-10"})
    assert changed.status_code == 200, changed.body
    assert (changed.body["rebook_on"], changed.body["state"]) == ("2026-06-10", "waiting")
    assert changed.body["remind_at"] == "2026-06-03T15:00:00.000000Z"
    assert changed["ETag"] == '"1"'
    former = build.fresh(row)
    assert (former.state, former.outcome, former.version) == ("withdrawn", "changed", 2)
    (facts,) = log("rebooking.changed")
    assert (facts["was_on"], facts["rebook_on"]) == ("2026-06-03", "2026-06-10")


def test_there_and_back_again_is_one_waiting_date(call):
    row, freya = proposed(), call("freya")
    other = freya.post(f"rebookings/{row.id}/change", {"rebook_on": "2026-06-10"}).body
    back = freya.post(f"rebookings/{other['id']}/change", {"rebook_on": "2026-06-03"}).body
    assert (back["id"], back["state"], back["settled_at"]) == (str(row.id), "waiting", None)
    assert [r.rebook_on for r in build.rebookings(state="waiting")] == [IN_FOUR_WEEKS]
    same = freya.post(f"rebookings/{row.id}/change", {"rebook_on": "2026-06-03"}).body
    assert same["version"] == back["version"]
    assert len(log("rebooking.changed")) == 2


def test_a_date_whose_reminder_went_out_gets_no_second_one(call):
    row, freya = proposed(), call("freya")

    def mark_sent():
        row.state, row.outcome, row.settled_at = "sent", "sms", clock.now()
        build.put(row)

    build.written(mark_sent)
    later = freya.post(f"rebookings/{row.id}/change", {"rebook_on": "2026-06-10"}).body
    assert (later["state"], build.fresh(row).state) == ("waiting", "sent")
    back = freya.post(f"rebookings/{later['id']}/change", {"rebook_on": "2026-06-03"}).body
    assert (back["id"], back["state"], back["outcome"]) == (str(row.id), "sent", "sms")
    assert build.rebookings(state="waiting") == []


@pytest.mark.parametrize("day", ["2026-05-05", "2028-05-08", "soon", "2026-02-30", None])
def test_dates_that_cannot_be_are_refused(call, day):
    row = proposed()
    refused = call("freya").post(f"rebookings/{row.id}/change", {"rebook_on": day})
    assert refused.status_code == 422
    assert refused.body["errors"][0]["pointer"] == "/rebook_on"
    assert build.fresh(row).version == 1
    assert len(build.rebookings()) == 1


def test_a_client_may_wish_no_reminder(call):
    row, freya = proposed(), call("freya")
    done = freya.post(f"rebookings/{row.id}/withdraw")
    assert (done.status_code, done.body["state"]) == (200, "withdrawn")
    assert done.body["settled_at"] == "2026-05-06T17:00:00.000000Z"
    again = freya.post(f"rebookings/{row.id}/withdraw")
    assert (again.status_code, again.body["state"]) == (409, "withdrawn")
    assert len(log("rebooking.withdrawn")) == 1


def test_the_list_is_in_order_of_date_and_in_pages(call):
    client = build.client()
    rows = [proposed(client=client, of=build.service(rebook_weeks=w)) for w in (6, 2, 4)]
    elsewhere = proposed(location_id=HARBOR)
    freya = call("freya")
    first = freya.get(f"locations/{LAKE}/rebookings?limit=2").body
    assert [r["rebook_on"] for r in first["items"]] == ["2026-05-20", "2026-06-03"]
    rest = freya.get(f"locations/{LAKE}/rebookings?limit=2&cursor={first['next']}").body
    assert [r["id"] for r in rest["items"]] == [str(rows[0].id)]
    assert rest["next"] is None
    span = freya.get(f"locations/{LAKE}/rebookings?from=2026-05-21&to=2026-06-17&state=waiting")
    assert [r["id"] for r in span.body["items"]] == [str(rows[2].id)]
    of_client = freya.get(f"locations/{LAKE}/rebookings?client_id={elsewhere.client_id}")
    assert of_client.body["items"] == []
    assert freya.get(f"locations/{LAKE}/rebookings?state=lost").status_code == 422
    at_harbor = call("olga").get(f"locations/{HARBOR}/rebookings").body["items"]
    assert [r["id"] for r in at_harbor] == [str(elsewhere.id)]


def test_others_see_and_change_nothing(call):
    row = proposed()
    for name in ("stranger", "henk"):
        caller = call(name)
        assert caller.get(f"locations/{LAKE}/rebookings").status_code == 404
        assert caller.post(f"rebookings/{row.id}/withdraw").status_code == 404
        change = caller.post(f"rebookings/{row.id}/change", {"rebook_on": "2026-06-10"})
        assert change.status_code == 404
    assert call("inga").get(f"locations/{LAKE}/rebookings").status_code == 403
    assert build.fresh(row).version == 1


def test_the_feed_carries_what_the_api_shows(call):
    row, lena = proposed(), call("lena")
    shown = lena.get(f"locations/{LAKE}/rebookings").body["items"]
    changes = lena.get(f"sync/{LAKE}/changes?limit=2000").body["changes"]
    found = [c["body"] for c in changes if c["entity"] == "rebooking"]
    assert found == shown
    assert shown[0]["id"] == str(row.id)


def test_changes_at_the_same_moment_leave_one_date_that_waits(own_database):
    row = proposed()
    days = [date(2026, 6, 10) + timedelta(days=i) for i in range(8)]
    barrier, found = threading.Barrier(len(days)), []

    def change(day):
        try:
            barrier.wait(20)
            found.append(
                rebooking.change_rebooking(
                    actor=actor("freya"), now=clock.now(), rebooking_id=row.id, rebook_on=day
                )
            )
        except Problem as problem:
            found.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=change, args=(day,)) for day in days]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not [f for f in found if isinstance(f, Problem)]
    assert len(build.rebookings(state="waiting")) == 1
    assert len(build.rebookings()) == 9
