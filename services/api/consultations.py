"""Endpoints of the consultation: the questions, what was said and seen, and why a verdict is as it is."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients import actions as clients
from clients.problems import POLICY_UNFIT, HealthConsentMissing
from clients.rule_files import shipped_rule_set
from services.actions import consultation
from services.actions.kept_screening import kept_screening
from services.api import visit_shapes as shapes
from services.api.treatments import WISHES
from services.api.visits import OnVisit
from services.models import Visit
from services.queries import intake, treatments
from services.queries import visits as queries
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    FLOOR,
    READERS,
    ApiView,
    answer,
)


class HoldConsultation(OnVisit):
    """What was said and seen; decides every open line. Call it again whenever something is added.

    A question that was not answered makes a line `ask_first`. The program advises and records; the
    licensed practitioner, the board, the label and the client's doctor decide.
    """

    access = {"POST": FLOOR}
    input = shapes.HoldConsultation
    problems = (HealthConsentMissing, *POLICY_UNFIT)

    def handle(self, *, met: Any = (), **given: Any) -> Visit:
        return consultation.hold_consultation(met=[consultation.Met(**m) for m in met], **given)


class StrikeAnswer(OnVisit):
    """Something said or seen was recorded wrongly: struck out with a reason, kept, and judged anew."""

    access = {"POST": FLOOR}
    input = shapes.StrikeAnswer
    problems = POLICY_UNFIT

    def handle(self, **given: Any) -> Visit:
        return consultation.strike_answer(**given)


_SCREENING = object_schema(
    line_id="uuid", area="str", method="str", verdict="str", earliest_on="date?", is_vague="bool",
    alternatives="[str]", ask_next="array", reasons="array", overridable_by="[str]", overridden="bool",
)  # fmt: skip


_INTAKE = object_schema(
    intake_id="uuid", submitted_at="datetime", told_on="date", changed="str", birth_date="date?", note="str",
    guardian={"type": ["object", "null"]}, items=array_of(object_schema(id="uuid", kind="str", content="object", confirmed="bool")),
)  # fmt: skip


class ReadConsultation(ApiView):
    """The health answers of a visit and each line's verdict with every reason and source.

    `intake` is what was told before the visit, oldest first: not confirmed, and no screening. Each reading is recorded. The front desk does not see it.
    """

    access = {"GET": FLOOR}
    tag = "visits"
    output = object_schema(
        notice="str",
        items="array",
        wishes=WISHES,
        intake=array_of(_INTAKE),
        lines=array_of(_SCREENING),
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        def body() -> dict[str, Any]:
            found = tenancy.loaded(Visit, id, self.actor)
            items = clients.read_health(
                actor=self.actor, now=self.now, client_id=found.client_id, visit_id=found.id
            )
            return {
                "notice": shipped_rule_set().notice,
                "items": [
                    {
                        "id": i.id,
                        "kind": i.kind,
                        "content": i.content,
                        "recorded_at": i.recorded_at,
                        "recorded_by": i.recorded_by,
                    }
                    for i in items
                ],
                "wishes": self._wishes(found),
                "intake": [self._intake(told) for told in intake.told_before(found)],
                "lines": [self._line(found, line) for line in queries.lines_of(found.id)],
            }

        return answer(run(body, actor=self.actor, now=self.now))

    @staticmethod
    def _wishes(found: Visit) -> list[dict[str, Any]]:
        """What the client wants of the areas of this visit's lines."""
        touched = shipped_rule_set().tree.all_touching(x.area for x in queries.lines_of(found.id))
        wishes = treatments.wishes_of(found.client_id, found.business_id)
        return [wish for wish in wishes if wish["area"] in touched]

    @staticmethod
    def _intake(told: intake.ToldBefore) -> dict[str, Any]:
        content = told.content
        return {
            "intake_id": told.intake.id,
            "submitted_at": told.intake.submitted_at,
            **{n: content[n] for n in ("told_on", "changed", "birth_date", "guardian", "note")},
            "items": [i | {"confirmed": UUID(i["id"]) in told.confirmed} for i in content["items"]],
        }

    @staticmethod
    def _line(found: Visit, line: Any) -> dict[str, Any]:
        kept = kept_screening(found, line)
        return {
            "line_id": line.id,
            "area": line.area,
            "method": line.method,
            "verdict": line.verdict,
            "earliest_on": line.earliest_on,
            "is_vague": kept.get("is_vague", False),
            "alternatives": kept.get("alternatives", []),
            "ask_next": kept.get("ask_next", []),
            "reasons": kept.get("reasons", []),
            "overridable_by": kept.get("overridable_by", []),
            "overridden": line.overridden_by is not None,
        }


class ListQuestions(ApiView):
    """The questions of the consultation, what can be declared and found, and the caution that goes with them."""

    access = {"GET": READERS}
    tag = "consultation"
    output = object_schema(
        version="str", notice="str", questions="array", kinds="array", areas="[str]"
    )

    def get(self, request: Request) -> HttpResponse:
        rules = shipped_rule_set()
        return answer(
            {
                "version": rules.version,
                "notice": rules.notice,
                "questions": [
                    {"id": q.id, "text": q.text, "asked": q.asked.value, "kinds": sorted(q.kinds)}
                    for q in rules.questions
                ],
                "kinds": [
                    {
                        "kind": name,
                        "title": k.title,
                        "told": k.told,
                        "seen": k.seen,
                        "details": sorted(k.details),
                    }
                    for name, k in rules.kinds.items()
                ],
                "areas": sorted(rules.tree.touching),
            }
        )
