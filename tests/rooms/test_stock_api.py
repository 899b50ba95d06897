"""Stock over HTTP: received, opened, decanted, used, counted, sold; what is refused, and what never is."""

from datetime import timedelta
from uuid import UUID

import pytest
from django.db import InternalError, ProgrammingError, connection, transaction

from rooms.models import StockMovement
from rooms.queries.stock import held_of
from rooms.queries.stock_due import due_stock
from rooms.tasks import sum_up_stock
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.rooms.stock import (
    CREAM,
    GEL,
    STRIPS,
    add,
    balance,
    count,
    done,
    lots,
    open_it,
    receive,
)
from tests.world import BUSINESS, HARBOR, LAKE, uid

STOCK = f"locations/{LAKE}/stock"


def due(on, kind=None):
    with reading(BUSINESS):
        found = due_stock(LAKE, on)
    return [d for d in found if kind is None or d.kind == kind]


def test_what_came_is_there_by_lot(call):
    strips = add(call, STRIPS)
    receive(call, strips, "100", lot_number="A1", expires_on="2027-01-31")
    receive(call, strips, "50", lot_number="A1", expires_on="2027-01-31")
    receive(call, strips, "30", lot_number="B2", expires_on="2026-12-31")
    receive(call, strips, "5")
    assert lots(call, strips) == {"B2": "30", "A1": "150"}
    found = balance(call, strips)
    assert (found["total"], found["usable"], found["in_open"]) == ("185", "185", "0")
    assert found["first_use_by"] == "2026-12-31"


def test_a_lot_number_has_one_date(call):
    strips = add(call, STRIPS)
    receive(call, strips, "100", lot_number="A1", expires_on="2027-01-31")
    said = {"item_id": strips, "quantity": "1", "lot_number": "A1", "expires_on": "2027-02-28"}
    refused = call("lena").post(f"{STOCK}/receipts", said)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/lot-differs")
    assert lots(call, strips) == {"A1": "100"}


def test_what_is_opened_is_of_the_lot_that_expires_first(call):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="LATE", expires_on="2027-03-31")
    receive(call, gel, "250", lot_number="SOON", expires_on="2026-07-31")
    receive(call, gel, "250", lot_number="GONE", expires_on="2026-05-05")
    first = open_it(call, gel)
    # 6 May: six months after opening would be 6 November, the lot ends before.
    assert first["discard_by"] == "2026-07-31"
    second = open_it(call, gel, "room 2")
    assert second["discard_by"] == "2026-11-06"
    assert lots(call, gel) == {"GONE": "250", "SOON": "250", "LATE": "500"}
    found = balance(call, gel)
    assert (found["total"], found["usable"], found["in_open"]) == ("1000", "750", "500")


def test_what_is_past_its_date_or_withdrawn_is_not_opened(call):
    gel = add(call, GEL)
    receive(call, gel, "250", lot_number="GONE", expires_on="2026-05-05")
    receive(call, gel, "250", lot_number="BAD", expires_on="2027-05-05")
    ids = {lot["number"]: lot["id"] for lot in done(call("inga").get(f"locations/{LAKE}/stock-lots"))["items"]}  # fmt: skip
    done(call("lena").post(f"stock-lots/{ids['BAD']}/withdraw", {"reason": "called back"}))
    for number in ("GONE", "BAD"):
        said = {"item_id": gel, "lot_id": ids[number]}
        refused = call("petra").post(f"locations/{LAKE}/open-containers", said)
        assert (refused.status_code, refused.body["type"]) == (
            409,
            "/problems/stock-not-to-be-used",
        )
    # Without a lot said: neither is chosen, so nobody knows of which it is, and that is on the list.
    unknown = open_it(call, gel)
    assert unknown["lot_id"] is None
    with reading(BUSINESS):
        today = clock.now().date()
    assert {d.kind for d in due(today)} == {"expired", "no_lot"}
    again = call("lena").post(f"stock-lots/{ids['BAD']}/withdraw", {"reason": "twice"})
    assert again.body["type"] == "/problems/wrong-state"
    done(call("lena").post(f"stock-lots/{ids['BAD']}/reinstate"))
    assert open_it(call, gel)["lot_id"] == ids["BAD"]


def test_decanting_keeps_lot_and_date_and_moves_what_it_takes(call, now):
    gel = add(call, GEL)
    receive(call, gel, "250", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    with clock.stopped_at(now + timedelta(days=20)):
        bottle = done(call("petra").post(f"open-containers/{jar['id']}/decant", {"quantity": "40"}))
    assert bottle["lot_id"] == jar["lot_id"]
    assert bottle["decanted_from_id"] == jar["id"]
    # As opened on the day when the jar was: decanting does not make it younger.
    assert bottle["discard_by"] == jar["discard_by"] == "2026-11-06"
    found = done(call("petra").get(f"locations/{LAKE}/open-containers?open=true"))["items"]
    assert {c["id"]: c["left"] for c in found} == {jar["id"]: "210", bottle["id"]: "40"}
    assert balance(call, gel)["total"] == "250"
    more = call("petra").post(f"open-containers/{jar['id']}/decant", {"quantity": "251"})
    assert more.status_code == 422


def test_an_empty_container_is_closed_for_good(call):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    done(call("petra").post(f"{STOCK}/uses", {"item_id": gel, "quantity": "200", "room_id": str(uid("room 1"))}))  # fmt: skip
    closed = done(call("petra").post(f"open-containers/{jar['id']}/close", {"reason": "empty"}))
    assert closed["closed_reason"] == "empty"
    assert balance(call, gel)["total"] == "250"
    for verb, said in (("close", {"reason": "empty"}), ("decant", {"quantity": "1"}), ("move", {"room_id": None})):  # fmt: skip
        refused = call("petra").post(f"open-containers/{jar['id']}/{verb}", said)
        assert refused.body["type"] == "/problems/wrong-state", verb
    kinds = [m["kind"] for m in done(call("petra").get(f"{STOCK}/movements?item_id={gel}"))["items"]]  # fmt: skip
    assert kinds.count("counted") == 1
    assert "discarded" not in kinds


def test_what_is_thrown_away_with_its_container_is_discarded(call):
    gel = add(call, GEL)
    receive(call, gel, "250", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    done(call("petra").post(f"open-containers/{jar['id']}/close", {"reason": "contaminated"}))
    movements = done(call("petra").get(f"{STOCK}/movements?item_id={gel}"))["items"]
    assert [(m["kind"], m["quantity"]) for m in movements if m["kind"] == "discarded"] == [("discarded", "-250")]  # fmt: skip
    assert balance(call, gel)["total"] == "0"


def test_professional_stock_is_not_sold_and_retail_stock_not_used(call):
    gel, cream = add(call, GEL), add(call, CREAM)
    wrong = "/problems/wrong-part-of-stock"
    sold = call("freya").post(f"{STOCK}/sales", {"item_id": gel, "quantity": "1"})
    used = call("petra").post(f"{STOCK}/uses", {"item_id": cream, "quantity": "1"})
    opened = call("petra").post(f"locations/{LAKE}/open-containers", {"item_id": cream})
    assert {a.body["type"] for a in (sold, used, opened)} == {wrong}
    receive(call, cream, "6", lot_number="R", expires_on="2027-03-31")
    done(call("freya").post(f"{STOCK}/sales", {"item_id": cream, "quantity": "2"}))
    assert lots(call, cream) == {"R": "4"}


def test_less_than_nothing_is_a_task_and_no_refusal(call, now):
    strips = add(call, STRIPS)
    receive(call, strips, "10", lot_number="A", expires_on="2027-03-31")
    done(call("petra").post(f"{STOCK}/uses", {"item_id": strips, "quantity": "25"}))
    assert balance(call, strips)["total"] == "-15"
    (found,) = due(now.date(), "negative")
    assert (str(found.item_id), found.quantity) == (strips, -15)
    count(call, strips, "4")
    assert due(now.date(), "negative") == []
    assert lots(call, strips) == {"A": "4"}


def test_a_count_puts_the_stock_at_what_was_counted(call, now):
    strips = add(call, STRIPS)
    receive(call, strips, "60", lot_number="SOON", expires_on="2026-07-31")
    receive(call, strips, "60", lot_number="LATE", expires_on="2027-07-31")
    made = count(call, strips, "100")
    assert (made["expected"], made["counted"]) == ("120", "100")
    # What is missing is presumed gone from what was due first.
    assert lots(call, strips) == {"SOON": "40", "LATE": "60"}
    late = done(call("petra").get(f"locations/{LAKE}/stock-lots?number=LATE"))["items"][0]["id"]
    assert count(call, strips, "63", lot_id=late)["expected"] == "60"
    assert lots(call, strips) == {"SOON": "40", "LATE": "63"}
    assert balance(call, strips)["total"] == "103"


def test_use_against_recipe_between_two_counts(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    count(call, gel, "500")
    later = now + timedelta(days=5)
    with clock.stopped_at(later):
        done(call("petra").post(f"{STOCK}/uses", {"item_id": gel, "quantity": "80"}))
        done(call("petra").post(f"{STOCK}/discards", {"item_id": gel, "quantity": "20", "reason": "spilt"}))  # fmt: skip
        count(call, gel, "390")
        (found,) = done(call("petra").get(f"{STOCK}/counted-use"))["items"]
    # 500 - 20 thrown away - 390 left: 90 went, 80 of them by recipe.
    assert (found["recipe"], found["actual"], found["difference"]) == ("80", "90", "10")
    assert found["percent"] == "12.5"
    assert found["since"].startswith("2026-05-06T17:00")


def test_what_is_told_after_a_count_saw_it_does_not_move_the_stock_twice(call, now):
    strips = add(call, STRIPS)
    receive(call, strips, "100", lot_number="A", expires_on="2027-03-31")
    monday, noon, evening = (now + timedelta(days=5, hours=h) for h in (0, 4, 8))
    with clock.stopped_at(noon):
        # Ten were used in the morning; nobody has said so yet.
        count(call, strips, "90")
    with clock.stopped_at(evening):
        said = {"item_id": strips, "quantity": "10", "at": monday.isoformat()}
        done(call("petra").post(f"{STOCK}/uses", said))
        assert balance(call, strips)["total"] == "90"
        (found,) = done(call("petra").get(f"{STOCK}/counted-use"))["items"]
        assert (found["recipe"], found["actual"], found["difference"]) == ("10", "10", "0")
        # What came after the count does move it.
        done(call("petra").post(f"{STOCK}/uses", {"item_id": strips, "quantity": "1"}))
        assert balance(call, strips)["total"] == "89"
        # A count from offline, of the morning after that use: later truths stand.
        assert count(call, strips, "70", at=monday.isoformat())["expected"] == "90"
        assert balance(call, strips)["total"] == "89"


def test_a_count_of_then_is_held_against_the_stock_of_then(call, now):
    strips = add(call, STRIPS)
    receive(call, strips, "100", lot_number="A", expires_on="2027-03-31")
    with clock.stopped_at(now + timedelta(days=2)):
        receive(call, strips, "50", lot_number="A", expires_on="2027-03-31")
        made = count(call, strips, "97", at=(now + timedelta(days=1)).isoformat())
        assert made["expected"] == "100"
        assert balance(call, strips)["total"] == "147"


def test_balances_are_the_sums_of_movements_before_and_after_they_are_summed_up(call):
    strips = add(call, STRIPS)
    receive(call, strips, "100", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, strips, holds="60")
    done(call("petra").post(f"{STOCK}/uses", {"item_id": strips, "quantity": "7", "container_id": jar["id"]}))  # fmt: skip
    before = (balance(call, strips), lots(call, strips))
    # One received, two opened, one used.
    assert sum_up_stock() == 4
    assert sum_up_stock() == 0
    assert (balance(call, strips), lots(call, strips)) == before
    done(call("petra").post(f"{STOCK}/uses", {"item_id": strips, "quantity": "3", "container_id": jar["id"]}))  # fmt: skip
    assert balance(call, strips)["total"] == "90"
    sum_up_stock()
    with reading(BUSINESS):
        held = {
            h.container_id and str(h.container_id): h.quantity for h in held_of(LAKE, UUID(strips))
        }
    assert held == {None: 40, jar["id"]: 50}


def test_movements_are_never_changed(call):
    strips = add(call, STRIPS)
    receive(call, strips, "100")
    with reading(BUSINESS):
        for change in ("UPDATE rooms_stock_movement SET quantity = 1", "DELETE FROM rooms_stock_movement"):  # fmt: skip
            with pytest.raises(
                (InternalError, ProgrammingError), match=r"append-only|permission denied"
            ):
                with transaction.atomic(), connection.cursor() as cursor:
                    cursor.execute(change)
        assert StockMovement.objects.get().quantity == 100


def test_a_correction_is_a_movement_of_its_own(call):
    strips = add(call, STRIPS)
    receive(call, strips, "1000", lot_number="A", expires_on="2027-03-31")
    lot = done(call("petra").get(f"locations/{LAKE}/stock-lots"))["items"][0]["id"]
    said = {"item_id": strips, "quantity": "-900", "lot_id": lot, "reason": "one nought too many"}
    done(call("lena").post(f"{STOCK}/corrections", said))
    assert lots(call, strips) == {"A": "100"}
    nothing = call("lena").post(f"{STOCK}/corrections", said | {"quantity": "0"})
    assert nothing.status_code == 422


def test_things_of_another_item_or_place_are_refused(call):
    strips, gel = add(call, STRIPS), add(call, GEL)
    receive(call, gel, "250", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    used = call("petra").post(f"{STOCK}/uses", {"item_id": strips, "quantity": "1", "container_id": jar["id"]})  # fmt: skip
    assert used.body["errors"][0]["pointer"] == "/container_id"
    sold = call("lena").post(f"{STOCK}/discards", {"item_id": strips, "quantity": "1", "lot_id": jar["lot_id"], "reason": "x"})  # fmt: skip
    assert sold.body["errors"][0]["pointer"] == "/lot_id"
    away = call("olga").post(f"locations/{HARBOR}/open-containers", {"item_id": gel, "room_id": str(uid("room 1"))})  # fmt: skip
    assert away.status_code == 404
    assert call("hana").get(f"open-containers/{jar['id']}").status_code == 404


def test_one_item_in_use_stands_for_each_thing_on_a_set_up_list(call):
    strips = add(call, STRIPS)
    twice = call("lena").post("stock-items", STRIPS)
    assert (twice.status_code, twice.body["type"]) == (409, "/problems/already-exists")
    done(call("lena").patch(f"stock-items/{strips}", {"active": False}, If_Match='"1"'))
    add(call, STRIPS)
    unknown = call("lena").post("stock-items", STRIPS | {"code": "wax_stripe"})
    assert unknown.body["errors"][0]["pointer"] == "/code"
    retired = call("lena").post(f"{STOCK}/receipts", {"item_id": strips, "quantity": "1"})
    assert retired.body["type"] == "/problems/wrong-state"


def test_unit_and_part_are_fixed_once_something_moved(call):
    strips = add(call, STRIPS)
    changed = call("lena").patch(f"stock-items/{strips}", {"unit": "pair"}, If_Match='"1"')
    assert done(changed)["unit"] == "pair"
    receive(call, strips, "1")
    refused = call("lena").patch(f"stock-items/{strips}", {"unit": "piece"}, If_Match='"2"')
    assert refused.body["errors"][0] == {
        "pointer": "/unit", "code": "fixed",
        "message": "cannot change once something was moved; retire the item and add another",
    }  # fmt: skip


def test_what_is_due_says_which_and_since_when(call, now):
    gel, strips = add(call, GEL, days_after_opening=3, months_after_opening=None), add(call, STRIPS)
    receive(call, gel, "250", lot_number="A", expires_on="2026-06-01")
    receive(call, strips, "100", lot_number="B", expires_on="2026-09-01")
    jar = open_it(call, gel)
    assert jar["discard_by"] == "2026-05-09"
    on = now.date()
    assert [d.kind for d in due(on)] == ["discard_soon"]
    # The ninth is the last day on which it may be used.
    assert [d.kind for d in due(on + timedelta(days=3))] == ["discard_soon"]
    (late,) = due(on + timedelta(days=4))
    assert (late.kind, str(late.container_id), late.due_on.isoformat()) == ("past_date", jar["id"], "2026-05-09")  # fmt: skip
    receive(call, gel, "100", lot_number="A", expires_on="2026-06-01")
    assert {d.kind for d in due(on)} == {"discard_soon", "expiring"}
    assert len(due(on + timedelta(days=7), "uncounted")) == 2
    assert due(on + timedelta(days=6), "uncounted") == []
