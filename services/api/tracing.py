"""Endpoints that trace what touched a client, and whom else it touched."""

from datetime import datetime, timedelta
from typing import Any, ClassVar
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services.actions import tracing as actions
from services.api.places_in_time import next_in_time, place_in_time
from services.queries.tracing import Window
from spa_ops.kernel.problems import Busy, InvalidInput
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, ApiView, answer, page_limit

#: House policy: a week either way, and no more than a season.
DAYS, MOST_DAYS = 7, 90

_VIA = object_schema(what="str", id="uuid", side="str?")
_VISIT = object_schema(
    visit_id="uuid", client_id="uuid", location_id="uuid", starts_at="datetime", via=array_of(_VIA)
)
_BATH = object_schema(
    solution_id="uuid", container="str", disinfectant="str", mixed_at="datetime", mixed_by="uuid?",
    pour="str", discard_at="datetime", voided_at="datetime?", ended_at="datetime?", end_reason="str",
)  # fmt: skip
_LOAD = object_schema(
    load_id="uuid", steriliser_id="uuid", steriliser="str", number="int", started_at="datetime",
    state="str", faults="[str]",
)  # fmt: skip
_MET = array_of(object_schema(kind="str", agent_id="uuid", at="datetime"))
_NAMED = array_of(object_schema(id="uuid", name="str"))
SHARED: dict[str, Any] = {
    "start": "datetime", "end": "datetime", "visits": array_of(_VISIT), "next": "str?",
}  # fmt: skip
PAGES = {
    "limit": ("int", "visits in a page, 1 to 200, 50 by default"),
    "cursor": ("str", "`next` of a page; null: there are no more"),
}


USED_LOT = object_schema(
    visit_id="uuid", line_id="uuid", item_id="uuid", item="str", unit="str", lot_id="uuid?",
    lot_number="str?", expires_on="date?", container_id="uuid?", opened_at="datetime?",
    discard_by="date?", quantity="str", stated="bool",
)  # fmt: skip


SOLD_LOT = object_schema(
    visit_id="uuid", sale_id="uuid", item_id="uuid", item="str", unit="str", lot_id="uuid?", lot_number="str?",
    expires_on="date?", quantity="str", sold_at="datetime", undone="str?",
)  # fmt: skip


class Trace(ApiView):
    """One trace; each is recorded as a read of every client it shows."""

    access = {"GET": LEADS}
    tag = "tracing"
    problems = (Busy,)

    def asked(self) -> dict[str, Any]:
        """What the trace goes by, besides its start."""
        return {"days": self.whole_days()}

    def whole_days(self) -> int:
        """`days` of the query, 1 to 90; raises `InvalidInput`."""
        days = self.query("days")
        if days is not None and not 1 <= days <= MOST_DAYS:
            raise refused("days", f"must be 1 to {MOST_DAYS}")
        return DAYS if days is None else int(days)

    def trace(self, **asked: Any) -> dict[str, Any]:
        raise NotImplementedError

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        asked = self.asked() | {
            "after": place_in_time(request),
            "limit": page_limit(request, 50, 200),
        }
        found = run(
            lambda: self.trace(of=id, actor=self.actor, now=self.now, **asked),
            actor=self.actor,
            now=self.now,
        )
        following = next_in_time(found.pop("following"))
        return answer({**found, "next": following})


def refused(name: str, message: str) -> InvalidInput:
    return InvalidInput({"pointer": f"?{name}", "code": "invalid", "message": message})


class TraceVisit(Trace):
    """What a visit's client came in touch with, and which other clients' visits shared any of it.

    Kits, baths and steriliser's loads before and after, room, practitioner, products, lots and open containers of the stock, and
    what was sold.
    It shows what was shared, not that anybody was harmed: what follows is for your local health
    authority and the clients' doctors.
    """

    parameters: ClassVar = PAGES | {"days": ("int", "before and after the visit, 1 to 90, else 7")}
    output = object_schema(
        visit_id="uuid", client_id="uuid",
        kits=array_of(object_schema(kit_id="uuid", name="str", opened_at="datetime", cleared="bool")),
        implements=array_of(
            object_schema(kit_id="uuid", implement_id="uuid", tag="str", name="str",
                          used_at="datetime", before=_MET, after=_MET)
        ),
        baths=array_of(_BATH), loads=array_of(_LOAD), practitioners=_NAMED, rooms=_NAMED,
        products=array_of(object_schema(id="uuid", name="str", supplier="str", formula_version="str")),
        products_recorded="[str]", lots=array_of(USED_LOT),
        sold=array_of(SOLD_LOT), **SHARED,
    )  # fmt: skip

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_visit(visit_id=of, **asked)


class TraceKit(Trace):
    """The baths a kit lay in, and the visits that opened it or shared such a bath, in a span of time."""

    parameters: ClassVar = PAGES | {
        "from": ("datetime", "default: 7 days before `to`"),
        "to": ("datetime", "default: now; at most 90 days after `from`"),
    }
    output = object_schema(
        kit_id="uuid", name="str", baths=array_of(_BATH),
        implements=array_of(object_schema(id="uuid", tag="str", name="str")), **SHARED,
    )  # fmt: skip

    def asked(self) -> dict[str, Any]:
        return {"window": self._window()}

    def _window(self) -> Window:
        end: datetime = self.query("to") or self.now
        try:
            start: datetime = self.query("from") or end - timedelta(days=DAYS)
            fits = timedelta() < end - start <= timedelta(days=MOST_DAYS)
        except OverflowError:
            fits = False
        if not fits:
            raise refused("from", f"must be before `to`, and at most {MOST_DAYS} days")
        return Window(start=start, end=end)

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_kit(kit_id=of, **asked)


class TraceSolution(Trace):
    """The implements that lay in a soak solution, and the visits they were used at before or after."""

    parameters: ClassVar = PAGES | {
        "days": ("int", "before it was mixed and after it ended, 1 to 90, else 7")
    }
    output = object_schema(
        bath=_BATH,
        implements=array_of(
            object_schema(implement_id="uuid", tag="str", name="str", kit_id="uuid", times="int",
                          first_at="datetime", last_at="datetime")
        ),
        **SHARED,
    )  # fmt: skip

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_solution(solution_id=of, **asked)


class TraceLoad(Trace):
    """A steriliser's load, and the visits that what lay in it was used at before or after.

    It shows what was shared, not that anybody was harmed: what follows from a load that was recalled
    is for your local health authority and the clients' doctors.
    """

    parameters: ClassVar = PAGES | {"days": ("int", "before it was started, 1 to 90, else 7")}
    output = object_schema(
        load=_LOAD,
        implements=array_of(
            object_schema(implement_id="uuid", tag="str", name="str", kit_id="uuid", pouch="str")
        ),
        **SHARED,
    )  # fmt: skip

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_load(load_id=of, **asked)
