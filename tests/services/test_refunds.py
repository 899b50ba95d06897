"""Refunds and voids: named, with a reason, never more than there was."""

from datetime import timedelta

from services.models import LineState, Payment
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.services.test_checkout import account, problem, refunded, take
from tests.world import BUSINESS

FINISHED = LineState.FINISHED


def test_refunds_name_their_payment_and_never_exceed_what_is_left_of_it(call):
    visit = build.visit(FINISHED)
    lena = call("lena")
    one, two = take(visit, 3000), take(visit, 1500, means="bank_transfer")
    part = lena.post(f"payments/{one.id}/refund", refunded(1000, means="cash"))
    assert part.status_code == 201, part.body
    row = part.body["payment"]
    assert (row["kind"], row["amount_minor"], row["of_payment_id"], row["receipt_number"]) == (
        "refund",
        -1000,
        str(one.id),
        3,
    )
    over = lena.post(f"payments/{one.id}/refund", refunded(2001))
    assert (*problem(over), over.body["left_minor"]) == (409, "refund-too-large", 2000)
    assert lena.post(f"payments/{one.id}/refund", refunded(2000)).status_code == 201
    by_same_means = lena.post(f"payments/{two.id}/refund", refunded(1)).body["payment"]
    assert by_same_means["means"] == "bank_transfer"
    assert problem(lena.post(f"payments/{row['id']}/refund", refunded(1))) == (409, "wrong-state")
    left = {p["id"]: p["left_minor"] for p in account(lena, visit)["payments"]}
    assert (left[str(one.id)], left[str(two.id)], left[row["id"]]) == (0, 1499, 0)


def test_a_reason_is_needed_to_give_money_back(call):
    visit = build.visit(FINISHED)
    payment = take(visit, 4500)
    for verb, body in (("refund", refunded(1)), ("void", {"reason": "wrong visit"})):
        for reason in ({"reason": "  "}, {"reason": None}):
            refused = call("lena").post(f"payments/{payment.id}/{verb}", body | reason)
            assert refused.status_code == 422
            assert [e["pointer"] for e in refused.body["errors"]] == ["/reason"]
    with reading(BUSINESS):
        assert Payment.objects.count() == 1


def test_a_void_is_of_the_whole_and_on_the_same_local_day(call, now):
    visit = build.visit(FINISHED)
    lena, why = call("lena"), {"reason": "entered twice"}
    whole, part, late = take(visit, 1000), take(visit, 1000), take(visit, 1000)
    # 23:59 in Chicago is already tomorrow in UTC, and still the same local day.
    with clock.stopped_at(now + timedelta(hours=11, minutes=59)):
        done = lena.post(f"payments/{whole.id}/void", why)
        assert done.body["payment"]["amount_minor"] == -1000
        assert done.body["payment"]["kind"] == "void"
        again = lena.post(f"payments/{whole.id}/void", why)
        assert (*problem(again), again.body["why"]) == (409, "not-voidable", "given_back")
    lena.post(f"payments/{part.id}/refund", refunded(1))
    partly = lena.post(f"payments/{part.id}/void", why)
    assert (*problem(partly), partly.body["why"]) == (409, "not-voidable", "given_back")
    with clock.stopped_at(now + timedelta(hours=12)):
        other_day = lena.post(f"payments/{late.id}/void", why)
        assert (*problem(other_day), other_day.body["why"]) == (409, "not-voidable", "other_day")
    assert account(lena, visit)["paid_minor"] == 1999


def test_only_leads_and_owners_give_money_back(call):
    visit = build.visit(FINISHED)
    payment = take(visit, 4500)
    for name in ("freya", "petra"):
        refused = call(name).post(f"payments/{payment.id}/refund", refunded(1))
        assert problem(refused) == (403, "not-allowed")
        void = call(name).post(f"payments/{payment.id}/void", {"reason": "x"})
        assert problem(void) == (403, "not-allowed")
    assert account(call("olga"), visit)["paid_minor"] == 4500
    assert call("olga").post(f"payments/{payment.id}/refund", refunded(1)).status_code == 201
