"""Endpoints of opening and closing lists: as JSON, as a page to print, ticks and signing off."""

from typing import Any, ClassVar
from uuid import UUID

from django.http import HttpResponse
from django.template.loader import render_to_string
from rest_framework import serializers as s
from rest_framework.renderers import JSONRenderer, StaticHTMLRenderer
from rest_framework.request import Request

from rooms.actions import check_lists as actions
from rooms.bodies import CHECK_LIST
from rooms.models import CheckList
from rooms.queries import check_lists as queries
from rooms.rules.check_lists import ListKind
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import InvalidInput, NotFound, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, STAFF, ApiView, Command, Strict, answer

#: The requirement packs begin with the first; a day has to end within the calendar.
FIRST_YEAR, LAST_YEAR = 1970, 9998
_NULL = {"type": "null"}
_ITEM = object_schema(
    item="str", code="str", title="str", name="str", subject_id="uuid?", asks="str", unit="str",
    citation="str", strength="str",
    known={"anyOf": [object_schema(met="bool", says="str"), _NULL]},
    state="str", number="str?", ticked_at="datetime?", ticked_by="uuid?", ticked_by_name="str",
)  # fmt: skip


class _ReadList(ApiView):
    access = {"GET": READERS}
    tag = "lists"
    problems = (NotFound,)
    kind: ClassVar[ListKind]
    parameters = {"day": ("date", "of the location; today unless said")}
    output = object_schema(
        location_id="uuid", kind="str", day="date", check_list_id="uuid?", due_at="datetime?", pack="str",
        note="str", caution="str", complete="bool", signed_off_at="datetime?", signed_off_by="uuid?",
        signed_off_by_name="str", counts=object_schema(done="int", blank="int", not_done="int", contradicted="int"),
        items=array_of(_ITEM),
    )  # fmt: skip

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        return answer(self.found(id))

    def found(self, location_id: UUID) -> dict[str, Any]:
        """The list as JSON values."""
        with reading(self.actor.business_id):
            place = tenancy.location(location_id, self.actor)
            self.zone, self.place_name = place.zone, place.name
            day = self.query("day") or local_date(self.now, place.zone)
            if not FIRST_YEAR <= day.year <= LAST_YEAR:
                raise InvalidInput(
                    {"pointer": "?day", "code": "invalid", "message": "is no day of this program"}
                )
            return queries.list_view(queries.day_list(place, self.kind, day, self.now))


class ReadOpeningList(_ReadList):
    """The opening list of a day: baths, pots, rooms, hand-wash, first aid, eye wash, blood-spill kit, sharps box.

    `known` is what the program itself knows now; it ticks nothing. `state` of an item is `done`,
    `blank`, `not_done` (said so) or `contradicted` (ticked while the program knew otherwise).
    """

    kind = ListKind.OPENING


class ReadClosingList(_ReadList):
    """The closing list of a day: rooms, baths, pots, used wax, towel warmer, linen, waste.

    `known` and `state` as in the opening list.
    """

    kind = ListKind.CLOSING


def _printed(row: dict[str, Any]) -> dict[str, Any]:
    """A row with the words of its codes."""
    known = row["known"] and row["known"] | {"says": row["known"]["says"].replace("_", " ")}
    return row | {"strength": row["strength"].replace("_", " "), "known": known}


class _Page(_ReadList):
    output = {"type": "string"}
    media_type = "text/html"
    renderer_classes = (JSONRenderer, StaticHTMLRenderer)

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        found = self.found(id)
        told = {
            "list": {name: value for name, value in found.items() if name != "items"},
            "rows": [_printed(row) for row in found["items"]],
            "zone": self.zone,
            "place": self.place_name,
            "made_at": self.now,
        }
        page = render_to_string("rooms/check_list.html", told)
        return HttpResponse(page, content_type="text/html; charset=utf-8")


class OpeningListPage(_Page):
    """The opening list as an HTML page to print, with a box for each item."""

    kind = ListKind.OPENING


class ClosingListPage(_Page):
    """The closing list as an HTML page to print, with a box for each item."""

    kind = ListKind.CLOSING


class TickListShape(Strict):
    id = s.UUIDField(required=False, help_text="the device's own, for what is sent later")
    item = s.CharField(max_length=80, help_text="`item` of the list")
    done = s.BooleanField(help_text="false: it is not done")
    number = s.DecimalField(
        max_digits=8,
        decimal_places=2,
        min_value=0,
        required=False,
        allow_null=True,
        help_text="the count or reading, where the item asks for one",
    )
    day = s.DateField(required=False, allow_null=True, help_text="of the list; today unless said")
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it was done; now unless said"
    )


class SignOffShape(Strict):
    day = s.DateField(required=False, allow_null=True, help_text="of the list; today unless said")


class _OnList(Command):
    access = {"POST": STAFF}
    entity = CHECK_LIST
    tag = "lists"
    kind: ClassVar[ListKind]

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # A tick may bring its own id: the address names the location.
        return self._command(request, location_id=path["id"])


class _Tick(_OnList):
    input = TickListShape
    status = 201

    def handle(self, **given: Any) -> CheckList:
        return actions.tick_list(kind=self.kind, **given)


class TickOpeningList(_Tick):
    """One item of the opening list was done, or is not done after all; the last tick of an item holds."""

    kind = ListKind.OPENING


class TickClosingList(_Tick):
    """One item of the closing list was done, or is not done after all; the last tick of an item holds."""

    kind = ListKind.CLOSING


class _SignOff(_OnList):
    input = SignOffShape
    problems = (WrongState,)

    def handle(self, **given: Any) -> CheckList:
        return actions.sign_off_list(kind=self.kind, **given)


class SignOffOpeningList(_SignOff):
    """The acting person answers for the day's opening list as it stands; blanks go on record as blanks."""

    kind = ListKind.OPENING


class SignOffClosingList(_SignOff):
    """The acting person answers for the day's closing list as it stands; blanks go on record as blanks."""

    kind = ListKind.CLOSING
