"""Endpoints of what was done on a client: the history, aftercare texts and giving them, wishes."""

from dataclasses import asdict
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import MergedAway
from clients.rule_files import shipped_rule_set
from services.actions import treatments as actions
from services.api.photographs import PHOTOGRAPH
from services.api.places_in_time import next_in_time, place_in_time
from services.bodies.treatments import WISH
from services.bodies.visits import VISIT
from services.rules.aftercare import Handing
from spa_ops.kernel.problems import Busy, InvalidInput
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    FLOOR,
    READERS,
    ApiView,
    Command,
    Strict,
    answer,
    page_limit,
)

_SOURCES = array_of(object_schema(ref="str", fact="str", strength="str", says="str"))


class ReadAftercare(ApiView):
    """What a client is told after a method on an area: the exact words, their version and digest.

    Each point names its source and how well that is known. The product's label, the practitioner
    and the client's doctor come first.
    """

    access = {"GET": READERS}
    tag = "aftercare"
    parameters = {
        "method": ("str", "a method of the screening rules"),
        "area": ("str", "where on the body, a word of the screening rules"),
    }
    output = object_schema(
        text_id="str", version="str", language="str", digest="str", text="str", title="str",
        points=array_of(object_schema(text="str", sources=_SOURCES)), notice="str",
    )  # fmt: skip

    def get(self, request: Request) -> HttpResponse:
        rules = shipped_rule_set()
        method = self._word("method", rules.methods)
        sheet = actions.aftercare_for(method, self._word("area", rules.tree.touching))
        if sheet is None:
            raise InvalidInput(
                {"pointer": "?method", "code": "unknown", "message": "has no aftercare text"}
            )
        return answer(
            {
                "text_id": sheet.text_id,
                "version": sheet.version,
                "language": sheet.language,
                "digest": sheet.digest,
                "text": sheet.text,
                "title": sheet.title,
                "points": [
                    {"text": p.text, "sources": [asdict(one) for one in p.sources]}
                    for p in sheet.points
                ],
                "notice": sheet.notice,
            }
        )

    def _word(self, name: str, known: Any) -> str:
        word: str | None = self.query(name)
        if word is None or word not in known:
            code = "required" if word is None else "unknown"
            raise InvalidInput(
                {"pointer": f"?{name}", "code": code, "message": "must be a known word"}
            )
        return word


class GiveAftercareShape(Strict):
    how = s.ChoiceField([h.value for h in Handing])
    digest = s.RegexField(
        r"^[0-9a-f]{64}$", help_text="of the text that was shown, as it is served"
    )
    language = s.RegexField(r"^[a-z]{2,3}(-[A-Z]{2})?$")


class GiveAftercare(Command):
    """The client was given the line's aftercare text: printed, handed over or read out. Answers the visit."""

    access = {"POST": FLOOR}
    input = GiveAftercareShape
    entity = VISIT
    tag = "lines"

    def handle(self, *, how: str, **given: Any) -> Any:
        return actions.give_aftercare(how=Handing(how), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, line_id=path["id"])


class RecordWishShape(Strict):
    area = s.CharField(max_length=40, help_text="a word of the screening rules")
    text = s.CharField(max_length=1000, help_text="the shape, fuller or finer, what to leave")


class RecordWish(Command):
    """How the client wants an area; the newest of an area holds. The text itself is kept sealed."""

    access = {"POST": FLOOR}
    input = RecordWishShape
    entity = WISH
    status = 201
    tag = "clients"
    problems = (Erased, MergedAway)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.record_wish(client_id=id, **given)


WISHES = array_of(
    object_schema(id="uuid", area="str", text="str", recorded_at="datetime", recorded_by="uuid?")
)
_RECORD = object_schema(recorded_at="datetime", recorded_by="uuid?", record="object")
_GIVEN = object_schema(
    text_id="str", version="str", digest="str", language="str", how="str", given_at="datetime",
    given_by="uuid?",
)  # fmt: skip
_MADE = object_schema(patch_test_id="uuid", product_name="str", area="str", applied_at="datetime")
_TREATMENT = object_schema(
    line_id="uuid", visit_id="uuid", location_id="uuid", date="date?", started_at="datetime?",
    finished_at="datetime?", state="str", service_id="uuid", service="str", area="str", method="str",
    practitioner_id="uuid", practitioner="str", room="str", blood_seen="bool", verdict="str",
    override={"type": ["object", "null"]}, records=array_of(_RECORD),
    aftercare_given=array_of(_GIVEN), patch_tests=array_of(_MADE),
    photographs=array_of(PHOTOGRAPH),
)  # fmt: skip


class ListTreatments(ApiView):
    """What was done on a client, newest first, with every record of it, and the client's wishes.

    For those who work on the client, where the client is known. That you read it is recorded.
    """

    access = {"GET": FLOOR}
    tag = "clients"
    problems = (Erased, Busy)
    parameters = {
        "limit": ("int", "1 to 100, 20 by default"),
        "cursor": ("str", "`next` of a page"),
    }
    output = object_schema(notice="str", wishes=WISHES, items=array_of(_TREATMENT), next="str?")

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        limit, before = page_limit(request, 20, 100), place_in_time(request)
        found = run(
            lambda: actions.read_treatments(
                actor=self.actor, now=self.now, client_id=id, before=before, limit=limit
            ),
            actor=self.actor,
            now=self.now,
        )
        following = next_in_time(found.pop("following"))
        return answer({"notice": shipped_rule_set().notice, **found, "next": following})
