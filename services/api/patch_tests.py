"""Endpoints of patch tests: made, read, struck out; and what they say of each product now."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.bodies import PATCH_TEST
from clients.queries_patch_tests import KeptTest
from clients.rule_files import shipped_rule_set
from clients.rules.patch_tests import Grade, Outcome, SeenBy, readable_at
from services.actions import patch_tests as actions
from services.queries.patch_tests import as_now
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import AlreadyCorrected, Busy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, ApiView, Command, Strict, answer


class ApplyPatchTestShape(Strict):
    id = s.UUIDField(required=False)
    skin_product_id = s.UUIDField()
    area = s.CharField(max_length=40, help_text="a word of the screening rules")
    applied_at = s.DateTimeField(required=False, help_text="default: now")
    location_id = s.UUIDField(required=False, help_text="default: your own location")


class RecordResultShape(Strict):
    outcome = s.ChoiceField([o.value for o in Outcome])
    grade = s.ChoiceField(
        [g.value for g in Grade], required=False, help_text="with a reaction, and only then"
    )
    seen_by = s.ChoiceField([w.value for w in SeenBy])
    read_at = s.DateTimeField(required=False, help_text="when it was looked at; default: now")
    note = s.CharField(max_length=2000, required=False, allow_blank=True)
    location_id = s.UUIDField(required=False, help_text="default: your own location")


class StrikePatchTestShape(Strict):
    entry_id = s.UUIDField(required=False, help_text="the reading; none: the test itself")
    reason = s.CharField(max_length=500)
    location_id = s.UUIDField(required=False, help_text="default: your own location")


class ApplyPatchTest(Command):
    """A product was put on a small spot of a client. Read it after the label's lead time.

    Follow the product's label and your board's rule. At a strong reaction, wash it off; the client
    may see a doctor.
    """

    access = {"POST": FLOOR}
    input = ApplyPatchTestShape
    entity = PATCH_TEST
    status = 201
    tag = "clients"
    problems = (Busy,)

    def handle(self, *, client: UUID, **given: Any) -> Any:
        return actions.apply_patch_test(client_id=client, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The test may bring its own id: the address names the client.
        return self._command(request, client=path["id"])


class _OnTest(Command):
    """A command on one test; answers the test without what came of it."""

    access = {"POST": FLOOR}
    entity = PATCH_TEST
    tag = "clients"
    problems = (Erased, Busy)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, patch_test_id=path["id"])


class RecordResult(_OnTest):
    """What came of a test, seen by the practitioner or reported by the client.

    Looked at before the lead time it is kept and clears nothing. A reaction, whenever seen, keeps
    the product from this client for good, and nobody overrides that; the client may see a doctor.
    """

    input = RecordResultShape
    problems = (Erased, Busy)

    def handle(self, *, outcome: str, seen_by: str, grade: str | None = None, **given: Any) -> Any:
        return actions.record_result(
            outcome=Outcome(outcome),
            seen_by=SeenBy(seen_by),
            grade=Grade(grade) if grade else None,
            **given,
        )


class StrikePatchTest(_OnTest):
    """A reading, or the test itself, was recorded wrongly: struck out with a reason, both stay."""

    input = StrikePatchTestShape
    problems = (Erased, Busy, AlreadyCorrected)

    def handle(self, **given: Any) -> Any:
        return actions.strike_out(**given)


_READING = object_schema(
    id="uuid", outcome="str", grade="str?", seen_by="str", read_at="datetime", note="str",
    counts="bool", recorded_at="datetime", recorded_by="uuid?", struck="str?",
)  # fmt: skip
_TEST = object_schema(
    id="uuid", skin_product_id="uuid", product_name="str", supplier="str", formula_version="str",
    area="str", lead_hours="int", applied_at="datetime", readable_at="datetime", line_id="uuid?",
    recorded_by="uuid?", struck="str?", readings=array_of(_READING),
)  # fmt: skip
_PRODUCT = object_schema(
    skin_product_id="uuid", status="str", readable_at="datetime?", good_until="datetime?"
)


class ReadPatchTests(ApiView):
    """A client's patch tests with every reading, and where each product stands. Your reading is recorded.

    `status` is valid, due, positive, or not_needed where the label asks for no test.
    """

    access = {"GET": FLOOR}
    tag = "clients"
    problems = (Erased, Busy)
    output = object_schema(notice="str", items=array_of(_TEST), products=array_of(_PRODUCT))

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        def body() -> dict[str, Any]:
            kept, products = actions.read_tests(actor=self.actor, now=self.now, client_id=id)
            standings = {
                i: kept.standing(as_now(p), now=self.now, needed=True) for i, p in products.items()
            }
            return {
                "notice": shipped_rule_set().notice,
                "items": [_test(one) for one in kept.tests],
                "products": [
                    {
                        "skin_product_id": i,
                        "status": one.status.value,
                        "readable_at": one.readable_at and rfc3339(one.readable_at),
                        "good_until": one.good_until and rfc3339(one.good_until),
                    }
                    for i, one in sorted(standings.items())
                ],
            }

        return answer(run(body, actor=self.actor, now=self.now))


def _test(kept: KeptTest) -> dict[str, Any]:
    test, first = kept.test, readable_at(kept.as_tested)
    return {
        "id": test.id,
        "skin_product_id": test.skin_product_id,
        "product_name": test.product_name,
        "supplier": test.supplier,
        "formula_version": test.formula_version,
        "area": test.area,
        "lead_hours": test.lead_hours,
        "applied_at": rfc3339(test.applied_at),
        "readable_at": rfc3339(first),
        "line_id": test.line_id,
        "recorded_by": test.recorded_by,
        "struck": kept.struck,
        "readings": [
            {
                "id": e.id,
                "counts": kept.struck is None and e.struck is None and e.counts_from(first),
                "recorded_at": rfc3339(e.recorded_at),
                "recorded_by": e.recorded_by,
                "struck": e.struck,
                **e.content,
            }
            for e in kept.entries
        ],
    }
