"""A location goes by another time zone: seen first, then done; no instant moves."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from services.actions import team
from services.actions.rebooking import change_rebooking, withdraw_rebooking
from services.models import ForesightDue
from services.rules.shifts import Weekly
from services.rules.zone_change import Clock, Coming, Outside, Part, changed
from services.tasks import send_due_reminders
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Role, system_actor
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.services.day import book, line
from tests.services.test_rebooking import propose, proposed
from tests.world import BUSINESS, LAKE, actor, uid

PATH = f"locations/{LAKE}/zone"
SUMMER = datetime(2026, 5, 7, 15, 0, tzinfo=UTC)  # Thursday 10:00 in Chicago, daylight time
WINTER = datetime(2026, 11, 5, 16, 0, tzinfo=UTC)  # Thursday 10:00 there, standard time
LATE = datetime(2026, 5, 7, 23, 15, tzinfo=UTC)  # 18:15 in Chicago, where Lake closes at 19:00


def preview(call, zone, by="olga"):
    return call(by).post(f"{PATH}/preview", {"zone": zone})


def changed_to(call, zone, by="olga"):
    shown = preview(call, zone).body["shown"]
    return call(by).post(PATH, {"zone": zone, "shown": shown})


def booked(call, at):
    made = book(call, at, line(at, "lip wax", kit=None, minutes=0))
    assert made.status_code == 201, made.body
    return made.body


def test_the_preview_names_the_visits_whose_wall_time_would_be_another(call):
    summer, winter = booked(call, SUMMER), booked(call, WINTER)
    # Saskatchewan keeps standard time all year (IANA data): an hour apart in May, none in November.
    told = preview(call, "America/Regina")
    assert told.status_code == 200, told.body
    assert (told.body["coming"], told.body["visits_in_all"]) == (2, 1)
    (visit,) = told.body["visits"]
    assert visit["visit_id"] == summer["id"] != winter["id"]
    assert (visit["wall_before"], visit["wall_after"]) == (
        "2026-05-07T10:00-05:00", "2026-05-07T09:00-06:00",
    )  # fmt: skip
    # Opening at nine is opening at nine of the new clock: the set-up alone begins before the shift.
    assert (visit["outside_before"], visit["outside_after"]) == ([], ["shift"])
    # Closing at 19:00 is an hour later.
    rooms = {r["name"]: r for r in told.body["rooms"]}
    assert rooms["room 1"]["ready_until_before"] == "2026-05-07T00:00:00.000000Z"
    assert rooms["room 1"]["ready_until_after"] == "2026-05-07T01:00:00.000000Z"
    with reading(BUSINESS):
        assert Location.objects.get(id=LAKE).zone == "America/Chicago"


def test_the_change_leaves_instants_moves_the_clock_and_is_in_the_log(call):
    first, late = booked(call, SUMMER), booked(call, LATE)
    done = changed_to(call, "America/Denver")
    assert (done.status_code, done.body["zone"]) == (200, "America/Denver")
    for visit, at in ((first, SUMMER), (late, LATE)):
        body = call("freya").get(f"visits/{visit['id']}").body
        assert datetime.fromisoformat(body["starts_at"]) == at
    ready = call("petra").get(f"rooms/{uid('room 1')}").body
    assert ready["ready_until"] == "2026-05-07T01:00:00.000000Z"
    (entry,) = call("inga").get(f"evidence/{LAKE}/entries?kind=location.zone_changed").body["items"]
    assert entry["facts"] == {
        "location_id": str(LAKE), "version": done.body["version"],
        "was": "America/Chicago", "is": "America/Denver", "visits": 2,
    }  # fmt: skip
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True
    # From now on a wall time is one of the new clock: 18:15 in Denver is 00:15 UTC, still open.
    evening = datetime(2026, 5, 8, 0, 15, tzinfo=UTC)
    assert booked(call, evening)["state"] == "booked"
    # What lies outside now can be asked for again: 09:00 in Denver, with the set-up before it.
    now_outside = preview(call, "America/Denver").body
    assert [v["visit_id"] for v in now_outside["visits"]] == [first["id"]]


def test_a_zone_of_three_quarters_of_an_hour_throws_the_day_out_of_the_opening_hours(call):
    visit = booked(call, SUMMER)
    # Kathmandu is 5:45 ahead of UTC (IANA data): 15:00 UTC is 20:45, when Lake is closed.
    (told,) = preview(call, "Asia/Kathmandu").body["visits"]
    assert told["wall_after"] == "2026-05-07T20:45+05:45"
    assert set(told["outside_after"]) == {"opening_hours", "shift"}
    assert changed_to(call, "Asia/Kathmandu").status_code == 200
    # Closed for whoever books now; who was booked stays.
    refused = book(call, SUMMER, line(SUMMER, "lip wax", kit=None, minutes=60))
    assert refused.body["type"] == "/problems/outside-opening-hours"
    assert call("freya").get(f"visits/{visit['id']}").body["state"] == "booked"


def test_a_visit_on_another_local_day_is_looked_at_anew(call):
    booked(call, LATE)
    with reading(BUSINESS):
        before = ForesightDue.objects.count()
    # 23:15 UTC on the 7th is the 8th in Auckland, which screening goes by.
    assert changed_to(call, "Pacific/Auckland").status_code == 200
    with reading(BUSINESS):
        assert ForesightDue.objects.count() == before + 1


def test_whoever_works_at_two_places_may_clash_with_themself(call, now):
    system = {"actor": system_actor(BUSINESS), "now": now}
    tenancy.grant_membership(
        **system, person_id=uid("hana"), role=Role.PRACTITIONER, location_id=LAKE
    )
    # Harbor's Monday ends at 19:00 in New York, which is 18:00 in Chicago.
    monday = team.add_shift(
        **system, person_id=uid("hana"), location_id=LAKE, weekday=0, starts=time(18), ends=time(20),
        valid_from=date(2026, 1, 5),
    )  # fmt: skip
    assert preview(call, "America/Chicago").body["shift_clashes"] == []
    (clash,) = preview(call, "America/New_York").body["shift_clashes"]
    assert (clash["person_id"], clash["shift_id"]) == (str(uid("hana")), str(monday.id))


def test_recurring_visits_and_wishes_by_the_clock_are_told(call, now):
    at = (now + timedelta(days=1, hours=1)).isoformat()
    lines = [line(now, "lip wax", kit=None, minutes=None) | {"starts_at": at}]
    asked = {"client_id": str(uid("cora")), "lines": lines, "rule": "FREQ=WEEKLY;COUNT=2"}
    seen = call("freya").post(f"locations/{LAKE}/recurring-visits/preview", asked).body
    visits = [{"occurs_at": o["occurs_at"], "lines": o["lines"]} for o in seen["occurrences"]]
    made = call("freya").post(f"locations/{LAKE}/recurring-visits", asked | {"visits": visits})
    assert made.status_code == 201, made.body
    wish = {
        "client_id": str(uid("celia")), "lines": [{"service_id": str(uid("lip wax"))}],
        "from_on": "2026-05-08", "until_on": "2026-05-20", "times": [["10:00", "12:00"]],
    }  # fmt: skip
    assert call("freya").post(f"locations/{LAKE}/waiting", wish).status_code == 201
    told = preview(call, "America/Denver").body
    assert told["series"] == [
        {"series_id": made.body["id"], "rule": "FREQ=WEEKLY;COUNT=2", "coming": 2}
    ]
    assert told["waiting_by_the_clock"] == 1


def remind_ats(*rows):
    return [build.fresh(row).remind_at for row in rows]


def test_reminders_meant_for_an_hour_of_this_clock_follow_the_new_one(call, now):
    here = proposed()
    own = proposed(client=build.client(zone="America/Chicago"))
    withdrawn = proposed()
    withdraw_rebooking(actor=actor("freya"), now=now, rebooking_id=withdrawn.id)
    # A date after the clocks went back in Chicago and not in Regina, where they never change.
    (line,) = build.lines_of(build.visit())
    winter = change_rebooking(
        actor=actor("freya"), now=now, rebooking_id=propose(line).id, rebook_on=date(2026, 11, 20)
    )
    ten = datetime(2026, 5, 27, 15, tzinfo=UTC)  # 10:00 in Chicago, UTC-5 (IANA tz database)
    in_winter = datetime(2026, 11, 13, 16, tzinfo=UTC)  # UTC-6
    assert remind_ats(here, own, withdrawn, winter) == [ten, ten, ten, in_winter]
    # Regina is UTC-6 all year: 10:00 is another instant in May, and the same in November.
    assert preview(call, "America/Regina").body["reminders_by_the_clock"] == 1
    assert preview(call, "America/Denver").body["reminders_by_the_clock"] == 2
    assert preview(call, "America/Chicago").body["reminders_by_the_clock"] == 0
    version = build.fresh(here).version
    assert changed_to(call, "America/Regina").status_code == 200
    assert remind_ats(here, own, withdrawn, winter) == [
        ten + timedelta(hours=1),
        ten,
        ten,
        in_winter,
    ]
    assert build.fresh(here).version == version + 1
    assert build.fresh(own).version == 1
    # And back again, to the second.
    assert changed_to(call, "America/Chicago").status_code == 200
    assert remind_ats(here, own, winter) == [ten, ten, in_winter]


def test_a_reminder_that_is_put_off_already_is_decided_by_the_new_clock_when_its_time_comes(
    call, now
):
    row = proposed()
    build.consent(row.client_id)
    # 21:00 in Chicago is past the hours of 47 CFR 64.1200(c)(1): it waits for 08:00 there, 13:00 UTC.
    evening = datetime(2026, 5, 28, 2, tzinfo=UTC)
    assert send_due_reminders(now=evening) == {"outside_hours": 1}
    morning = datetime(2026, 5, 28, 13, tzinfo=UTC)
    with clock.stopped_at(evening):
        assert preview(call, "America/Los_Angeles").body["reminders_by_the_clock"] == 0
        assert changed_to(call, "America/Los_Angeles").status_code == 200
    assert remind_ats(row) == [morning]
    # That is six in the morning in Los Angeles.
    assert send_due_reminders(now=morning) == {"outside_hours": 1}
    assert remind_ats(row) == [datetime(2026, 5, 28, 15, tzinfo=UTC)]


def test_an_hour_that_is_past_on_the_new_clock_is_due_at_once(call, now):
    row = proposed()
    half_an_hour_before = datetime(2026, 5, 27, 14, 30, tzinfo=UTC)
    with clock.stopped_at(half_an_hour_before):
        assert changed_to(call, "America/New_York").status_code == 200
    assert remind_ats(row) == [datetime(2026, 5, 27, 14, tzinfo=UTC)]
    # Once, by what holds then: nobody agreed to be written to.
    assert send_due_reminders(now=half_an_hour_before) == {"no_consent": 1}
    assert send_due_reminders(now=half_an_hour_before) == {}


def test_what_was_not_shown_is_not_done(call):
    shown = preview(call, "America/Denver").body["shown"]
    booked(call, SUMMER)
    for zone in ("America/Denver", "America/Regina"):
        refused = call("olga").post(PATH, {"zone": zone, "shown": shown})
        assert (refused.status_code, refused.body["type"]) == (409, "/problems/preview-outdated")
    assert call("olga").get(f"locations/{LAKE}").body["zone"] == "America/Chicago"


def test_only_an_owner_and_only_to_a_real_other_zone(call):
    for name in ("lena", "freya"):
        assert preview(call, "America/Denver", by=name).status_code == 403
        assert call(name).post(PATH, {"zone": "UTC", "shown": "0" * 64}).status_code == 403
    wrong = preview(call, "America/Nowhere")
    assert (wrong.status_code, wrong.body["errors"][0]["pointer"]) == (422, "/zone")
    same = changed_to(call, "America/Chicago")
    assert (same.status_code, same.body["errors"][0]["pointer"]) == (422, "/zone")
    assert call("olga").post(f"locations/{uid('nowhere')}/zone/preview", {"zone": "UTC"}).status_code == 404  # fmt: skip


def test_more_visits_cost_no_more_statements(call):
    def statements():
        with CaptureQueriesContext(connection) as found:
            assert preview(call, "America/Denver").status_code == 200
        return len(found)

    booked(call, SUMMER)
    statements()  # the first request of a process reads more
    one = statements()
    for hours in (1, 2, 3):
        booked(call, SUMMER + timedelta(hours=hours))
    assert statements() == one


@pytest.mark.parametrize(
    ("zone", "day", "outside"),
    [
        # 02:30 does not exist in Chicago on 8 March 2026 and is 03:30; in Regina it does.
        ("America/Regina", date(2026, 3, 8), []),
        ("America/Chicago", date(2026, 3, 8), []),
        ("Pacific/Chatham", date(2026, 3, 8), [Outside.OPENING_HOURS, Outside.SHIFT]),
    ],
)
def test_a_night_of_changing_clocks(zone, day, outside):
    shift = Weekly(
        weekday=6, starts=time(1), ends=time(5), valid_from=date(2026, 1, 1), valid_until=None,
        zone=zone,
    )  # fmt: skip
    who = uid("petra")
    there = Clock(
        zone=zone, hours={"sun": [["01:00", "05:00"]]}, holidays_of="", shifts={(who, "p"): [shift]}
    )
    span = Period(datetime(2026, 3, 8, 8, 0, tzinfo=UTC), datetime(2026, 3, 8, 9, 0, tzinfo=UTC))
    visit = Coming(id=who, period=span, parts=(Part(person_id=who, duty="p", period=span),))
    assert there.outside(visit) == outside
    found = changed([visit], there, there)
    assert [one.outside_after for one in found] == ([outside] if outside else [])
