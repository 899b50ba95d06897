"""What lines use of the stock: by the set-up list, as the record says, of what stood open; once."""

from datetime import timedelta
from decimal import Decimal

from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.models import Client
from rooms.models import StockMovement
from rooms.rules.stock import plain
from services.actions import stock
from services.models import LineState, LineUse, LineUseDue, VisitState
from services.tasks import book_uses
from spa_ops.kernel import clock
from spa_ops.unit.rows import insert
from spa_ops.unit.work import reading
from tests.rooms.stock import GEL, STRIPS, add, balance, count, done, lots, open_it, receive
from tests.services import builders as build
from tests.services.day import GLOVED, RECORD, WASHED, all_no, consult, hair, in_room
from tests.services.day import line as planned
from tests.services.test_merging import declares
from tests.services.test_set_up import items
from tests.world import BUSINESS, LAKE, uid

#: Common practice, no source, as the set-up file says: a brow is four sections of the small size,
#: hard wax goes on twice.
APPLICATORS = {
    "name": "Invented applicators, small", "part": "professional", "unit": "piece",
    "code": "wax_applicator", "size": "small", "uses_each": "1", "pack_size": "500", "lead_days": 5,
}  # fmt: skip
GLOVES = {
    "name": "Invented gloves", "part": "professional", "unit": "pair", "code": "gloves",
    "uses_each": "1", "pack_size": "50", "lead_days": 3,
}  # fmt: skip
PLAIN = {k: v for k, v in RECORD.items() if k != "applicators"}


def finished(call, now, record=PLAIN, minutes=20):
    """A brow wax, begun now and ended `minutes` later; gives its visit."""
    visit = in_room(call, now)
    consult(call, visit)
    done(call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED))
    with clock.stopped_at(now + timedelta(minutes=minutes)):
        return finish(call, visit, record)


def finish(call, visit, record=PLAIN):
    said = {"record": record, **WASHED}
    return done(call("petra").post(f"lines/{visit['lines'][0]['id']}/finish", said))


def used(item_id):
    """What stands of an item: (lot number or None, quantity)."""
    with reading(BUSINESS):
        rows = LineUse.objects.filter(item_id=item_id, stands=True).select_related("lot")
        found = sorted((u.lot.number if u.lot else "", plain(u.quantity)) for u in rows)
        moved = sum((m.quantity for m in StockMovement.objects.filter(item_id=item_id, line_id__isnull=False)), Decimal(0))  # fmt: skip
        assert -moved == sum((Decimal(q) for _, q in found), Decimal(0))
    return found


def test_a_finished_line_uses_what_its_set_up_list_has(call, now):
    applicators, gloves = add(call, APPLICATORS), add(call, GLOVES)
    gel = add(call, GEL)
    for item, amount in ((applicators, "500"), (gloves, "50"), (gel, "250")):
        receive(call, item, amount, lot_number="A", expires_on="2027-03-31")
        open_it(call, item)
    finished(call, now)
    assert balance(call, applicators)["total"] == "500"
    assert book_uses() == 1
    # Four sections twice; a pair and a spare; three millilitres each visit of what stays.
    assert (used(applicators), used(gloves), used(gel)) == (
        [("A", "8")],
        [("A", "2")],
        [("A", "3")],
    )
    assert lots(call, applicators) == {"A": "492"}


def test_it_is_booked_once_whatever_is_repeated(call, now):
    applicators = add(call, APPLICATORS)
    visit = finished(call, now)
    assert (book_uses(), book_uses()) == (1, 0)
    with reading(BUSINESS):
        LineUseDue(
            business_id=BUSINESS, line_id=visit["lines"][0]["id"], location_id=LAKE, since=now
        ).save(force_insert=True)
    assert book_uses() == 1
    assert used(applicators) == [("", "8")]
    with reading(BUSINESS):
        assert StockMovement.objects.filter(item_id=applicators).count() == 1


def test_the_record_says_how_many_applicators(call, now):
    applicators = add(call, APPLICATORS)
    finished(call, now, RECORD)
    book_uses()
    assert used(applicators) == [("", "4")]


def test_what_a_record_names_is_what_was_used(call, now):
    gel, gloves = add(call, GEL), add(call, GLOVES)
    receive(call, gel, "250", lot_number="HERE", expires_on="2027-03-31")
    receive(call, gel, "250", lot_number="OLD", expires_on="2026-05-20")
    old = open_it(call, gel, "room 2")
    here = open_it(call, gel)
    assert here["lot_id"] != old["lot_id"]
    record = PLAIN | {"used": [{"container_id": old["id"], "amount": "10"}, {"item_id": gloves, "amount": "0"}]}  # fmt: skip
    visit = finished(call, now, record)
    book_uses()
    assert (used(gel), used(gloves)) == ([("OLD", "10")], [])
    # A later record puts it right: the difference is moved, and both stay on record.
    line = visit["lines"][0]["id"]
    with clock.stopped_at(now + timedelta(hours=1)):
        record = PLAIN | {"used": [{"lot_id": here["lot_id"]}]}
        done(call("petra").post(f"lines/{line}/work-records", record))
        assert book_uses() == 1
    assert used(gel) == [("HERE", "3")]
    found = done(call("petra").get(f"locations/{LAKE}/open-containers?open=true"))["items"]
    assert {c["id"]: c["left"] for c in found} == {old["id"]: "250", here["id"]: "247"}


def test_a_record_that_names_what_is_not_here_is_refused(call, now):
    gel, strips = add(call, GEL), add(call, STRIPS)
    receive(call, gel, "250", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    done(call("petra").post(f"{path}/start", GLOVED))
    for named in ({}, {"item_id": strips, "container_id": jar["id"]}):
        said = {"record": PLAIN | {"used": [named]}, **WASHED}
        refused = call("petra").post(f"{path}/finish", said)
        assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/used/0")
    said = {"record": PLAIN | {"used": [{"lot_id": str(uid("nowhere"))}]}, **WASHED}
    assert call("petra").post(f"{path}/finish", said).status_code == 404
    finish(call, visit)


def test_lines_use_what_stood_in_their_room_then(call, now):
    gel = add(call, GEL)
    receive(call, gel, "250", lot_number="ONE", expires_on="2026-08-31")
    receive(call, gel, "250", lot_number="TWO", expires_on="2027-08-31")
    one = open_it(call, gel, "room 2")
    # Moved in before the work began, out and replaced after it ended and before it was booked.
    done(call("petra").post(f"open-containers/{one['id']}/move", {"room_id": str(uid("room 1"))}))
    finished(call, now)
    with clock.stopped_at(now + timedelta(hours=1)):
        done(call("petra").post(f"open-containers/{one['id']}/close", {"reason": "empty"}))
        open_it(call, gel)
        book_uses()
    assert used(gel) == [("ONE", "3")]


def test_what_was_emptied_while_the_work_went_on_touched_the_client_as_well(call, now):
    gel = add(call, GEL)
    receive(call, gel, "250", lot_number="ONE", expires_on="2026-08-31")
    receive(call, gel, "250", lot_number="TWO", expires_on="2027-08-31")
    one = open_it(call, gel)
    visit = in_room(call, now)
    consult(call, visit)
    done(call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED))
    with clock.stopped_at(now + timedelta(minutes=10)):
        done(call("petra").post(f"open-containers/{one['id']}/close", {"reason": "empty"}))
        open_it(call, gel)
    with clock.stopped_at(now + timedelta(minutes=20)):
        finish(call, visit)
        book_uses()
    assert used(gel) == [("ONE", "0"), ("TWO", "3")]


def test_what_is_past_its_date_is_not_presumed_used(call, now):
    gel = add(call, GEL, days_after_opening=1, months_after_opening=None)
    receive(call, gel, "250", lot_number="A", expires_on="2027-03-31")
    open_it(call, gel, at=(now - timedelta(days=3)).isoformat())
    finished(call, now)
    book_uses()
    assert used(gel) == [("", "3")]


def test_a_line_that_was_struck_out_used_nothing(call, now):
    applicators = add(call, APPLICATORS)
    receive(call, applicators, "500", lot_number="A", expires_on="2027-03-31")
    open_it(call, applicators)
    visit = finished(call, now)
    book_uses()
    line = visit["lines"][0]["id"]
    done(call("petra").post(f"lines/{line}/strike-out", {"reason": "tapped by mistake"}))
    assert book_uses() == 1
    assert used(applicators) == []
    assert lots(call, applicators) == {"A": "500"}
    finish(call, visit)
    book_uses()
    assert used(applicators) == [("A", "8")]


def test_a_stopped_line_used_what_was_laid_out_for_it(call, now):
    applicators = add(call, APPLICATORS)
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    done(call("petra").post(f"{path}/start", GLOVED))
    done(call("petra").post(f"{path}/stop", {"reason": "asked to"}))
    book_uses()
    assert used(applicators) == [("", "8")]


def test_two_lines_of_one_visit_use_together_what_its_list_has(call, now):
    gloves, gel = add(call, GLOVES), add(call, GEL)
    lip = planned(now, "lip wax", kit=None, minutes=None)
    visit = in_room(call, now, planned(now, minutes=30), lip)
    answers = [*all_no(), *(a for a in all_no(area="lip") if a not in all_no())]
    consult(call, visit, answers=answers, findings=[hair(), hair("lip")])
    for one in visit["lines"]:
        path = f"lines/{one['id']}"
        done(call("petra").post(f"{path}/start", GLOVED))
        record = {"method": one["method"], "areas": [one["area"]]}
        done(call("petra").post(f"{path}/finish", {"record": record, **WASHED}))
    asked = {i["code"]: i["count"] for i in done(call("petra").get(f"visits/{visit['id']}/set-up-list"))["items"]}  # fmt: skip
    assert book_uses() == 2
    assert sum(int(q) for _, q in used(gloves)) == asked["gloves"] == 3
    assert sum(int(q) for _, q in used(gel)) == 3 * asked["calming_gel"] == 3


def test_a_count_between_the_end_and_the_booking_is_not_undone(call, now):
    applicators = add(call, APPLICATORS)
    receive(call, applicators, "500")
    finished(call, now)
    with clock.stopped_at(now + timedelta(minutes=30)):
        count(call, applicators, "492")
        book_uses()
        assert balance(call, applicators)["total"] == "492"
        (found,) = done(call("petra").get(f"locations/{LAKE}/stock/counted-use"))["items"]
        assert (found["recipe"], found["difference"], found["percent"]) == ("8", "0", "0.0")


def test_gloves_in_stock_do_not_tell_what_a_client_declared(call, now):
    gloves, other = add(call, GLOVES), add(call, GLOVES, variant="latex_free", name="Invented gloves, no latex")  # fmt: skip
    declares(now - timedelta(days=30), "cora", kind="allergy", details=["latex"])
    with reading(BUSINESS):
        cora = Client.objects.get(id=uid("cora"))
    visit = build.visit(
        LineState.FINISHED, LineState.PLANNED, client=cora, state=VisitState.IN_ROOM
    )
    gloved = items(call, {"id": visit.id})["gloves"]
    assert gloved["variant"] == "latex_free"
    build.written(lambda: insert([stock.use_due(build.lines_of(visit)[0], visit, now)]))
    book_uses()
    assert (used(gloves), used(other)) == ([("", "2")], [])


def test_booking_takes_as_many_statements_for_many_visits_as_for_one(db, now):
    counts = []
    for many in (1, 6):
        visits = [build.visit(LineState.FINISHED, LineState.STOPPED) for _ in range(many)]
        for visit in visits:
            rows = [stock.use_due(one, visit, now) for one in build.lines_of(visit)]
            build.written(lambda rows=rows: insert(rows))
        with CaptureQueriesContext(connection) as captured:
            assert book_uses() == 2 * many
        counts.append(len(captured))
    assert counts[0] == counts[1]
