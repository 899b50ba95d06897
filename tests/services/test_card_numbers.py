"""A card number is the terminal's to keep: no field of ours takes one."""

from rest_framework import serializers as s

from services.api import checkout as api
from services.models import LineState, Payment
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.services.test_checkout import paid, refunded, take
from tests.world import BUSINESS

FINISHED = LineState.FINISHED

#: Digits of an invented number; the last is its check digit (ISO/IEC 7812-1, Luhn formula).
LUHN_VALID = "9999990000000006"


def _texts(shape):
    for name, field in shape().fields.items():
        if type(field) is s.CharField:
            yield name


def test_no_field_takes_a_card_number(call):
    visit = build.visit(FINISHED)
    payment = take(visit, 100)
    calls = {
        api.TakePaymentInput: (f"visits/{visit.id}/payments", paid(1)),
        api.RefundPaymentInput: (f"payments/{payment.id}/refund", refunded(1)),
        api.VoidPaymentInput: (f"payments/{payment.id}/void", {"reason": "x"}),
    }
    shapes = [
        v.input for v in vars(api).values() if getattr(v, "access", None) and hasattr(v, "input")
    ]
    texts = {(shape, name) for shape in shapes for name in _texts(shape)}
    assert {shape for shape, _ in texts} == calls.keys()
    for shape, name in texts:
        path, body = calls[shape]
        for written in (
            LUHN_VALID,
            "9999 9900 0000 0006",
            "terminal broken: 9999-9900-0000-0006 12/28",
        ):
            refused = call("lena").post(path, body | {name: written})
            assert refused.status_code == 422, (shape, name, written)
            assert refused.body["errors"] == [
                {
                    "pointer": f"/{name}",
                    "code": "card-number",
                    "message": "must not hold a card number",
                }
            ]
    with reading(BUSINESS):
        assert Payment.objects.count() == 1
        columns = {f.name for f in Payment._meta.get_fields()}
        assert not any("card" in c or "number" in c for c in columns - {"receipt_number"})
