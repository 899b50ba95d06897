"""Skills and weekly shifts over HTTP, and what plans ask of them."""

import json
import threading
from datetime import date, datetime, time, timedelta
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from services.actions import team as actions
from services.models import Duty, Shift
from services.queries import team
from spa_ops.claims.models import Bookable
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Role
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Location, Membership
from spa_ops.unit.work import reading
from tests.services.day import book
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid
from tests.world_clients import PLACES, SKILLS, ada

WEDNESDAY = date(2026, 5, 6)
SUNDAY = {
    "person_id": str(uid("petra")),
    "weekday": 6,
    "starts": "10:00",
    "ends": "14:00",
    "valid_from": "2026-05-01",
}
AT_LAKE = f"locations/{LAKE}/shifts"


def entries(kind, subject, since=0):
    """(chain, facts) of the entries of a kind about a subject, oldest first."""
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT chain_id, facts FROM ledger_entry WHERE kind = %s AND subject_id = %s ORDER BY n",
            [kind, subject],
        )
        return [(chain, json.loads(facts)) for chain, facts in cursor.fetchall()][since:]


def skill_of(caller, person, service):
    found = caller.get(f"people/{uid(person)}/skills").body["items"]
    return next((s for s in found if s["service_id"] == str(uid(service))), None)


def has_skill(person, service, at):
    with reading(BUSINESS):
        return team.has_skill(uid(person), uid(service), at)


# Skills


def test_a_skill_is_granted_ended_and_granted_again(call, now):
    lena, path = call("lena"), f"people/{uid('pavel')}/skills"
    granted = lena.post(path, {"service_id": str(uid("facial"))})
    assert (granted.status_code, granted.body["ended_at"]) == (201, None)
    assert has_skill("pavel", "facial", now)
    # Said twice is said once.
    assert lena.post(path, {"service_id": str(uid("facial"))}).body == granted.body
    with clock.stopped_at(now + timedelta(hours=1)):
        ended = lena.post(f"skills/{granted.body['id']}/end")
    assert (ended.status_code, ended.body["ended_at"]) == (200, "2026-05-06T18:00:00.000000Z")
    assert has_skill("pavel", "facial", now + timedelta(minutes=59))
    assert not has_skill("pavel", "facial", now + timedelta(hours=1))
    again = lena.post(f"skills/{granted.body['id']}/end")
    assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")
    back = lena.post(path, {"service_id": str(uid("facial"))}).body
    assert (back["id"], back["ended_at"], back["version"]) == (granted.body["id"], None, 3)
    chains = {c for c, _ in entries("skill.granted", uid("pavel"))}
    assert (chains, len(entries("skill.ended", uid("pavel")))) == ({BUSINESS}, 1)


def test_the_world_has_the_skills_that_tests_count_on(db, now):
    assert has_skill("petra", "light peel", now)
    assert has_skill("pavel", "brow wax", now)
    assert not has_skill("pavel", "facial", now)
    assert not has_skill("ada", "brow wax", now)
    assert not has_skill("petra", "nothing", now)


def test_only_practitioners_and_leads_perform(call):
    refused = call("lena").post(f"people/{uid('freya')}/skills", {"service_id": str(uid("facial"))})
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")
    assert refused.body["state"] == "front_desk"
    given = {"service_id": str(uid("facial"))}
    assert call("henk").post(f"people/{uid('henk')}/skills", given).status_code == 201


def test_a_skill_for_what_is_not_there_or_no_longer_offered(call):
    lena, path = call("lena"), f"people/{uid('pavel')}/skills"
    assert lena.post(path, {"service_id": str(uuid4())}).status_code == 404
    assert lena.post(path, {}).status_code == 422
    lip = f"services/{uid('lip wax')}"
    assert lena.post(f"{lip}/retire", If_Match=lena.get(lip)["ETag"]).status_code == 200
    refused = lena.post(path, {"service_id": str(uid("lip wax"))})
    assert refused.body["type"] == "/problems/wrong-state"


def test_leads_write_for_their_own_people_only(call):
    given = {"service_id": str(uid("facial"))}
    assert call("henk").post(f"people/{uid('pavel')}/skills", given).status_code == 404
    petras = skill_of(call("henk"), "petra", "facial")
    assert call("henk").post(f"skills/{petras['id']}/end").status_code == 404
    for who in ("freya", "petra", "inga"):
        assert call(who).post(f"people/{uid('pavel')}/skills", given).status_code == 403
        assert call(who).post(f"skills/{petras['id']}/end").status_code == 403
    stranger = call("stranger")
    assert stranger.get(f"people/{uid('petra')}/skills").status_code == 404
    assert stranger.post(f"people/{uid('petra')}/skills", given).status_code == 404
    assert stranger.post(f"skills/{petras['id']}/end").status_code == 404
    assert call("inga").get(f"people/{uid('petra')}/skills").status_code == 403


def test_who_may_perform_can_be_booked(call, now):
    person = tenancy.add_person(actor=actor("lena"), now=now, name="Invented Nell")
    path = f"people/{person.id}"
    given = {"role": "practitioner", "location_id": str(LAKE)}
    assert call("lena").post(f"{path}/memberships", given).status_code == 201
    with reading(BUSINESS):
        assert not Bookable.objects.filter(id=person.id).exists()
    for service in ("facial", "lip wax"):
        granted = call("lena").post(f"{path}/skills", {"service_id": str(uid(service))})
        assert granted.status_code == 201, granted.body
    with reading(BUSINESS):
        assert Bookable.objects.get(id=person.id).kind == "practitioner"
        assert Bookable.objects.get(id=uid("ada")).kind == "practitioner"


def test_a_list_of_skills_takes_the_same_statements_however_many_rows(call):
    def statements(person):
        with CaptureQueriesContext(connection) as caught:
            call("lena").get(f"people/{uid(person)}/skills")
        return len(caught)

    call("lena")
    assert len(SKILLS["petra"]) > len(SKILLS["pavel"])
    assert statements("pavel") == statements("petra")


# Shifts


def test_a_shift_is_added_changed_and_ended(call):
    lena = call("lena")
    added = lena.post(AT_LAKE, SUNDAY)
    assert added.status_code == 201, added.body
    body = added.body
    assert (body["duty"], body["starts"], body["ends"]) == ("practitioner", "10:00", "14:00")
    path = f"shifts/{body['id']}"
    assert lena.patch(path, {"ends": "15:00"}).status_code == 428
    changed = lena.patch(path, {"ends": "15:00"}, If_Match=added["ETag"])
    assert (changed.status_code, changed.body["ends"]) == (200, "15:00")
    assert lena.patch(path, {"ends": "16:00"}, If_Match=added["ETag"]).status_code == 412
    end = {"valid_until": "2026-05-24"}
    assert lena.post(f"{path}/end", end).status_code == 428
    ended = lena.post(f"{path}/end", end, If_Match=changed["ETag"])
    assert (ended.status_code, ended.body["valid_until"]) == (200, "2026-05-24")
    later = lena.post(f"{path}/end", {"valid_until": "2026-06-24"}, If_Match=ended["ETag"])
    assert (later.status_code, later.body["errors"][0]["pointer"]) == (422, "/valid_until")
    before = lena.post(f"{path}/end", {"valid_until": "2026-04-24"}, If_Match=ended["ETag"])
    assert before.status_code == 422
    assert lena.get(path).body == ended.body
    ((chain, facts),) = entries("shift.added", uid("petra"), since=6)
    assert (chain, facts["starts"], facts["weekday"]) == (LAKE, "10:00", 6)
    assert len(entries("shift.changed", uid("petra"))) == 1
    assert len(entries("shift.ended", uid("petra"))) == 1


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"weekday": 7}, "/weekday"),
        ({"starts": "24:00"}, "/starts"),
        ({"starts": "9 am"}, "/starts"),
        ({"ends": "10:00"}, "/ends"),
        ({"valid_until": "2026-05-01"}, "/valid_until"),
        ({"valid_from": "1 May"}, "/valid_from"),
        ({"valid_from": "9999-12-31"}, "/valid_from"),
        ({"valid_from": "0001-01-01"}, "/valid_from"),
        ({"duty": "owner"}, "/duty"),
        ({"from": "10:00"}, "/from"),
        ({"weekday": 2}, "/starts"),  # Wednesday 09:00-19:00 is hers already
        ({"weekday": 5, "starts": "18:59"}, "/starts"),  # past midnight from Saturday
        ({"starts": "20:00", "ends": "09:01"}, "/starts"),  # into Monday's shift
    ],
)
def test_a_wrong_shift_is_named_by_pointer_and_changes_nothing(call, wrong, pointer):
    lena = call("lena")
    with reading(BUSINESS):
        before = Shift.objects.count()
    refused = lena.post(AT_LAKE, SUNDAY | wrong)
    assert refused.status_code == 422, refused.body
    assert [e["pointer"] for e in refused.body["errors"]] == [pointer]
    with reading(BUSINESS):
        assert Shift.objects.count() == before


def test_shifts_may_touch_and_may_follow_each_other(call):
    lena = call("lena")
    for starts, ends in (("19:00", "21:00"), ("21:00", "09:00")):
        given = SUNDAY | {"weekday": 2, "starts": starts, "ends": ends}
        assert lena.post(AT_LAKE, given).status_code == 201


def test_a_person_does_not_work_at_two_places_at_once(call, now):
    tenancy.grant_membership(
        actor=actor("olga"),
        now=now,
        person_id=uid("petra"),
        role=Role.PRACTITIONER,
        location_id=HARBOR,
    )
    at_harbor = f"locations/{HARBOR}/shifts"
    # New York is an hour ahead: 19:00 in Chicago is 20:00 there.
    given = SUNDAY | {"weekday": 2, "starts": "19:00", "ends": "20:30"}
    refused = call("henk").post(at_harbor, given)
    assert (refused.status_code, refused.body["errors"][0]["code"]) == (422, "overlaps")
    assert call("henk").post(at_harbor, given | {"starts": "20:00"}).status_code == 201


def test_a_changed_shift_is_checked_like_a_new_one_but_not_against_itself(call):
    lena = call("lena")
    path = f"shifts/{uid('petra 2')}"
    etag = lena.get(path)["ETag"]
    assert lena.patch(path, {"weekday": 3}, If_Match=etag).status_code == 422
    assert lena.patch(path, {"ends": "09:00"}, If_Match=etag).status_code == 422
    assert lena.patch(path, {"starts": "09:30"}, If_Match=etag).status_code == 200


def test_a_duty_needs_a_role_at_the_place(call):
    lena = call("lena")
    desk = SUNDAY | {"person_id": str(uid("freya"))}
    refused = lena.post(AT_LAKE, desk)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")
    assert lena.post(AT_LAKE, desk | {"duty": "attendant"}).status_code == 201
    assert lena.post(AT_LAKE, SUNDAY | {"person_id": str(uid("hana"))}).status_code == 404
    assert lena.post(AT_LAKE, SUNDAY | {"person_id": str(uuid4())}).status_code == 404


def test_shifts_are_written_at_the_own_place_by_leads_and_the_owner(call):
    path = f"shifts/{uid('petra 2')}"
    henk = call("henk")
    assert henk.post(AT_LAKE, SUNDAY).status_code == 404
    assert henk.get(AT_LAKE).status_code == 404
    assert henk.get(path).status_code == 404
    assert henk.patch(path, {"ends": "15:00"}, If_Match='"1"').status_code == 404
    assert (
        henk.post(f"{path}/end", {"valid_until": "2026-06-01"}, If_Match='"1"').status_code == 404
    )
    for who in ("freya", "petra", "inga"):
        assert call(who).post(AT_LAKE, SUNDAY).status_code == 403
        assert call(who).patch(path, {"ends": "15:00"}, If_Match='"1"').status_code == 403
    assert call("inga").get(AT_LAKE).status_code == 403
    assert call("freya").get(AT_LAKE).status_code == 200
    assert call("stranger").get(AT_LAKE).status_code == 404
    assert call("stranger").post(AT_LAKE, SUNDAY).status_code == 404
    assert call("olga").post(AT_LAKE, SUNDAY).status_code == 201


def test_the_list_is_of_one_week_monday_first(call):
    lena = call("lena")
    one_sunday = {"valid_from": "2026-05-10", "valid_until": "2026-05-11"}
    lena.post(AT_LAKE, SUNDAY | one_sunday)

    def week(day=""):
        return lena.get(f"{AT_LAKE}?limit=200&week={day}").body["items"]

    this = week()
    assert [s["weekday"] for s in this] == sorted(s["weekday"] for s in this)
    at_lake = [name for name, place in PLACES.items() if place == LAKE]
    assert len(this) == 6 * (len(at_lake) + 1) + 1
    assert this[-1]["person_id"] == str(uid("petra"))
    assert week("2026-05-10") == week("2026-05-04") == this
    assert len(week("2026-05-11")) == len(this) - 1
    assert week("2025-12-31") == []
    # The first of them began on Monday 5 January 2026.
    assert len(week("2026-01-05")) == len(this) - 1
    assert lena.get(f"{AT_LAKE}?week=soon").status_code == 422
    assert week("0001-01-01") == []
    assert len(week("9999-12-31")) == len(this) - 1


def test_the_list_takes_the_same_statements_however_many_rows(call):
    lena = call("lena")

    def statements(week):
        with CaptureQueriesContext(connection) as caught:
            lena.get(f"{AT_LAKE}?week={week}")
        return len(caught)

    assert statements("2025-12-31") == statements("2026-05-06")


# What plans ask


def chicago(hour, minute=0, day=WEDNESDAY):
    return datetime.combine(day, time(hour, minute), ZoneInfo("America/Chicago"))


def span(start, end):
    return Period(chicago(*start), chicago(*end))


def test_who_is_on_shift_on_a_day_in_instants(db):
    with reading(BUSINESS):
        found = team.shifts_on(LAKE, WEDNESDAY)
        assert team.shifts_on(LAKE, WEDNESDAY + timedelta(days=4)) == []
    # Noon in Chicago is 17:00 UTC in May.
    hours = {(s.person_id, s.duty): (s.period.start.hour, s.period.end.hour) for s in found}
    assert hours == {
        (uid("lena"), Duty.PRACTITIONER): (14, 0),
        (uid("petra"), Duty.PRACTITIONER): (14, 0),
        (uid("pavel"), Duty.PRACTITIONER): (14, 0),
        (uid("ada"), Duty.ATTENDANT): (14, 17),
    }


def test_a_practitioner_is_on_shift_for_all_of_a_period_or_not(db):
    with reading(BUSINESS):
        assert team.on_shift(uid("petra"), LAKE, span((9,), (19,)))
        assert not team.on_shift(uid("petra"), LAKE, span((8, 59), (10,)))
        assert not team.on_shift(uid("petra"), LAKE, span((18,), (19, 1)))
        assert not team.on_shift(uid("petra"), HARBOR, span((10,), (11,)))
        assert not team.on_shift(uid("freya"), LAKE, span((10,), (11,)))
        # Setting up for others is another duty than performing.
        assert not team.on_shift(uid("ada"), LAKE, span((10,), (11,)))
        assert team.on_shift(uid("ada"), LAKE, span((10,), (11,)), Duty.ATTENDANT)


def test_the_attendant_is_there_in_the_mornings(db):
    with reading(BUSINESS):
        assert team.attendants_on_shift(LAKE, span((9,), (9, 5))) == [uid("ada")]
        assert team.attendants_on_shift(LAKE, span((11, 50), (12,))) == [uid("ada")]
        assert team.attendants_on_shift(LAKE, span((11, 55), (12, 5))) == []
        assert team.attendants_on_shift(HARBOR, span((9,), (9, 5))) == []


def test_one_statement_answers_each(db):
    with reading(BUSINESS):
        for ask in (
            lambda: team.shifts_on(LAKE, WEDNESDAY),
            lambda: team.on_shift(uid("petra"), LAKE, span((9,), (19,))),
            lambda: team.attendants_on_shift(LAKE, span((9,), (9, 5))),
            lambda: team.has_skill(uid("petra"), uid("facial"), clock.now()),
        ):
            with CaptureQueriesContext(connection) as caught:
                ask()
            assert len(caught) == 1


def test_eight_leads_add_the_same_hours_at_once_and_one_wins(own_database, now):
    outcomes = []

    def add():
        given = {"weekday": 6, "starts": time(10), "ends": time(14)}
        try:
            actions.add_shift(
                actor=actor("lena"), now=now, person_id=uid("petra"), location_id=LAKE, **given
            )
            outcomes.append("added")
        except InvalidInput:
            outcomes.append("overlaps")
        finally:
            connection.close()

    threads = [threading.Thread(target=add) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["added"] + ["overlaps"] * 7


def test_ada_acts_with_a_practitioners_rights_at_lake(db):
    with reading(BUSINESS):
        assert team.roles_in_reach(ada().person_id, actor("lena"), clock.now()) == {ada().role}
        assert Location.objects.get(id=ada().location_id).name == "Lake"


def test_who_left_the_team_is_booked_no_more_until_taken_on_again(call, now):
    with reading(BUSINESS):
        role = Membership.objects.get(person_id=uid("petra"))
    lena = call("lena")
    ended = lena.post(f"memberships/{role.id}/end")
    assert ended.status_code == 200
    refused = book(call, now)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/off-shift")
    again = lena.post(
        f"people/{uid('petra')}/memberships", {"role": "practitioner", "location_id": str(LAKE)}
    )
    assert again.status_code == 201
    assert book(call, now).status_code == 201
