"""A kit stays away for its way back, where the house plans for it: in booking and availability alike."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from functools import partial
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from compliance.disinfection import actions as disinfection
from compliance.disinfection.rules.reprocessing import EventKind
from services.rules.kits import WayBack, way_back
from services.tasks import sweep_due_checks
from spa_ops.claims.models import Claim
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.units import VolumeUnit
from spa_ops.tenancy.rules import house_policy as policy_from
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.services.builders import house_policy
from tests.services.day import GLOVED, RECORD, WASHED, book, consult, in_room, line
from tests.services.test_availability import found, pick
from tests.services.test_due_checks import checks
from tests.services.test_holds import at_once
from tests.world import BUSINESS, LAKE, uid

MINUTE = timedelta(minutes=1)
WAY_BACK = {
    "kit_wait_minutes": 10,
    "kit_wash_minutes": 5,
    "kit_rinse_minutes": 2,
    "kit_dry_minutes": 8,
}
#: The invented quaternary concentrate of the tests' world: 10 minutes by its label.
CONTACT = 10


def kit_claims(kit="brow kit 1"):
    with reading(BUSINESS):
        rows = Claim.objects.filter(bookable_id=uid(kit)).order_by("span")
        return [(c.phase, c.span.lower, c.span.upper) for c in rows]


def test_a_kit_is_taken_until_it_is_back_and_not_a_minute_longer(call, now):
    house_policy(**WAY_BACK)
    booked = book(call, now, line(now, minutes=60))
    assert booked.status_code == 201, booked.body
    over = datetime.fromisoformat(booked.body["lines"][0]["turnover_ends_at"])
    back = over + (25 + CONTACT) * MINUTE
    # Waiting and washing, the contact time, rinsing and drying.
    assert [(p, b) for p, _, b in kit_claims()] == [
        ("service", over), ("reprocessing", over + 15 * MINUTE), ("soak", over + 25 * MINUTE),
        ("reprocessing", back),
    ]  # fmt: skip
    set_up = datetime.fromisoformat(booked.body["lines"][0]["starts_at"]) - datetime.fromisoformat(
        booked.body["lines"][0]["set_up_at"]
    )
    early = line(back + set_up - MINUTE, minutes=0)
    refused = book(call, now, early, client="celia")
    assert {(c["kind"], c["phase"]) for c in refused.body["clashes"]} == {("kit", "reprocessing")}
    assert book(call, now, line(back + set_up, minutes=0), client="celia").status_code == 201


def test_what_is_offered_with_a_kit_can_be_booked_and_nothing_else_can(call, now):
    house_policy(**WAY_BACK)
    assert book(call, now, line(now, minutes=60)).status_code == 201
    away = {
        "kit_id": str(uid("brow kit 2")), "kind": "repair", "starts_at": now.isoformat(),
        "ends_at": (now + timedelta(hours=12)).isoformat(),
    }  # fmt: skip
    assert call("lena").post(f"locations/{LAKE}/absences", away).status_code == 201
    end = now + timedelta(hours=4)
    asked = pick("brow wax", practitioner="lena", room="room 2")
    given = found(call, now, asked, client="celia", to=end.isoformat(), limit=200)
    offered = {datetime.fromisoformat(o["starts_at"]) for o in given["options"]}
    at = now
    while at < end:
        want = line(at, who="lena", room="room 2", minutes=0)
        tried = book(call, now, want, client="celia")
        assert (tried.status_code == 201) == (at in offered), (at, tried.body)
        if tried.status_code == 201:
            path = f"visits/{tried.body['id']}/cancel"
            assert call("freya").post(path, {}, If_Match=tried["ETag"]).status_code == 200
        at += 10 * MINUTE
    assert offered


def test_when_the_client_leaves_the_way_back_begins(call, now):
    house_policy(**WAY_BACK)
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    assert call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED}).status_code == 200
    assert call("petra").post(f"visits/{visit['id']}/leave").status_code == 200
    found = kit_claims()
    assert {phase for phase, _, _ in found} == {"reprocessing", "soak"}
    assert found[0][1] == now and found[-1][2] >= now + (25 + CONTACT) * MINUTE
    assert all(a[2] == b[1] for a, b in pairwise(found))


def left_with(call, now):
    """The visit is over and its kit on its way back: waiting, then washed, then in a bath."""
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    assert call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED}).status_code == 200
    assert call("petra").post(f"visits/{visit['id']}/leave").status_code == 200
    return kit_claims()


def step(now, minutes, kind, kit="brow kit 1", **said):
    with clock.stopped_at(now + minutes * MINUTE):
        disinfection.record_reprocessing(
            actor=system_actor(BUSINESS), now=clock.now(), kit_id=uid(kit), kind=kind, **said
        )


def bath_of(now):
    """A bath of the invented concentrate, mixed at that time."""
    with clock.stopped_at(now):
        return disinfection.mix_solution(
            actor=system_actor(BUSINESS), now=now, location_id=LAKE, product_id=uid("quat"),
            container="the jar", concentrate=(Decimal(60), VolumeUnit.MILLILITRE),
            water=(Decimal(960), VolumeUnit.MILLILITRE),
        )  # fmt: skip


def washed_and_in(now, bath, at=3):
    for minute, kind in enumerate((EventKind.WASHED, EventKind.RINSED, EventKind.DRIED)):
        step(now, at - 3 + minute, kind)
    step(now, at, EventKind.IMMERSED, agent_id=bath.id, fully_open=True)


def test_a_kit_that_is_stored_clean_early_is_free_at_once(call, now):
    house_policy(**WAY_BACK)
    planned_until = left_with(call, now)[-1][2]
    bath = bath_of(now)
    washed_and_in(now, bath)
    # It went in earlier than planned: it lies there for the contact time, then it is rinsed and dried.
    soak, dries = kit_claims()[-2:]
    assert soak == ("soak", now + 3 * MINUTE, now + (3 + CONTACT) * MINUTE)
    assert dries[2] == soak[2] + 10 * MINUTE < planned_until
    for minute, kind in ((13, EventKind.LIFTED), (14, EventKind.RINSED), (15, EventKind.DRIED)):
        step(now, minute, kind)
    assert kit_claims()[-1] == dries
    step(now, 16, EventKind.STORED, covered=True)
    assert kit_claims()[-1][2] == now + 16 * MINUTE
    with clock.stopped_at(now + 17 * MINUTE):
        soon = line(now, who="lena", room="room 2", minutes=25)
        assert book(call, now, soon, client="celia").status_code == 201


def test_a_contact_that_starts_anew_keeps_the_kit_away_longer_where_nobody_has_it(call, now):
    house_policy(**WAY_BACK)
    planned_until = left_with(call, now)[-1][2]
    bath = bath_of(now)
    late = (planned_until - now) // MINUTE
    washed_and_in(now, bath, at=late - 2)
    with clock.stopped_at(now + late * MINUTE):
        disinfection.record_added_to_soak(
            actor=system_actor(BUSINESS), now=clock.now(), solution_id=bath.id, cleaned=True
        )
    assert kit_claims()[-2:] == [
        ("soak", planned_until, planned_until + CONTACT * MINUTE),
        ("reprocessing", planned_until + CONTACT * MINUTE, planned_until + (CONTACT + 10) * MINUTE),
    ]
    wanted = line(planned_until + 15 * MINUTE, who="lena", room="room 2", minutes=0)
    assert book(call, now, wanted, client="celia").body["type"] == "/problems/claim-clash"


def test_what_somebody_has_booked_is_never_taken_for_it_and_the_lateness_is_named(call, now):
    house_policy(**WAY_BACK)
    planned_until = left_with(call, now)[-1][2]
    next_use = planned_until + 5 * MINUTE
    following = line(next_use, who="lena", room="room 2", minutes=5)
    made = book(call, now, following, client="celia")
    assert made.status_code == 201, made.body
    needed = datetime.fromisoformat(made.body["lines"][0]["set_up_at"])
    bath = bath_of(now)
    in_at = (planned_until - now) // MINUTE
    with clock.stopped_at(planned_until):
        sweep_due_checks()
    late = {"kind": "kit_late", "open": "true"}
    washed_and_in(now, bath, at=in_at)
    assert max(until for _, since, until in kit_claims() if since < needed) == needed
    assert (
        "service",
        needed,
        datetime.fromisoformat(made.body["lines"][0]["turnover_ends_at"]),
    ) in kit_claims()
    with clock.stopped_at(planned_until + MINUTE):
        sweep_due_checks()
        (found,) = checks(call, **late)
    assert found["subject_id"] == str(uid("brow kit 1"))
    assert datetime.fromisoformat(found["due_at"]) == needed
    # 17:45 UTC and the like on the clock of the place: there again after contact, rinsing and drying.
    back = (planned_until + (CONTACT + 10) * MINUTE).astimezone(ZoneInfo("America/Chicago"))
    assert f"{back:%H:%M}" in found["what"]
    # Another kit is taken instead: nobody waits for this one any more.
    other = {"kit_id": str(uid("brow kit 2"))}
    moved = call("freya").post(
        f"visits/{made.body['id']}/move", {"lines": [following | other]}, If_Match=made["ETag"]
    )
    assert moved.status_code == 200, moved.body
    with clock.stopped_at(planned_until + 2 * MINUTE):
        sweep_due_checks()
        assert checks(call, **late) == []


def test_a_kit_that_nobody_plans_for_has_no_claims_to_follow(call, now):
    assert left_with(call, now) == []
    washed_and_in(now, bath_of(now))
    assert kit_claims() == []


def test_without_the_policy_a_kit_is_free_after_the_turnover(call, now):
    assert book(call, now, line(now, minutes=60)).status_code == 201
    assert [phase for phase, _, _ in kit_claims()] == ["service"]


@pytest.mark.parametrize(
    ("policy", "contact", "minutes"),
    [({}, 600, 0), (WAY_BACK, 600, 35), (WAY_BACK, 601, 36), (WAY_BACK, None, 25), ({"kit_dry_minutes": 1}, 0, 1)],
)  # fmt: skip
def test_the_way_back_is_the_sum_of_its_parts(policy, contact, minutes, now):
    way = way_back(policy_from(policy), contact, "UTC")
    assert way.is_planned is bool(minutes)
    assert way.of(now).back_at == now + minutes * MINUTE


#: Kits are seen to at half past one and at four, local time; a bath takes one.
AT_SET_TIMES = WAY_BACK | {"kit_set_times": "13:30 16:00", "kit_bath_capacity": 1}


def test_at_set_times_a_kit_waits_for_the_batch(call, now):
    house_policy(**AT_SET_TIMES)
    assert book(call, now, line(now, minutes=30)).status_code == 201
    # Noon in Chicago, daylight time. The turnover is over before 13:20 and ten minutes more: 13:30 it is.
    batch = now + 90 * MINUTE
    _, waits, soak, dries = kit_claims()
    assert (waits[0], waits[2]) == ("reprocessing", batch + 5 * MINUTE)
    assert (soak[0], soak[2] - soak[1]) == ("soak", CONTACT * MINUTE)
    assert dries[2] == batch + (5 + CONTACT + 10) * MINUTE
    # The other kit ends earlier that day and finds the bath of 13:30 promised: it comes back after four.
    asked = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=25)
    assert book(call, now, asked, client="celia").status_code == 201
    assert kit_claims("brow kit 2")[-1][2] == now + (4 * 60 + 5 + CONTACT + 10) * MINUTE


def test_a_full_bath_is_waited_for_and_no_longer_than_it_is_full(call, now):
    house_policy(**WAY_BACK, kit_bath_capacity=1)
    assert book(call, now, line(now, minutes=60)).status_code == 201
    first = kit_claims()
    asked = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=60)
    assert book(call, now, asked, client="celia").status_code == 201
    soaks = [next(c for c in kit_claims(k) if c[0] == "soak") for k in ("brow kit 1", "brow kit 2")]
    assert soaks[0] == first[2]
    assert soaks[1][1] == soaks[0][2]


def test_what_is_offered_through_a_narrow_bath_can_be_booked_and_nothing_else_can(call, now):
    house_policy(**AT_SET_TIMES)
    assert book(call, now, line(now, minutes=45)).status_code == 201
    end = now + timedelta(hours=6, minutes=30)
    asked = pick("brow wax", practitioner="lena", room="room 2")
    given = found(call, now, asked, client="celia", to=end.isoformat(), limit=200)
    offered = {}
    for option in given["options"]:
        offered[datetime.fromisoformat(option["starts_at"])] = option["lines"][0]["kit_id"]
    assert set(offered.values()) == {str(uid("brow kit 1")), str(uid("brow kit 2"))}
    for n in range(0, 390, 15):
        at, able = now + n * MINUTE, False
        for kit in ("brow kit 1", "brow kit 2"):
            tried = book(
                call, now, line(at, who="lena", room="room 2", kit=kit, minutes=0), client="celia"
            )
            if tried.status_code == 201:
                able = True
                path = f"visits/{tried.body['id']}/cancel"
                call("freya").post(path, {}, If_Match=tried["ETag"])
        assert able == (at in offered), (at, tried.body)


def test_two_at_once_never_have_the_last_place_of_the_bath(own_database, now):
    house_policy(**WAY_BACK, kit_bath_capacity=1)
    freya, lena = Caller(secret_of("freya")), Caller(secret_of("lena"))

    def ask(caller, client, asked):
        body = {"client_id": str(uid(client)), "lines": [asked]}
        return caller.post(f"locations/{LAKE}/visits", body)

    for n in range(4):
        minutes = 60 + 120 * n
        one = line(now, minutes=minutes)
        other = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=minutes)
        answers = at_once(partial(ask, freya, "cora", one), partial(ask, lena, "celia", other))
        if minutes < 360:
            assert [a.status_code for a in answers] == [201, 201], [a.body for a in answers]
    soaks = sorted(
        (start, end)
        for kit in ("brow kit 1", "brow kit 2")
        for phase, start, end in kit_claims(kit)
        if phase == "soak"
    )
    assert len(soaks) >= 6
    assert all(a[1] <= b[0] for a, b in pairwise(soaks))


def test_a_hold_keeps_its_place_in_the_bath_until_it_is_over(call, now):
    house_policy(**WAY_BACK, kit_bath_capacity=1)
    held = call("freya").post(
        f"locations/{LAKE}/holds", {"client_id": str(uid("cora")), "lines": [line(now)]}
    )
    assert held.status_code == 201, held.body
    soak = next(c for c in kit_claims() if c[0] == "soak")
    asked = line(now, who="lena", room="room 2", kit="brow kit 2")
    book(call, now, asked, client="celia")
    assert next(c for c in kit_claims("brow kit 2") if c[0] == "soak")[1] == soak[2]
    other = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=75)
    with clock.stopped_at(now + timedelta(minutes=6)):
        visit = call("freya").get(f"locations/{LAKE}/visits").body["items"][0]
        moved = call("freya").post(
            f"visits/{visit['id']}/move", {"lines": [other]}, If_Match=f'"{visit["version"]}"'
        )
        assert moved.status_code == 200, moved.body
    over = datetime.fromisoformat(moved.body["lines"][0]["turnover_ends_at"])
    assert next(c for c in kit_claims("brow kit 2") if c[0] == "soak")[1] == over + 15 * MINUTE


@pytest.mark.parametrize(
    "wrong",
    [
        "25:00",
        "noon",
        "11:00:30",
        "11:00Z",
        " ".join(f"{h:02}:{m:02}" for h in range(5) for m in range(0, 30, 5)),
    ],
)
def test_set_times_are_wall_times(call, wrong):
    there = call("lena").get(f"locations/{LAKE}")
    refused = call("lena").patch(
        f"locations/{LAKE}", {"policies": {"kit_set_times": wrong}}, If_Match=there["ETag"]
    )
    assert refused.body["errors"][0]["pointer"] == "/policies/kit_set_times"


def test_more_kits_than_the_bath_takes_go_in_one_batch_after_the_other(now):
    way = WayBack(wash=5, contact=10, rinse_and_dry=3, capacity=2)
    assert way.of(now, 2).lifted_at == now + 15 * MINUTE
    assert way.of(now, 3).lifted_at == now + 25 * MINUTE
    soaking = (Period(now, now + 7 * MINUTE),)
    some = replace(way, soaking=soaking)
    assert some.of(now, 1).soaks_at == now + 5 * MINUTE  # a place beside it
    assert some.of(now, 2).soaks_at == now + 7 * MINUTE  # none for two


def test_set_times_mean_what_the_wall_clock_says_over_a_change_of_the_clocks():
    # On 8 March 2026 02:30 does not exist in Chicago: 03:30 daylight time, 08:30 UTC (IANA data, PEP 495).
    way = WayBack(contact=10, set_times=(time(2, 30),), zone="America/Chicago")
    for at, soaks in (
        (datetime(2026, 3, 8, 7, 0, tzinfo=UTC), datetime(2026, 3, 8, 8, 30, tzinfo=UTC)),
        (datetime(2026, 3, 8, 9, 0, tzinfo=UTC), datetime(2026, 3, 9, 7, 30, tzinfo=UTC)),
        # On 1 November 01:30 comes twice; half past two comes once, at 08:30 UTC.
        (datetime(2026, 11, 1, 5, 0, tzinfo=UTC), datetime(2026, 11, 1, 8, 30, tzinfo=UTC)),
    ):
        assert way.of(at).soaks_at == soaks
