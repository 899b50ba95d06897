"""Holding an option over HTTP: it keeps others off for its minutes, and never a second longer."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import connection

from services.actions.holds import KEPT_AFTER, MOST_HOLDS
from services.models import Hold
from services.tasks import sweep_holds
from spa_ops.claims.models import Claim
from spa_ops.kernel import clock
from spa_ops.tenancy import actions as tenancy
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.builders import house_policy
from tests.services.day import book, line
from tests.world import BUSINESS, LAKE, actor, uid

PATH = f"locations/{LAKE}/holds"
MINUTE = timedelta(minutes=1)


def hold(call, now, *lines, by="freya", client=None, **headers):
    body = {"lines": list(lines) or [line(now)]}
    if client:
        body["client_id"] = str(uid(client))
    return call(by).post(PATH, body, **headers)


def confirm(call, now, held, *lines, by="freya", client="cora", **headers):
    body = {"client_id": str(uid(client)), "lines": list(lines) or [line(now)]}
    return call(by).post(f"locations/{LAKE}/visits", body | {"hold_id": held["id"]}, **headers)


def claims(**conditions) -> int:
    with reading(BUSINESS):
        return Claim.objects.filter(**conditions).count()


def slug(answer):
    return answer.body["type"].removeprefix("/problems/")


def test_what_is_held_is_nobody_elses_and_says_whose_and_until_when(call, now):
    held = hold(call, now, client="cora")
    assert held.status_code == 201, held.body
    until = (now + 5 * MINUTE).isoformat().replace("+00:00", ".000000Z")
    assert (held.body["expires_at"], held.body["held_by"]) == (until, "Freya")
    clash = book(call, now, by="lena", client="celia")
    assert slug(clash) == "claim-clash"
    assert {(c["kind"], c["held_by"], c["hold_id"]) for c in clash.body["clashes"]} == {
        (kind, "Freya", held.body["id"]) for kind in ("practitioner", "room", "kit")
    }
    assert "held by Freya until" in clash.body["detail"]
    # Neither the answer nor the list says for which client.
    listed = call("petra").get(PATH).body["items"]
    assert [h["id"] for h in listed] == [held.body["id"]]
    assert str(uid("cora")) not in str(clash.body) + str(listed)
    # Their own time is held as well.
    other = line(now, who="lena", room="room 2", kit="brow kit 2")
    assert {c["kind"] for c in book(call, now, other, by="lena").body["clashes"]} == {"client"}
    offered = call("lena").post(
        f"locations/{LAKE}/availability",
        {"client_id": str(uid("celia")), "lines": [{k: line(now)[k] for k in ("service_id", "practitioner_id")}],
         "from": line(now)["starts_at"], "limit": 1},
    )  # fmt: skip
    assert offered.body["options"][0]["starts_at"] > line(now)["starts_at"]


def test_a_hold_is_booked_in_one_step_and_only_once(call, now):
    held = hold(call, now, client="cora").body
    made = confirm(call, now, held, Idempotency_Key="once")
    assert made.status_code == 201, made.body
    again = confirm(call, now, held, Idempotency_Key="once")
    assert (again.status_code, again.body) == (201, made.body)
    assert claims(hold_expires_at__isnull=False) == 0
    assert claims(visit_id=made.body["id"]) == 8
    other = confirm(call, now, held, client="celia")
    assert (slug(other), other.body["state"]) == ("hold-over", "booked")
    assert slug(call("freya").post(f"holds/{held['id']}/release")) == "hold-over"
    assert claims(visit_id=made.body["id"]) == 8
    assert call("freya").get(PATH).body["items"] == []


def test_fewer_lines_may_be_booked_and_for_another_client_but_nothing_else(call, now):
    lines = [line(now), line(now, "lip wax", minutes=None, kit=None)]
    held = hold(call, now, *lines, client="cora").body
    lena = line(now, who="lena")
    late = line(now, minutes=600)
    for wrong in (
        [lena],
        [late],
        [*lines, lines[1]],
        [lines[1] | {"starts_at": late["starts_at"]}],
    ):
        assert slug(confirm(call, now, held, *wrong)) in {"hold-differs", "outside-opening-hours"}
    assert claims(visit_id=held["id"]) > 0
    made = confirm(call, now, held, line(now, "lip wax", kit=None), client="celia")
    assert made.status_code == 201, made.body
    assert claims(visit_id=held["id"]) == 0
    assert len(made.body["lines"]) == 1


def test_one_that_has_run_out_is_in_nobodys_way_and_is_swept_up(call, now):
    held = hold(call, now, client="cora").body
    with clock.stopped_at(now + 5 * MINUTE - timedelta(seconds=1)):
        assert book(call, now, client="celia").status_code == 409
    with clock.stopped_at(now + 5 * MINUTE):
        over = confirm(call, now, held)
        assert (slug(over), over.body["state"]) == ("hold-over", "expired")
        assert slug(call("freya").post(f"holds/{held['id']}/release")) == "hold-over"
        assert call("freya").get(PATH).body["items"] == []
        assert claims(visit_id=held["id"]) > 0  # the rows are still there
        # Longer than what was held, and elsewhere in part: the constraint meets the old rows.
        wide = [line(now, minutes=50), line(now, "lip wax", kit=None, minutes=None)]
        made = book(call, now, *wide, client="celia")
        assert made.status_code == 201, made.body
        assert sweep_holds() == 1
        assert claims(visit_id=held["id"]) == 0
        assert sweep_holds() == 0
    with clock.stopped_at(now + 6 * MINUTE + KEPT_AFTER):
        assert sweep_holds() == 1
        assert call("freya").post(f"holds/{held['id']}/release").status_code == 404
    with reading(BUSINESS):
        assert not Hold.objects.exists()


def test_only_who_holds_books_and_who_holds_or_a_lead_releases(call, now):
    held = hold(call, now).body
    refused = confirm(call, now, held, by="petra")
    assert (slug(refused), refused.body["held_by"]) == ("held-by-another", "Freya")
    assert slug(call("petra").post(f"holds/{held['id']}/release")) == "held-by-another"
    assert call("henk").post(f"holds/{held['id']}/release").status_code == 404
    assert call("stranger").post(f"holds/{held['id']}/release").status_code == 404
    assert call("stranger").get(PATH).status_code == 404
    assert claims(visit_id=held["id"]) > 0
    assert slug(confirm(call, now, held, by="lena")) == "held-by-another"
    assert call("lena").post(f"holds/{held['id']}/release").body["state"] == "released"
    assert claims(visit_id=held["id"]) == 0
    assert book(call, now, client="celia").status_code == 201


def test_a_device_holds_under_its_own_name_whoever_acts(call, now):
    issued = tenancy.register_device(
        actor=actor("lena"), now=now, location_id=LAKE, name="front desk"
    )
    for who in ("petra", "freya"):
        done = Caller(issued.secret).post(
            "device/unlock", {"person_id": str(uid(who)), "pin": "2468"}
        )
        assert done.status_code == 200, done.body
    petra, freya = (
        Caller(issued.secret, **{"Acting-Person": str(uid(who))}) for who in ("petra", "freya")
    )
    held = petra.post(PATH, {"lines": [line(now)]}).body
    assert held["held_by"] == "front desk"
    body = {"client_id": str(uid("cora")), "lines": [line(now)], "hold_id": held["id"]}
    assert freya.post(f"locations/{LAKE}/visits", body).status_code == 201


def test_a_device_holds_a_few_at_a_time_and_the_house_says_how_long(call, now):
    starts = [line(now, minutes=60 + 60 * n, kit="brow kit 1") for n in range(MOST_HOLDS + 1)]
    for start in starts[:MOST_HOLDS]:
        assert hold(call, now, start).status_code == 201
    assert slug(hold(call, now, starts[-1])) == "too-many-holds"
    assert hold(call, now, starts[-1], by="lena").status_code == 201
    with clock.stopped_at(now + 5 * MINUTE):
        house_policy(hold_minutes=15)
        longer = hold(call, now, starts[0] | {"room_id": str(uid("room 2"))}).body
        assert longer["expires_at"].startswith((now + 20 * MINUTE).strftime("%Y-%m-%dT%H:%M"))
    for wrong in (0, 16):
        patched = call("olga").get(f"locations/{LAKE}")
        refused = call("olga").patch(
            f"locations/{LAKE}", {"policies": {"hold_minutes": wrong}}, If_Match=patched["ETag"]
        )
        assert refused.status_code == 422, refused.body


@pytest.mark.parametrize(
    ("wrong", "slugs"),
    [
        ({"lines": []}, "invalid-input"),
        ({"minutes": 60}, "invalid-input"),
        ({"client_id": str(uid("nobody"))}, "unknown-reference"),
    ],
)
def test_what_cannot_be_held_says_why_and_takes_nothing(call, now, wrong, slugs):
    refused = call("freya").post(PATH, {"lines": [line(now)]} | wrong)
    assert slug(refused) == slugs
    past = call("freya").post(PATH, {"lines": [line(now, minutes=-5)]})
    assert slug(past) == "in-the-past"
    assert claims(visit_id__isnull=False) == 0


def at_once(*bodies):
    gate = threading.Barrier(len(bodies))

    def one(body):
        gate.wait(30)
        try:
            return body()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(bodies)) as pool:
        return list(pool.map(one, bodies))


def test_two_desks_at_once_hold_and_book_the_same_time_and_one_has_it(own_database, now):
    freya, lena = Caller(secret_of("freya")), Caller(secret_of("lena"))
    visits = f"locations/{LAKE}/visits"
    for n in range(8):
        lines = [line(now, minutes=60 + 40 * n, kit=None, service="lip wax")]
        body = {"client_id": str(uid("cora")), "lines": lines}
        found = at_once(
            lambda body=body: freya.post(PATH, body), lambda body=body: lena.post(visits, body)
        )
        assert sorted(a.status_code for a in found) == [201, 409], [a.body for a in found]
        held = found[0].body
        if found[0].status_code == 201:
            confirmed = body | {"hold_id": held["id"]}
            twice = at_once(*[lambda c=confirmed: freya.post(visits, c)] * 2)
            assert sorted(a.status_code for a in twice) == [201, 409], [a.body for a in twice]
    assert count(BUSINESS, "services_visit") == 8
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_one_device_does_not_get_past_its_number_by_asking_at_once(own_database, now):
    freya = Caller(secret_of("freya"))
    lines = [
        line(now, "lip wax", who, room, kit=None, minutes=60 + 60 * n)
        for who, room in (("petra", "room 1"), ("lena", "room 2"))
        for n in range(MOST_HOLDS)
    ]
    found = at_once(*[lambda x=x: freya.post(PATH, {"lines": [x]}) for x in lines])
    # On a slow machine one may wait for longer than anybody is made to: it is told to ask again.
    found = [
        freya.post(PATH, {"lines": [x]}) if a.body.get("type") == "/problems/busy" else a
        for x, a in zip(lines, found, strict=True)
    ]
    statuses = sorted(a.status_code for a in found)
    assert statuses == [201] * MOST_HOLDS + [409] * MOST_HOLDS, [a.body for a in found]
    assert count(BUSINESS, "services_hold") == MOST_HOLDS


def test_of_two_who_take_over_what_ran_out_at_once_one_has_it(own_database, now):
    freya, lena = Caller(secret_of("freya")), Caller(secret_of("lena"))
    for n in range(5):
        lines = [line(now, "lip wax", kit=None, minutes=60 + 40 * n)]
        assert freya.post(PATH, {"lines": lines}).status_code == 201
    with clock.stopped_at(now + 5 * MINUTE):
        for n in range(5):
            lines = [line(now, "lip wax", kit=None, minutes=62 + 40 * n)]
            bodies = [{"client_id": str(uid(who)), "lines": lines} for who in ("cora", "celia")]
            posts = [
                lambda c=c, b=b: c.post(f"locations/{LAKE}/visits", b)
                for c, b in zip((freya, lena), bodies, strict=True)
            ]
            found = at_once(*posts, sweep_holds)
            assert sorted(a.status_code for a in found[:2]) == [201, 409]
    assert flaws(BUSINESS, LAKE, BUSINESS) == []
