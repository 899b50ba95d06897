"""The endpoint of the incident guides: what to do when somebody is hurt. Reads no row."""

from dataclasses import asdict
from typing import Any

from django.http import HttpResponse
from rest_framework.request import Request

from clients.rule_files import shipped_rule_set
from services.incident_guide_files import shipped_guides
from services.rules.incidents import Guide, Hurt, IncidentKind, steps_for
from spa_ops.kernel.problems import InvalidInput
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, ApiView, answer

_SOURCES = array_of(object_schema(ref="str", fact="str", strength="str", says="str"))
_STEP = object_schema(code="str", text="str", required="bool", minutes="int?", sources=_SOURCES)
_GUIDE = object_schema(kind="str", title="str", never="[str]", steps=array_of(_STEP))


class ListIncidentGuides(ApiView):
    """What to do when somebody is hurt or reacts, step by step; the emergency line comes first.

    First aid until someone trained takes over. The local board, the product's label and the
    emergency service's own advice come first.
    """

    access = {"GET": READERS}
    tag = "incidents"
    parameters = {
        "kind": ("str", "burn, skin_lifted, blood_exposure, reaction, eye_contact, fall or other"),
        "hurt": ("str", "client or team_member; none: the steps of both"),
        "area": ("str", "where on the body, a word of the screening rules"),
        "millimetres": ("int", "how long what is hurt is"),
    }
    output = object_schema(
        emergency="str", emergency_sources=_SOURCES, notice="str", version="str", digest="str",
        call_back_hours="[int]", call_back_sources=_SOURCES, items=array_of(_GUIDE),
    )  # fmt: skip

    def get(self, request: Request) -> HttpResponse:
        book, kind = shipped_guides(), self._word("kind", set(IncidentKind))
        hurt = self._word("hurt", set(Hurt))
        case = {
            "hurt": Hurt(hurt) if hurt else None,
            "area": self._word("area", shipped_rule_set().tree.touching.keys()),
            "millimetres": self._length(),
        }
        return answer(
            {
                "emergency": book.emergency,
                "emergency_sources": [asdict(s) for s in book.emergency_sources],
                "notice": book.notice,
                "version": book.version,
                "digest": book.digest,
                "call_back_hours": list(book.call_back_hours),
                "call_back_sources": [asdict(s) for s in book.call_back_sources],
                "items": [_guide(g, case) for g in book.guides if kind in {None, g.kind}],
            }
        )

    def _word(self, name: str, known: Any) -> str | None:
        word: str | None = self.query(name)
        if word is not None and word not in known:
            raise InvalidInput(
                {"pointer": f"?{name}", "code": "unknown", "message": "is not a known word"}
            )
        return word

    def _length(self) -> int | None:
        found: int | None = self.query("millimetres")
        if found is not None and found < 1:
            raise InvalidInput(
                {"pointer": "?millimetres", "code": "invalid", "message": "must be 1 or more"}
            )
        return found


def _guide(guide: Guide, case: dict[str, Any]) -> dict[str, Any]:
    return {
        "kind": guide.kind.value,
        "title": guide.title,
        "never": list(guide.never),
        "steps": [
            {
                "code": asked.step.code,
                "text": asked.step.text,
                "required": asked.required,
                "minutes": asked.step.minutes,
                "sources": [asdict(s) for s in asked.step.sources],
            }
            for asked in steps_for(guide, tree=shipped_rule_set().tree, **case)
        ],
    }
