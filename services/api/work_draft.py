"""The draft of a line's work record."""

from uuid import UUID

from django.http import HttpResponse
from django.urls import path
from rest_framework.request import Request

from services.actions.lines import read_draft
from spa_ops.kernel.problems import Busy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, ApiView, answer


class ReadWorkDraft(ApiView):
    """A line's work record, prefilled from its set-up list and the pot in its room, to be confirmed.

    With gloves on only start, blood, stop and finish are asked (`asked_with_gloves_on`). The rest is
    confirmed after hands are washed, as a record of the line with `happened_at`, `gloves_off` and
    `hands_washed`; `owed` says that the line was finished and waits for it. Nothing of a draft is
    kept by itself. That you read it is recorded.
    """

    access = {"GET": FLOOR}
    tag = "lines"
    problems = (Erased, Busy)
    output = object_schema(
        line_id="uuid", visit_id="uuid", asked_with_gloves_on="[str]", owed="bool", set_up_version="str",
        notice="str", most_passes="int?", happened_at="datetime", to_confirm="[str]",
        record=object_schema(
            method="str", areas="[str]", sections="int", applicators="int?", products="[str]",
            passes=array_of(object_schema(section="str", passes="int")),
        ),
    )  # fmt: skip

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        found = run(
            lambda: read_draft(actor=self.actor, now=self.now, line_id=id),
            actor=self.actor,
            now=self.now,
        )
        return answer(found)


urlpatterns = [path("lines/<uuid:id>/work-record-draft", ReadWorkDraft.as_view())]
