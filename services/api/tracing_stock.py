"""Endpoints that trace stock: from a lot or an open container to every client, and from a client to all lots."""

from datetime import timedelta
from typing import Any, ClassVar
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services.actions import tracing as actions
from services.api.tracing import PAGES, SHARED, SOLD_LOT, USED_LOT, Trace, refused
from services.queries.tracing import Window
from spa_ops.kernel.problems import Busy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, ApiView, answer

_LOT = object_schema(
    lot_id="uuid", location_id="uuid", item_id="uuid", number="str", expires_on="date?",
    received_at="datetime", withdrawn_at="datetime?",
)  # fmt: skip
_CONTAINER = object_schema(
    container_id="uuid", location_id="uuid", lot_id="uuid?", room_id="uuid?", opened_at="datetime",
    discard_by="date?", decanted_from_id="uuid?", closed_at="datetime?", closed_reason="str",
)  # fmt: skip
#: House policy: what a client is asked about in one read.
MOST_DAYS = 1100


def asked_window(view: ApiView, *, default_days: int | None) -> Window | None:
    """`from` and `to` of the query; None where neither is said and there is no default."""
    start, end = view.query("from"), view.query("to")
    if default_days is None and start is None and end is None:
        return None
    try:
        end = end or view.now + timedelta(days=1)
        start = start or end - timedelta(days=default_days or MOST_DAYS)
        fits = timedelta() < end - start <= timedelta(days=MOST_DAYS)
    except OverflowError:
        fits = False
    if not fits:
        raise refused("from", f"must be before `to`, and at most {MOST_DAYS} days")
    return Window(start=start, end=end)


class _TraceStock(Trace):
    parameters: ClassVar = PAGES | {
        "from": ("datetime", "default: since it came or was opened"),
        "to": ("datetime", "default: now"),
    }

    def asked(self) -> dict[str, Any]:
        return {"window": asked_window(self, default_days=None)}


class TraceLot(_TraceStock):
    """A lot, what was opened of it, and every visit whose lines used any of it, or whose client bought it (`sold`).

    An owner sees the lots of that item and number at all locations. A line is taken to have used what
    stood open in its room at the time, unless its record says otherwise. It shows what was shared,
    not that anybody was harmed.
    """

    output = object_schema(lots=array_of(_LOT), containers=array_of(_CONTAINER), **SHARED)

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_lot(lot_id=of, **asked)


class TraceContainer(_TraceStock):
    """An opened container, what was decanted from it, and every visit whose lines used any of these."""

    output = object_schema(
        container_id="uuid", item_id="uuid", containers=array_of(_CONTAINER), **SHARED
    )

    def trace(self, *, of: UUID, **asked: Any) -> dict[str, Any]:
        return actions.trace_container(container_id=of, **asked)


class TraceClient(ApiView):
    """Every lot and open container of the stock that touched a client, visit by visit, and what was sold to them.

    That you read it is recorded.
    """

    access = {"GET": LEADS}
    tag = "tracing"
    problems = (Erased, Busy)
    parameters: ClassVar = {
        "from": ("datetime", "visits due since then; default: a year before `to`"),
        "to": ("datetime", "visits due before then; default: now"),
    }
    output = object_schema(
        client_id="uuid",
        start="datetime",
        end="datetime",
        lots=array_of(USED_LOT),
        sold=array_of(SOLD_LOT),
    )

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        window = asked_window(self, default_days=366)
        assert window is not None  # noqa: S101
        found = run(
            lambda: actions.trace_client(
                actor=self.actor, now=self.now, client_id=id, window=window
            ),
            actor=self.actor,
            now=self.now,
        )
        return answer(found)
