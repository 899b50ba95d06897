"""Endpoints of the set-up list: one visit's, ticking it off, and a day's as JSON and as a page to print."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.template.loader import render_to_string
from rest_framework import serializers as s
from rest_framework.renderers import JSONRenderer, StaticHTMLRenderer
from rest_framework.request import Request

from compliance.requirements.rules.packs import CAUTION
from rooms.rules.stock import plain
from services.actions import set_up as actions
from services.api.treatments import WISHES
from services.bodies.set_up import TICK
from services.models import SetUpTick
from services.queries import set_up as queries
from services.queries import stock
from services.rules.set_up import SetUpItem, WaxDrawing
from services.rules.set_up_ticks import is_complete, state_of, to_put_back
from services.set_up_files import shipped_set_up
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import Busy, InvalidInput, NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading, run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, ApiView, Command, Strict, answer

#: The requirement packs begin with the first; a day has to end within the calendar.
FIRST_YEAR, LAST_YEAR = 1970, 9998
_SOURCES = array_of(object_schema(ref="str", fact="str", strength="str", says="str"))
_DRAWING = object_schema(
    way="str",
    allowed="[str]",
    citation="str",
    strength="str",
    pack="str",
    note="str",
    caution="str",
)
_ROW: dict[str, Any] = {
    "item": "str", "code": "str", "size": "str", "title": "str", "count": "int", "stays": "bool",
    "for_practitioner": "bool",
}  # fmt: skip
_STOCK: dict[str, Any] = {"in_stock": {"type": ["string", "null"]}, "missing": "int?"}
_STATE: dict[str, Any] = {
    "state": {"type": ["string", "null"]}, "ticked_by": "uuid?", "ticked_at": "datetime?"
}  # fmt: skip
_ITEM = object_schema(
    **_ROW, **_STATE, **_STOCK, variant="str", must_check_label="bool", because="[str]", changed="bool",
    sources=_SOURCES,
)  # fmt: skip
_PUT_BACK = array_of(object_schema(item="str", title="str", count="int"))
_RECORD = object_schema(
    visit_id="uuid", area="str", method="str", recorded_at="datetime", record="object"
)
_NOTES = object_schema(
    wishes=WISHES, last_visit={**_RECORD, "type": ["object", "null"]},
    not_confirmed=object_schema(imported="str?", allergies="[str]"),
)  # fmt: skip
_HEAD: dict[str, Any] = {
    "version": "str", "language": "str", "notice": "str", "drawing": _DRAWING
}  # fmt: skip


class ReadSetUpList(ApiView):
    """What to lay out for a visit, in the order of laying out, each item with who says so.

    Made anew each time, so that it follows lines that are added or dropped and what is said in the
    consultation (`changed`). `state` is `to_do`, `laid_out`, `more_needed`, `lay_out_again` (laid out
    before something was known that makes it another) or `struck_out`. Those who work on the client
    see `because` and `notes`, and that they read it is recorded; `not_confirmed` is what an import or
    the intake says and nobody asked about yet: it changes nothing on the list. For the front desk nothing on the
    list depends on the client: rows `for_practitioner` are laid out by the practitioner, have no
    state there, and do not count for `complete`. `in_stock` is how much of a row that is kept in
    stock may be used on that day, in the item's unit, and `missing` for how many that is not enough;
    null: it is not kept in stock.
    """

    access = {"GET": STAFF}
    tag = "set-up"
    problems = (Erased, Busy)
    output = object_schema(
        visit_id="uuid", **_HEAD, complete="bool", items=array_of(_ITEM), put_back=_PUT_BACK,
        notes={**_NOTES, "type": ["object", "null"]},
    )  # fmt: skip

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        visit, found, notes, stocked = run(lambda: self._read(id), actor=self.actor, now=self.now)
        knows = notes is not None
        own = [item for item in found.items if knows or not item.by_practitioner]
        return answer(
            {
                "visit_id": visit.id,
                **_head(found.drawing),
                "complete": is_complete(own, found.ticks),
                "items": [
                    _item(item, found, knows=knows) | _stock(item, stocked) for item in found.items
                ],
                "put_back": [
                    {"item": t.item, "title": queries.title_of(t.item), "count": t.count}
                    for t in to_put_back(found.items, found.ticks)
                ],
                "notes": notes,
            }
        )

    def _read(self, visit_id: UUID) -> tuple[Any, ...]:
        visit, found, notes = actions.read_set_up(actor=self.actor, now=self.now, visit_id=visit_id)
        place = visit.location
        day = local_date(visit.starts_at, place.zone)
        return visit, found, notes, stock.in_stock(found.items, place.id, day)


def _head(drawing: queries.Drawing) -> dict[str, Any]:
    book, allowed = shipped_set_up(), drawing.allowed
    return {
        "version": book.version,
        "language": book.language,
        "notice": book.notice,
        "drawing": {
            "way": drawing.way.value,
            "allowed": allowed.value,
            "citation": allowed.citation,
            "strength": allowed.strength.value,
            "pack": allowed.pack,
            "note": allowed.note,
            "caution": CAUTION,
        },
    }


def _row(item: SetUpItem) -> dict[str, Any]:
    return {
        "item": item.key,
        "code": item.code,
        "size": item.size,
        "title": item.title,
        "count": item.count,
        "stays": item.stays,
        "for_practitioner": item.by_practitioner,
    }


def _stock(item: SetUpItem, stocked: Mapping[str, stock.InStock]) -> dict[str, Any]:
    one = stocked.get(item.key)
    if one is None:
        return {"in_stock": None, "missing": None}
    return {"in_stock": plain(one.available), "missing": one.missing}


def _state(item: SetUpItem, found: queries.SetUp, *, knows: bool) -> dict[str, Any]:
    tick = found.ticks.get(item.key)
    hidden = item.by_practitioner and not knows
    return {
        "state": None if hidden else state_of(item, tick).value,
        "ticked_by": tick.recorded_by if tick else None,
        "ticked_at": tick.happened_at if tick else None,
    }


def _item(item: SetUpItem, found: queries.SetUp, *, knows: bool) -> dict[str, Any]:
    return {
        **_row(item),
        **_state(item, found, knows=knows),
        "variant": item.variant,
        "must_check_label": item.must_check_label,
        "because": item.because,
        "changed": item.key in found.changed,
        "sources": [asdict(source) for source in item.sources],
    }


class TickShape(Strict):
    id = s.UUIDField(required=False, help_text="the device's own, for what is sent later")
    item = s.CharField(max_length=80, help_text="`item` of the visit's list")
    laid_out = s.BooleanField(help_text="false: it is not laid out after all")
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it was done; now unless said"
    )


class TickItem(Command):
    """One item of a visit's set-up list was laid out, as many as it asks for, or is not after all.

    The last tick of an item holds, by when it happened. The one that completes the list as the
    practitioner sees it leaves evidence.
    """

    access = {"POST": STAFF}
    tag = "set-up"
    input = TickShape
    entity = TICK
    status = 201
    problems = (Erased,)

    def handle(self, **given: Any) -> SetUpTick:
        return actions.tick_item(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The tick may bring its own id: the address names the visit.
        return self._command(request, visit_id=path["id"])


_TOTAL = object_schema(**_ROW, **_STOCK)
_DAY_ITEM = object_schema(**_ROW, **_STATE)
_DAY_VISIT = object_schema(
    visit_id="uuid", state="str", starts_at="datetime", set_up_at="datetime", rooms="[str]",
    practitioners="[str]", complete="bool", items=array_of(_DAY_ITEM),
)  # fmt: skip


class ReadDaySetUp(ApiView):
    """What to lay out for all visits that begin on a day, each by itself and all together.

    The same for whoever reads it: nothing on it depends on a client's health, so that it can hang in
    the room; what the practitioner lays out is named in general, and is in each visit's own list.
    What `stays` is counted by room, the rest adds up. `missing` is what there is not enough of for
    the visits that are not over.
    """

    access = {"GET": STAFF}
    tag = "set-up"
    problems = (NotFound,)
    parameters = {
        "day": ("date", "of the location; today unless said"),
        "room_id": ("uuid", "only what is done in that room"),
    }
    output = object_schema(
        location_id="uuid", day="date", **_HEAD, totals=array_of(_TOTAL),
        visits=array_of(_DAY_VISIT),
    )  # fmt: skip

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        return answer(self.found(id))

    def found(self, location_id: UUID) -> dict[str, Any]:
        """The day's lists as JSON values."""
        with reading(self.actor.business_id):
            place = tenancy.location(location_id, self.actor)
            self.zone = place.zone
            day = self.query("day") or local_date(self.now, place.zone)
            if not FIRST_YEAR <= day.year <= LAST_YEAR:
                raise InvalidInput(
                    {"pointer": "?day", "code": "invalid", "message": "is no day of this program"}
                )
            visits, together = queries.day_at(place, day, self.query("room_id"))
            drawing = queries.drawing_on(place, day)
            needed = queries.still_needed(visits, together)
            stocked = stock.in_stock(needed, place.id, day)
        return {
            "location_id": place.id,
            "day": day,
            **_head(drawing),
            "totals": [_row(item) | _stock(item, stocked) for item in together],
            "visits": [_day_visit(one) for one in visits],
        }


def _day_visit(one: queries.DayVisit) -> dict[str, Any]:
    own = [item for item in one.set_up.items if not item.by_practitioner]
    return {
        "visit_id": one.visit.id,
        "state": one.visit.state,
        "starts_at": one.visit.starts_at,
        "set_up_at": min(line.set_up_at for line in one.lines),
        "rooms": list(dict.fromkeys(line.room.name for line in one.lines)),
        "practitioners": list(dict.fromkeys(line.practitioner.name for line in one.lines)),
        "complete": is_complete(own, one.set_up.ticks),
        "items": [_row(i) | _state(i, one.set_up, knows=False) for i in one.set_up.items],
    }


class DaySetUpPage(ReadDaySetUp):
    """The same as an HTML page to print, with a box for each item; times are the location's."""

    output = {"type": "string"}
    media_type = "text/html"
    renderer_classes = (JSONRenderer, StaticHTMLRenderer)

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        found = self.found(id)
        # In a template `visit.items` would be the dictionary's method.
        visits = [v | {"rows": [_printed(row) for row in v["items"]]} for v in found["visits"]]
        drawing = found["drawing"]
        words = {"way": _DRAWN[drawing["way"]], "strength": drawing["strength"].replace("_", " ")}
        told = {
            "visits": visits, "zone": self.zone, "made_at": self.now, "drawing": drawing | words
        }  # fmt: skip
        page = render_to_string("services/set_up_day.html", found | told)
        return HttpResponse(page, content_type="text/html; charset=utf-8")


#: How wax is drawn, in words for the wall of a room.
_DRAWN = {
    WaxDrawing.NEW_EACH_DIP: "a new applicator for each application, never dipped again",
    WaxDrawing.DISINFECTED_EACH_DIP: "a freshly disinfected applicator for each dip",
    WaxDrawing.DECANTED_CUP: "one client's wax in a throw-away cup; what is left never goes back",
    WaxDrawing.SQUEEZE_BOTTLE: "a squeeze bottle with one client's wax, and new applicators",
}
#: State -> what stands beside the box of what is not laid out.
_WORDS = {"more_needed": "more needed", "to_do": "to do", None: "by the practitioner"}


def _printed(row: dict[str, Any]) -> dict[str, Any]:
    return row | {"words": _WORDS.get(row["state"], "laid out")}
