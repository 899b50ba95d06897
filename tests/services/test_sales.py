"""Retail items at the desk: on the visit's account, out of stock in the same moment, traced, undone."""

from datetime import timedelta

import pytest
from django.db import InternalError, ProgrammingError, connection, transaction

from clients.models import HealthRead
from compliance.ledger.queries import entries
from rooms.queries.stock_due import due_stock
from rooms.rules.stock import Held, lots_to_sell
from services.models import LineState, Sale
from spa_ops.kernel import clock
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.rooms.stock import CREAM, GEL, add, balance, done, lots, receive
from tests.services import builders as build
from tests.services.day import in_room
from tests.services.test_merging import declares
from tests.services.test_set_up import BALM
from tests.world import BUSINESS, LAKE, uid


def sell(call, visit, item, quantity=1, by="freya", **more):
    said = {"item_id": item, "quantity": quantity, "price_each_minor": 1200, "currency": "USD"}
    return call(by).post(f"visits/{visit}/sales", said | more)


def undo(call, sale, kind="mistake"):
    return call("freya").post(f"sales/{sale}/undo", {"kind": kind})


def pay(call, visit, amount):
    said = {"means": "cash", "amount_minor": amount, "currency": "USD"}
    return done(call("freya").post(f"visits/{visit}/payments", said))


def account(call, visit):
    return done(call("freya").get(f"visits/{visit}/account"))


@pytest.fixture
def visit():
    """A visit whose work is done: 45.00 are owed for it."""
    return build.visit(LineState.FINISHED).id


@pytest.fixture
def cream(call):
    """Four of a lot that expires first, two of a later one."""
    item = add(call, CREAM)
    receive(call, item, "2", lot_number="LATE", expires_on="2027-12-31")
    receive(call, item, "4", lot_number="SOON", expires_on="2027-01-31")
    return item


def test_what_is_sold_is_on_the_account_and_out_of_stock_first_expired_first(call, visit, cream):
    with reading(BUSINESS):
        policy = tenancy.policy_of(Location.objects.get(id=LAKE))
    before = account(call, visit)["owed_minor"]
    sold = done(sell(call, visit, cream, 5, discount_minor=100))
    one = sold["sale"]
    assert (one["quantity"], one["price_minor"], one["discount_minor"]) == (5, 6000, 100)
    # Rounded half up on the price less discount, as of a line (house policy).
    assert one["tax_minor"] == (5900 * policy.tax_basis_points + 5000) // 10_000
    assert one["owed_minor"] == 5900 + one["tax_minor"]
    assert one["lot_numbers"] == ["SOON", "LATE"]
    assert lots(call, cream) == {"SOON": "0", "LATE": "1"}
    now_owed = sold["account"]
    assert now_owed["owed_minor"] == before + one["owed_minor"] == now_owed["balance_minor"]
    assert account(call, visit)["sales"] == [one]
    # It is paid with the rest: more cannot be taken, less does not check out.
    refused = call("freya").post(f"visits/{visit}/check-out")
    assert refused.body["type"] == "/problems/not-paid"
    pay(call, visit, now_owed["balance_minor"])
    done(call("freya").post(f"visits/{visit}/check-out"))


def test_a_sale_after_check_out_opens_the_visit_again(call, visit, cream):
    pay(call, visit, account(call, visit)["balance_minor"])
    done(call("freya").post(f"visits/{visit}/check-out"))
    assert done(sell(call, visit, cream))["account"]["checked_out_at"] is None
    with reading(BUSINESS):
        (entry,) = entries(LAKE, kinds=["visit.sold"])
    assert entry["facts"]["check_out_undone"] is True


@pytest.mark.parametrize(("kind", "there"), [("mistake", "4"), ("unopened", "4"), ("opened", "3")])
def test_an_undone_sale_owes_nothing_and_what_is_unopened_is_in_stock_again(
    call, visit, cream, kind, there
):
    before = account(call, visit)["owed_minor"]
    sold = done(sell(call, visit, cream))
    pay(call, visit, sold["account"]["balance_minor"])
    undone = done(undo(call, sold["sale"]["id"], kind))
    assert undone["account"]["owed_minor"] == before
    # What was paid for it is to be given back.
    assert undone["account"]["balance_minor"] == -sold["sale"]["owed_minor"]
    assert (undone["sale"]["undone"], undone["sale"]["owed_minor"]) == (kind, 0)
    assert lots(call, cream)["SOON"] == there
    again = undo(call, sold["sale"]["id"], kind)
    assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")
    assert lots(call, cream)["SOON"] == there


def test_professional_stock_is_not_sold(call, visit):
    gel = add(call, GEL)
    receive(call, gel, "500")
    refused = sell(call, visit, gel)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-part-of-stock")
    assert account(call, visit)["sales"] == []


def test_what_is_past_its_date_or_called_back_is_not_sold(call, visit, now):
    cream = add(call, CREAM)
    receive(call, cream, "3", lot_number="OLD", expires_on=str(now.date() - timedelta(days=1)))
    receive(call, cream, "3", lot_number="BAD", expires_on="2027-12-31")
    receive(call, cream, "1", lot_number="GOOD", expires_on="2027-12-31")
    found = done(call("petra").get(f"locations/{LAKE}/stock-lots?item_id={cream}"))["items"]
    ids = {lot["number"]: lot["id"] for lot in found}
    done(call("lena").post(f"stock-lots/{ids['BAD']}/withdraw", {"reason": "invented"}))
    wrong = "/problems/stock-not-to-be-used"
    for lot in ("OLD", "BAD"):
        assert sell(call, visit, cream, lot_id=ids[lot]).body["type"] == wrong
        without = {"item_id": cream, "quantity": "1", "lot_id": ids[lot]}
        assert call("freya").post(f"locations/{LAKE}/stock/sales", without).body["type"] == wrong
    assert done(sell(call, visit, cream))["sale"]["lot_numbers"] == ["GOOD"]
    # Nothing else is left: what is in hand can only be one of these.
    assert sell(call, visit, cream).body["type"] == wrong
    assert lots(call, cream) == {"OLD": "3", "BAD": "3", "GOOD": "0"}
    assert len(account(call, visit)["sales"]) == 1


def test_less_than_nothing_is_a_task_and_no_refusal(call, visit, cream, now):
    done(sell(call, visit, cream, 9))
    assert balance(call, cream)["total"] == "-3"
    with reading(BUSINESS):
        due = [d for d in due_stock(LAKE, now.date()) if d.kind == "negative"]
    assert [(str(d.item_id), d.quantity) for d in due] == [(cream, -3)]


def test_nothing_is_sold_to_who_did_not_come_nor_in_another_currency(call, visit, cream):
    assert sell(call, visit, cream, currency="EUR").body["type"] == "/problems/currency-mismatch"
    absent = build.visit(LineState.PLANNED, state="no_show").id
    assert sell(call, absent, cream).body["type"] == "/problems/wrong-state"
    for wrong in ({"quantity": 0}, {"price_each_minor": -1}, {"discount_minor": 1201}):
        assert sell(call, visit, cream, **wrong).status_code == 422
    assert lots(call, cream) == {"SOON": "4", "LATE": "2"}


def test_a_repeated_request_sells_once(call, visit, cream):
    said = {"item_id": cream, "quantity": 1, "price_each_minor": 1200, "currency": "USD"}
    first, second = (
        call("freya").post(f"visits/{visit}/sales", said, Idempotency_Key="once") for _ in range(2)
    )
    assert first.body["sale"] == second.body["sale"]
    # Who asks twice may not have seen the first answer.
    assert second.body["caution"]["ask_practitioner"] is True
    assert lots(call, cream)["SOON"] == "3"


@pytest.fixture
def balm(call):
    """A retail jar of a product with nut oil in it."""
    done(call("lena").post("skin-products", BALM))
    item = add(call, CREAM, name="Invented balm", skin_product_id=BALM["id"])
    receive(call, item, "9", lot_number="B", expires_on="2027-12-31")
    return item


def reads():
    with reading(BUSINESS):
        return HealthRead.objects.filter(client_id=uid("cora")).count()


def test_a_declared_allergen_is_told_at_the_sale_by_name_only_to_who_may_know(call, now, balm):
    declares(now - timedelta(days=30), "cora", kind="allergy", details=BALM["ingredients"][:1])
    visit, before = in_room(call, now)["id"], reads()
    told = done(sell(call, visit, balm, by="petra"))["caution"]
    assert (told["ask_practitioner"], told["allergens"]) == (True, BALM["ingredients"][:1])
    at_desk = done(sell(call, visit, balm, by="freya"))["caution"]
    assert (at_desk["ask_practitioner"], at_desk["allergens"]) == (True, [])
    assert reads() == before + 2
    # The log tells nobody of anybody's health.
    with reading(BUSINESS):
        assert all(
            BALM["ingredients"][0] not in str(e) for e in entries(LAKE, kinds=["visit.sold"])
        )


def test_a_product_without_declared_allergens_goes_and_one_not_on_file_is_read(call, now, balm):
    visit = in_room(call, now)["id"]
    assert done(sell(call, visit, balm))["caution"]["ask_practitioner"] is False
    unknown = add(call, CREAM)
    receive(call, unknown, "1")
    told = done(sell(call, visit, unknown, by="petra"))["caution"]
    assert (told["ask_practitioner"], told["allergens"], told["read_label"]) == (True, [], True)


def test_a_lot_is_traced_to_who_bought_it_and_back(call, now, cream):
    visit = in_room(call, now)["id"]
    sold = done(sell(call, visit, cream))["sale"]
    wrong = done(sell(call, visit, cream))["sale"]
    found = done(call("petra").get(f"locations/{LAKE}/stock-lots?item_id={cream}"))["items"]
    lot = next(one["id"] for one in found if one["number"] == "SOON")
    done(undo(call, wrong["id"], "mistake"))
    with clock.stopped_at(now + timedelta(hours=1)):
        traced = done(call("lena").get(f"stock-lots/{lot}/trace"))
        (one,) = traced["visits"]
        assert (one["visit_id"], one["client_id"]) == (visit, str(uid("cora")))
        assert one["via"] == [{"what": "lot", "id": lot, "side": "sold"}]
        back = done(call("lena").get(f"clients/{uid('cora')}/stock-lots"))["sold"]
        assert [(x["sale_id"], x["lot_number"], x["quantity"]) for x in back] == [(sold["id"], "SOON", "1")]  # fmt: skip
        assert done(call("lena").get(f"visits/{visit}/trace"))["sold"] == back
        # What was brought back was in the client's hands all the same.
        done(undo(call, sold["id"], "opened"))
        assert len(done(call("lena").get(f"stock-lots/{lot}/trace"))["visits"]) == 1


def test_what_was_sold_is_in_the_clients_export_and_is_never_rewritten(call, now, cream):
    visit = in_room(call, now)["id"]
    sold = done(sell(call, visit, cream, 2))["sale"]
    exported = done(call("lena").get(f"clients/{uid('cora')}/export"))
    (kept,) = [v for v in exported["tables"]["services_visit"] if v["id"] == visit]
    (one,) = kept["sales"]
    assert (one["id"], one["name"], one["quantity"]) == (sold["id"], "Invented cream", 2)
    with reading(BUSINESS):
        assert Sale.objects.count() == 1
        for table in ("services_sale", "services_sale_lot", "services_sale_undone"):
            with (
                pytest.raises((InternalError, ProgrammingError)),
                transaction.atomic(),
                connection.cursor() as cursor,
            ):
                cursor.execute(f"DELETE FROM {table}")


def test_what_the_books_do_not_have_is_of_no_known_lot(now):
    lot, other = uid("a lot"), uid("another lot")
    held = [
        Held(quantity=3, lot_id=lot, use_by=now.date()),
        Held(quantity=2, lot_id=other, use_by=now.date() - timedelta(days=1)),
        Held(quantity=5, lot_id=other, container_id=uid("a jar")),
    ]
    assert lots_to_sell(held, 2, now.date()) == [(lot, 2)]
    assert lots_to_sell(held, 4, now.date()) == [(lot, 3), (None, 1)]
    assert lots_to_sell([], 4, now.date()) == [(None, 4)]
