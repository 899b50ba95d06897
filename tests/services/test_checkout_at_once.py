"""Money by many at once: receipts without a gap, nothing taken or given back twice."""

import threading

from django.db import connection

from services.actions import checkout
from services.models import LineState, Payment
from services.problems import Overpaid, RefundTooLarge
from spa_ops.kernel import clock
from spa_ops.kernel.problems import Busy, NotFound
from spa_ops.unit.work import reading, run
from tests.services import builders as build
from tests.services.test_checkout import refunded, take
from tests.world import BUSINESS, actor

FINISHED = LineState.FINISHED


def _patiently(body):
    """Busy says that nothing was changed and to try again: on a slow machine it may come."""
    while True:
        try:
            return body()
        except Busy:
            continue


def _at_once(*bodies):
    """Run every body in a thread of its own at the same moment; what each returned or raised."""
    found, barrier = [None] * len(bodies), threading.Barrier(len(bodies))

    def work(i, body):
        try:
            barrier.wait(60)
            found[i] = _patiently(body)
        except Exception as error:
            found[i] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=work, args=pair) for pair in enumerate(bodies)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    return found


def test_sixteen_desks_make_receipts_without_a_gap_though_some_payments_fall_through(own_database):
    visits = [build.visit(FINISHED) for _ in range(16)]

    def pays(visit, *, falls_through):
        def body():
            row = take(visit, 100)
            if falls_through:
                raise NotFound
            return row.receipt_number

        return lambda: [_outcome(body) for _ in range(4)]

    found = _at_once(*[pays(v, falls_through=i % 4 == 0) for i, v in enumerate(visits)])
    assert not [f for f in found if isinstance(f, Exception)]
    numbers = [n for f in found for n in f]
    assert numbers.count(None) == 16
    assert sorted(n for n in numbers if n is not None) == list(range(1, 49))
    with reading(BUSINESS):
        stored = list(
            Payment.objects.order_by("receipt_number").values_list("receipt_number", flat=True)
        )
    assert stored == list(range(1, 49))


def _outcome(body):
    try:
        return _patiently(lambda: run(body, actor=actor("freya"), now=clock.now()))
    except NotFound:
        return None


def test_two_who_take_the_whole_at_once_take_it_once(own_database):
    visit = build.visit(FINISHED)
    found = _at_once(*[lambda: take(visit, 4500)] * 4)
    assert sorted(type(f).__name__ for f in found) == ["Overpaid"] * 3 + ["Payment"]
    refusals = [f for f in found if isinstance(f, Overpaid)]
    assert {f.fields["balance_minor"] for f in refusals} == {0}


def test_two_refunds_at_once_give_back_no_more_than_there_is(own_database):
    visit = build.visit(FINISHED)
    payment = take(visit, 4500)

    def refund():
        return checkout.refund_payment(
            actor=actor("lena"), now=clock.now(), payment_id=payment.id, **refunded(3000)
        )

    found = _at_once(*[refund] * 4)
    assert sorted(type(f).__name__ for f in found) == ["Payment"] + ["RefundTooLarge"] * 3
    left = {f.fields["left_minor"] for f in found if isinstance(f, RefundTooLarge)}
    assert left == {1500}
