"""Charges, payments and check-out over HTTP."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from compliance.ledger.queries import entries, verification
from services.actions import checkout
from services.models import LineState, Payment, VisitState
from spa_ops.kernel import clock
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.work import reading, snapshot
from tests.services import builders as build
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid

FINISHED, STOPPED, DROPPED, PLANNED = (
    LineState.FINISHED,
    LineState.STOPPED,
    LineState.DROPPED,
    LineState.PLANNED,
)


def paid(amount, means="cash", **more):
    return {"means": means, "amount_minor": amount, "currency": "USD", **more}


def refunded(amount, **more):
    return {"amount_minor": amount, "currency": "USD", "reason": "unhappy with the result", **more}


def take(visit, amount, who="freya", **more):
    return checkout.take_payment(
        actor=actor(who), now=clock.now(), visit_id=visit.id, **paid(amount, **more)
    )


def account(caller, visit):
    found = caller.get(f"visits/{visit.id}/account")
    assert found.status_code == 200, found.body
    return found.body


def problem(answer):
    return answer.status_code, answer.body["type"].removeprefix("/problems/")


def log(kind):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(LAKE, kinds=[kind])]


# What a visit costs


def test_lines_cost_their_price_with_tax_and_dropped_ones_nothing(call):
    build.house_policy(tax_basis_points=825, tax_name="sales tax")
    visit = build.visit(FINISHED, STOPPED, DROPPED)
    found = account(call("freya"), visit)
    # 45.00 at 8.25 % is 3.7125: half up per line (house policy).
    assert [(c["basis"], c["tax_minor"], c["owed_minor"]) for c in found["charges"]] == [
        ("price", 371, 4871),
        ("price", 371, 4871),
        ("nothing", 0, 0),
    ]
    assert (found["owed_minor"], found["paid_minor"], found["balance_minor"]) == (9742, 0, 9742)
    assert {c["practitioner_id"] for c in found["charges"]} == {str(uid("petra"))}


def test_what_a_charge_leaves_out_stays_and_the_newest_holds(call):
    build.house_policy(tax_basis_points=1000)
    visit = build.visit(FINISHED)
    (line,) = build.lines_of(visit)
    freya = call("freya")
    first = freya.post(f"lines/{line.id}/charge", {"discount_minor": 500})
    assert first.status_code == 200, first.body
    # The clock stands still in tests: the later of two charges of one instant must hold, too.
    second = freya.post(f"lines/{line.id}/charge", {"tip_minor": 700})
    (charge,) = second.body["charges"]
    assert charge == {
        "line_id": str(line.id),
        "practitioner_id": str(uid("petra")),
        "basis": "charged",
        "price_minor": 4500,
        "discount_minor": 500,
        "tax_minor": 400,
        "tip_minor": 700,
        "owed_minor": 5100,
    }
    assert [(f["discount_minor"], f["tip_minor"]) for f in log("visit.charged")] == [
        (500, 0),
        (500, 700),
    ]


def test_a_price_agreed_at_the_stop_is_later_than_an_earlier_charge(call, now):
    agreed = {"price_minor": 1500, "finished_at": now + timedelta(minutes=5)}
    visit = build.visit(STOPPED, line=agreed)
    (line,) = build.lines_of(visit)
    freya = call("freya")
    freya.post(f"lines/{line.id}/charge", {"price_minor": 4500})
    assert account(freya, visit)["owed_minor"] == 1500
    with clock.stopped_at(now + timedelta(minutes=10)):
        freya.post(f"lines/{line.id}/charge", {"price_minor": 1000})
    assert account(freya, visit)["owed_minor"] == 1000


def test_charges_that_cannot_be_are_refused_and_change_nothing(call):
    visit = build.visit(FINISHED, DROPPED)
    line, dropped = build.lines_of(visit)
    freya, before = call("freya"), account(call("freya"), visit)
    too_much = freya.post(f"lines/{line.id}/charge", {"discount_minor": 4501})
    assert problem(too_much) == (422, "invalid-input")
    assert too_much.body["errors"][0]["pointer"] == "/discount_minor"
    for wrong in ({"price_minor": -1}, {"price_minor": 10**9}, {"tip_minor": 1.5}, {"price": 1}):
        assert problem(freya.post(f"lines/{line.id}/charge", wrong)) == (422, "invalid-input")
    assert problem(freya.post(f"lines/{dropped.id}/charge", {})) == (409, "wrong-state")
    euros = freya.post(f"lines/{line.id}/charge", {"currency": "EUR"})
    assert (*problem(euros), euros.body["currency"]) == (409, "currency-mismatch", "USD")
    assert account(freya, visit) == before
    assert log("visit.charged") == []


def test_a_line_of_another_currency_needs_a_price_before_check_out(call):
    visit = build.visit(FINISHED, line={"currency": "EUR"})
    (line,) = build.lines_of(visit)
    freya = call("freya")
    assert account(freya, visit)["charges"][0]["basis"] == "price_needed"
    assert problem(freya.post(f"visits/{visit.id}/check-out")) == (409, "price-needed")
    no_price = freya.post(f"lines/{line.id}/charge", {"tip_minor": 5})
    assert no_price.body["errors"][0]["pointer"] == "/price_minor"
    freya.post(f"lines/{line.id}/charge", {"price_minor": 0})
    assert freya.post(f"visits/{visit.id}/check-out").status_code == 200


# Taking money


def test_several_means_make_up_the_whole_and_never_more(call):
    visit = build.visit(FINISHED)
    freya = call("freya")
    first = freya.post(f"visits/{visit.id}/payments", paid(2000, "gift_voucher"))
    assert first.status_code == 201, first.body
    assert first.body["account"]["balance_minor"] == 2500
    over = freya.post(f"visits/{visit.id}/payments", paid(2501))
    assert (*problem(over), over.body["balance_minor"]) == (409, "more-than-owed", 2500)
    last = freya.post(
        f"visits/{visit.id}/payments", paid(2500, "card_terminal", paid_by="Invented Nell")
    )
    assert last.body["payment"] | {"id": "", "recorded_at": ""} == {
        "id": "",
        "receipt_number": 2,
        "kind": "payment",
        "means": "card_terminal",
        "amount_minor": 2500,
        "left_minor": 2500,
        "of_payment_id": None,
        "paid_by": "Invented Nell",
        "reason": "",
        "recorded_at": "",
        "recorded_by": str(uid("freya")),
    }
    assert account(freya, visit) == last.body["account"]
    assert last.body["account"]["balance_minor"] == 0
    assert problem(freya.post(f"visits/{visit.id}/payments", paid(1))) == (409, "more-than-owed")


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"amount_minor": 0}, "/amount_minor"),
        ({"amount_minor": -5}, "/amount_minor"),
        ({"amount_minor": "12.5"}, "/amount_minor"),
        ({"means": "shells"}, "/means"),
        ({"currency": "usd"}, "/currency"),
        ({"card": "x"}, "/card"),
        ({"paid_by": "N" * 201}, "/paid_by"),
    ],
)
def test_payments_of_the_wrong_shape_are_named_by_pointer(call, wrong, pointer):
    visit = build.visit(FINISHED)
    refused = call("freya").post(f"visits/{visit.id}/payments", paid(100) | wrong)
    assert refused.status_code == 422
    assert [e["pointer"] for e in refused.body["errors"]] == [pointer]
    with reading(BUSINESS):
        assert not Payment.objects.exists()


def test_another_currency_is_refused(call):
    visit = build.visit(FINISHED)
    euros = call("freya").post(f"visits/{visit.id}/payments", paid(100) | {"currency": "EUR"})
    assert problem(euros) == (409, "currency-mismatch")


def test_a_deposit_before_the_visit_counts_and_comes_back_when_it_is_cancelled(call):
    visit = build.visit(PLANNED)
    freya, lena = call("freya"), call("lena")
    deposit = freya.post(f"visits/{visit.id}/payments", paid(1500)).body["payment"]
    assert account(freya, visit)["balance_minor"] == 3000
    assert problem(freya.post(f"visits/{visit.id}/check-out")) == (409, "wrong-state")

    def cancel():
        row = build.fresh(visit)
        row.state = VisitState.CANCELLED
        build.put(row, fields=["state"])

    build.written(cancel)
    found = account(freya, visit)
    assert (found["owed_minor"], found["balance_minor"]) == (0, -1500)
    assert problem(freya.post(f"visits/{visit.id}/payments", paid(1))) == (409, "more-than-owed")
    back = lena.post(f"payments/{deposit['id']}/refund", refunded(1500))
    assert back.body["account"]["balance_minor"] == 0


def test_a_fee_may_be_charged_for_a_visit_nobody_came_to(call):
    visit = build.visit(PLANNED, state=VisitState.NO_SHOW)
    (line,) = build.lines_of(visit)
    freya = call("freya")
    assert account(freya, visit)["owed_minor"] == 0
    freya.post(f"lines/{line.id}/charge", {"price_minor": 2000})
    assert freya.post(f"visits/{visit.id}/payments", paid(2000)).status_code == 201


def test_taking_money_leaves_the_visit_as_it_was(call):
    # A practitioner who read the visit before may still write to it: paying never gets in the way.
    visit = build.visit(LineState.STARTED, state=VisitState.IN_ROOM)
    take(visit, 4500)
    after = build.fresh(visit)
    assert (after.version, after.state) == (visit.version, visit.state)
    assert [line.state for line in build.lines_of(visit)] == ["started"]


def test_a_repeated_payment_is_taken_once(call):
    visit = build.visit(FINISHED)
    freya = call("freya")
    first = freya.post(f"visits/{visit.id}/payments", paid(4500), Idempotency_Key="pay-1")
    again = freya.post(f"visits/{visit.id}/payments", paid(4500), Idempotency_Key="pay-1")
    assert again["Idempotency-Replayed"] == "true"
    assert (again.status_code, again.body) == (201, first.body)
    assert len(account(freya, visit)["payments"]) == 1
    own_id = str(uuid7())
    other = build.visit(FINISHED)
    named = freya.post(f"visits/{other.id}/payments", paid(100, id=own_id))
    assert named.body["payment"]["id"] == own_id
    twice = freya.post(f"visits/{other.id}/payments", paid(100, id=own_id))
    assert problem(twice) == (409, "already-exists")


def test_receipts_are_numbered_per_location(call):
    at_lake, at_harbor = build.visit(FINISHED), build.visit(FINISHED, location_id=HARBOR)
    assert [take(at_lake, 10).receipt_number for _ in range(3)] == [1, 2, 3]
    assert take(at_harbor, 10, who="henk").receipt_number == 1


# Checking out


def test_a_visit_is_checked_out_when_all_is_paid_and_the_balance_is_shown(call, now):
    visit = build.visit(FINISHED)
    freya = call("freya")
    unpaid = freya.post(f"visits/{visit.id}/check-out")
    assert (*problem(unpaid), unpaid.body["balance_minor"]) == (409, "not-paid", 4500)
    assert build.fresh(visit).version == visit.version
    take(visit, 4500)
    done = freya.post(f"visits/{visit.id}/check-out")
    assert done.status_code == 200, done.body
    assert (done.body["balance_minor"], done.body["checked_out_at"][:19]) == (
        0,
        "2026-05-06T17:00:00",
    )
    after = build.fresh(visit)
    assert (after.checked_out_at, after.version) == (now, visit.version + 1)
    assert log("visit.checked_out") == [
        {"visit_id": str(visit.id), "owed_minor": 4500, "paid_minor": 4500, "currency": "USD"}
    ]
    assert problem(freya.post(f"visits/{visit.id}/check-out")) == (409, "wrong-state")
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT entity, version FROM sync_change WHERE feed_id = %s ORDER BY seq DESC LIMIT 1",
            [LAKE],
        )
        assert cursor.fetchone() == ("visit", visit.version + 1)


def test_nothing_owed_needs_no_payment(call):
    visit = build.visit(DROPPED)
    assert call("freya").post(f"visits/{visit.id}/check-out").status_code == 200


@pytest.mark.parametrize("open_state", ["planned", "started", "paused"])
def test_open_lines_and_absent_clients_are_not_checked_out(call, open_state):
    visit = build.visit(FINISHED, LineState(open_state), state=VisitState.IN_ROOM)
    take(visit, 9000)
    refused = call("freya").post(f"visits/{visit.id}/check-out")
    assert (*problem(refused), refused.body["count"]) == (409, "lines-open", 1)
    absent = build.visit(DROPPED, state=VisitState.NO_SHOW)
    assert problem(call("freya").post(f"visits/{absent.id}/check-out")) == (409, "wrong-state")


def test_what_leaves_something_owed_undoes_the_check_out(call):
    visit = build.visit(FINISHED)
    (line,) = build.lines_of(visit)
    lena = call("lena")
    payment = take(visit, 4500)
    lena.post(f"visits/{visit.id}/check-out")
    # A discount afterwards leaves the visit closed, and what it frees may go back.
    lena.post(f"lines/{line.id}/charge", {"discount_minor": 500})
    back = lena.post(f"payments/{payment.id}/refund", refunded(500))
    assert back.body["account"]["balance_minor"] == 0
    assert back.body["account"]["checked_out_at"] is not None
    undone = lena.post(f"payments/{payment.id}/refund", refunded(100))
    assert undone.body["account"]["balance_minor"] == 100
    assert undone.body["account"]["checked_out_at"] is None
    assert [f["check_out_undone"] for f in log("payment.refunded")] == [False, True]
    assert build.fresh(visit).version == visit.version + 2


# What is recorded, and who sees it


def test_every_step_is_an_entry_and_names_stay_out_of_the_facts(call):
    visit = build.visit(FINISHED)
    payment = take(visit, 4500, paid_by="Invented Nell")
    call("lena").post(f"payments/{payment.id}/refund", refunded(500))
    call("lena").post(f"payments/{take(visit, 100).id}/void", {"reason": "typed twice by Freya"})
    facts = log("payment.taken") + log("payment.refunded") + log("payment.voided")
    assert [(f["receipt_number"], f["amount_minor"]) for f in facts] == [
        (1, 4500),
        (3, 100),
        (2, -500),
        (4, -100),
    ]
    assert not any("Nell" in str(f) or "Freya" in str(f) or "unhappy" in str(f) for f in facts)
    with snapshot(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT count(*) FROM ledger_personal p JOIN ledger_entry e USING (chain_id, n) "
                "WHERE e.kind LIKE 'payment.%%' AND p.client_id = %s",
                [visit.client_id],
            )
            assert cursor.fetchone() == (3,)


def test_anothers_visits_and_payments_are_not_there(call):
    visit = build.visit(FINISHED)
    (line,) = build.lines_of(visit)
    payment = take(visit, 100)
    for name in ("stranger", "henk"):
        caller = call(name)
        assert caller.get(f"visits/{visit.id}/account").status_code == 404
        for path, body in (
            (f"visits/{visit.id}/payments", paid(1)),
            (f"visits/{visit.id}/check-out", {}),
            (f"lines/{line.id}/charge", {}),
            (f"payments/{payment.id}/refund", refunded(1)),
            (f"payments/{payment.id}/void", {"reason": "x"}),
        ):
            assert problem(caller.post(path, body)) == (404, "not-found"), path
    assert problem(call("inga").get(f"visits/{visit.id}/account")) == (403, "not-allowed")
    assert account(call("olga"), visit)["paid_minor"] == 100


def test_payments_and_charges_are_never_changed(own_database):
    visit = build.visit(FINISHED)
    take(visit, 100)
    for statement in (
        "UPDATE services_payment SET amount_minor = 1",
        "DELETE FROM services_payment",
        "UPDATE services_charge SET price_minor = 1",
        "DELETE FROM services_receipt_counter",
    ):
        with reading(BUSINESS), connection.cursor() as cursor:
            with pytest.raises(Exception, match="permission denied"):
                cursor.execute(statement)


def test_the_account_takes_as_many_statements_for_many_rows(call):
    small, large = build.visit(FINISHED), build.visit(*[FINISHED] * 6)
    for line in build.lines_of(large):
        checkout.charge_line(actor=actor("freya"), now=clock.now(), line_id=line.id, tip_minor=1)
    for _ in range(6):
        take(large, 10)
    freya, counts = call("freya"), []
    for visit in (small, large):
        account(freya, visit)
        with CaptureQueriesContext(connection) as asked:
            account(freya, visit)
        counts.append(len(asked))
    assert counts[0] == counts[1] <= 10
