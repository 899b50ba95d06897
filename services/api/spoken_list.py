"""Endpoints of the short spoken list: what is asked again at this visit, and its confirmation."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients import actions as clients
from clients import queries as client_queries
from clients.problems import POLICY_UNFIT, HealthConsentMissing
from clients.rules.model import Asked, RuleSet
from clients.rules.spoken import Spoken, spoken_list
from services.actions import spoken_list as actions
from services.api import visit_shapes as shapes
from services.api.visits import OnVisit
from services.models import Visit
from services.queries import intake
from services.queries import visits as queries
from services.rules.spoken_list import sent_for
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, ApiView, Strict, answer

_STANDING = object_schema(
    item_id="uuid", kind="str", title="str", areas="[str]", details="[str]", still="bool?",
    earliest_on="date?", latest_on="date?", told_at="datetime", at_this_visit="bool",
)  # fmt: skip
_SENT = object_schema(id="uuid", kind="str", content="object", confirmed="bool")
_SPOKEN = object_schema(
    question="str", text="str", asked="str", last_answer="str?", last_answered_at="datetime?",
    answered="bool", no_change="str?", standing=array_of(_STANDING), sent=array_of(_SENT),
)  # fmt: skip
_INTAKE = object_schema(
    intake_id="uuid", submitted_at="datetime", told_on="date", changed="str", note="str"
)


class ReadSpokenList(ApiView):
    """What is asked at every visit and bears on its open lines, with what was last told, as told.

    What is asked once follows, to be confirmed: without an answer of this visit a line stays
    `ask_first`. `no_change` is what "no change" will be kept as; null: the question needs an answer.
    `sent` and `intake` are what the client told before this visit. The reading is recorded.
    """

    access = {"GET": FLOOR}
    tag = "visits"
    problems = POLICY_UNFIT
    output = object_schema(
        notice="str",
        questions=array_of(_SPOKEN),
        intake={"anyOf": [_INTAKE, {"type": "null"}]},
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        def body() -> dict[str, Any]:
            visit = tenancy.loaded(Visit, id, self.actor)
            items = clients.read_health(actor=self.actor, now=self.now, client_id=visit.client_id)
            rules = client_queries.rule_set()
            lines = [x for x in queries.lines_of(visit.id) if x.state in queries.OPEN]
            bearing = {q.id for x in lines for q in rules.questions_for(x.method, x.area)}
            # As spoken: what is asked every time first.
            asked = sorted(
                (q for q in rules.questions if q.id in bearing),
                key=lambda q: q.asked is not Asked.EVERY_VISIT,
            )
            newest = next(reversed(intake.told_before(visit)), None)
            return {
                "notice": rules.notice,
                "questions": [
                    self._spoken(one, rules, visit, newest)
                    for one in spoken_list(items, visit.id, rules, asked)
                ],
                "intake": newest
                and {
                    "intake_id": newest.intake.id,
                    "submitted_at": newest.intake.submitted_at,
                    **{name: newest.content[name] for name in ("told_on", "changed", "note")},
                },
            }

        return answer(run(body, actor=self.actor, now=self.now))

    @staticmethod
    def _spoken(
        one: Spoken, rules: RuleSet, visit: Visit, newest: intake.ToldBefore | None
    ) -> dict[str, Any]:
        told = newest.content["items"] if newest else []
        confirmed = newest.confirmed if newest else frozenset()
        return {
            "question": one.question.id,
            "text": one.question.text,
            "asked": one.question.asked,
            "last_answer": one.last,
            "last_answered_at": one.last_at,
            "answered": one.is_answered,
            "no_change": one.no_change,
            "standing": [
                {
                    "item_id": x.item.id,
                    "kind": x.left.kind,
                    "title": rules.kinds[x.left.kind].title,
                    **{
                        name: x.content[name]
                        for name in (
                            "areas", "details", "still", "earliest_on", "latest_on", "told_at",
                        )
                    },
                    "at_this_visit": x.item.visit_id == visit.id,
                }
                for x in one.standing
            ],
            "sent": [
                {**item, "confirmed": UUID(item["id"]) in confirmed}
                for item in sent_for(one.question, told)
            ],
        }  # fmt: skip


class ConfirmSpokenListShape(Strict):
    no_change = s.ListField(
        child=s.CharField(max_length=60),
        max_length=100,
        required=False,
        help_text="ids of questions to which the client says today that nothing has changed",
    )
    answers = shapes.AnswerInput(many=True, required=False)
    declarations = shapes.DeclarationInput(many=True, required=False)


class ConfirmSpokenList(OnVisit):
    """The short list was gone through with the client: "no change", and what is new, in one command.

    "No change" is kept as no where nothing stands; where something does, as yes, with what stands
    declared again as it was told, with its own dates. It lifts `ask_first` and nothing else. A
    question that needs an answer, or of which the client told something before the visit that is
    not confirmed, is refused. The program advises and records; the licensed practitioner, the
    board, the label and the client's doctor decide.
    """

    access = {"POST": FLOOR}
    input = ConfirmSpokenListShape
    problems = (HealthConsentMissing, *POLICY_UNFIT)

    def handle(self, **given: Any) -> Visit:
        return actions.confirm_spoken_list(**given)
