"""Endpoints of equipment and its log."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from rooms.actions import equipment as actions
from rooms.bodies import EQUIPMENT
from rooms.models import Equipment, EquipmentEntry
from rooms.queries import equipment_views as queries
from rooms.rules.equipment import EquipmentKind, LogKind
from rooms.rules.linen import Laundering
from rooms.rules.temperature import TemperatureUnit
from spa_ops.kernel.problems import AlreadyCorrected, NotAllowed, NotFound, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import LocationListView
from spa_ops.unit.work import reading
from spa_ops.web import bodies
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    LEADS,
    READERS,
    STAFF,
    ApiView,
    Command,
    Edit,
    RowView,
    Strict,
    answer,
    page_limit,
)

_SCALES = object_schema(c="str", f="str")
_FLAWS = array_of(object_schema(flaw="str", what_to_do="str"))


class AddEquipmentShape(Strict):
    id = s.UUIDField(required=False)
    kind = s.ChoiceField([kind.value for kind in EquipmentKind])
    name = s.CharField(max_length=120)
    room_id = s.UUIDField(
        required=False, allow_null=True, help_text="where it stands; none: for the location"
    )
    method = s.ChoiceField(
        ["soft_wax", "hard_wax"], required=False, help_text="of a wax pot, and of nothing else"
    )
    in_date_through = s.DateField(
        required=False, allow_null=True, help_text="the last day on which it may be used"
    )


class ChangeEquipmentShape(Strict):
    name = s.CharField(max_length=120, required=False)
    room_id = s.UUIDField(required=False, allow_null=True)
    in_date_through = s.DateField(required=False, allow_null=True)


def _degrees(text: str) -> s.DecimalField:
    return s.DecimalField(max_digits=6, decimal_places=2, required=False, allow_null=True, help_text=text)  # fmt: skip


class LogEquipmentShape(Strict):
    id = s.UUIDField(required=False, help_text="the device's own, for what is sent later")
    kind = s.ChoiceField([kind.value for kind in LogKind])
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it was done; now unless said"
    )
    degrees = _degrees("what the thermometer shows, or how hot a wash was")
    unit = s.ChoiceField([unit.value for unit in TemperatureUnit], required=False)
    container_id = s.UUIDField(
        required=False,
        allow_null=True,
        help_text="the open container of stock that a pot is filled from: product, lot and dates are its own",
    )
    product = s.CharField(
        max_length=200, required=False, help_text="of a filling that is from no stock on file"
    )
    lot = s.CharField(max_length=80, required=False, allow_blank=True)
    lowest = _degrees("the lower end of the product label's range, in `unit`")
    highest = _degrees("the upper end of it")
    opened_on = s.DateField(required=False, allow_null=True)
    use_by = s.DateField(
        required=False, allow_null=True, help_text="the last day on which the wax may be used"
    )
    minutes = s.IntegerField(
        min_value=1,
        max_value=1440,
        required=False,
        allow_null=True,
        help_text="at that temperature; filling and mixing not counted",
    )
    used = s.ListField(
        child=s.ChoiceField([one.value for one in Laundering]), max_length=10, required=False
    )
    load = s.CharField(
        max_length=200, required=False, allow_blank=True, help_text="what was washed"
    )
    in_date_through = s.DateField(required=False, allow_null=True)


class StrikeEntryShape(Strict):
    reason = s.CharField(max_length=500)


class ListEquipment(LocationListView):
    """The equipment of a location: wax pots, towel warmers, foot basins, boxes and kits; also retired."""

    access = {"GET": READERS}
    entity = EQUIPMENT
    tag = "equipment"


class AddEquipment(Command):
    """Put a piece of equipment on file. A waxing line in a room asks for a reading of its pots on file."""

    access = {"POST": LEADS}
    input = AddEquipmentShape
    entity = EQUIPMENT
    status = 201
    tag = "equipment"
    problems = (NotFound,)

    def handle(self, *, location: UUID, kind: str, **given: Any) -> Equipment:
        return actions.add_equipment(location_id=location, kind=EquipmentKind(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadEquipment(RowView):
    """One piece of equipment."""

    access = {"GET": READERS}
    entity = EQUIPMENT
    tag = "equipment"


class ChangeEquipment(Edit):
    """Another name, room or date."""

    access = {"PATCH": LEADS}
    input = ChangeEquipmentShape
    entity = EQUIPMENT
    tag = "equipment"

    def handle(self, *, id: UUID, **given: Any) -> Equipment:
        return actions.change_equipment(equipment_id=id, **given)


class RetireEquipment(Command):
    """Take a piece off file; its log stays."""

    access = {"POST": LEADS}
    entity = EQUIPMENT
    tag = "equipment"
    problems = (WrongState,)

    def handle(self, **given: Any) -> Equipment:
        return actions.retire_equipment(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, equipment_id=path["id"])


_LOG = array_of(
    object_schema(
        id="uuid", kind="str", happened_at="datetime", recorded_at="datetime", recorded_by="uuid?",
        degrees={"anyOf": [_SCALES, {"type": "null"}]}, said="object", flaws=_FLAWS,
        struck_because="str?",
    )
)  # fmt: skip


class ReadEquipmentLog(ApiView):
    """The log of a piece, newest first, with what was wrong and what to do then."""

    access = {"GET": READERS}
    tag = "equipment"
    problems = (NotFound,)
    parameters = {"limit": ("int", "1 to 500, 100 by default")}
    output = object_schema(equipment_id="uuid", items=_LOG)

    def get(self, request: Request, id: UUID) -> HttpResponse:
        limit = page_limit(request, 100, 500)
        with reading(self.actor.business_id):
            row = tenancy.loaded(Equipment, id, self.actor)
            return answer({"equipment_id": row.id, "items": queries.log_of(row.id, limit)})


_POT = object_schema(
    equipment_id="uuid", room_id="uuid", name="str", method="str", may_be_used="bool", reason="str?",
    what_to_do="str",
    filling={
        "anyOf": [
            object_schema(entry_id="uuid", product="str", lot="str", use_by="date?", lowest=_SCALES, highest=_SCALES),
            {"type": "null"},
        ]
    },
    reading={"anyOf": [object_schema(at="datetime", degrees=_SCALES), {"type": "null"}]},
)  # fmt: skip
_OTHER = object_schema(
    equipment_id="uuid", room_id="uuid?", kind="str", name="str", in_date_through="date?",
    due=array_of(
        object_schema(
            event="str", every_days="int", days=array_of({"type": "string", "format": "date"}),
            stops_use="bool", citation="str", strength="str",
        )
    ),
    may_be_used="bool", reason="str?", what_to_do="str", flaws=_FLAWS,
)  # fmt: skip


class _Logged(Command):
    """Answers with the piece, the entry, and whether the piece may be used now."""

    access = {"POST": STAFF}
    tag = "equipment"
    output = {
        "allOf": [
            EQUIPMENT.schema,
            object_schema(
                at="datetime", caution="str", notice="str",
                entry=object_schema(id="uuid", kind="str", happened_at="datetime", flaws=_FLAWS),
                stands={"anyOf": [_POT, _OTHER, {"type": "null"}]},
            ),
        ]
    }  # fmt: skip

    def render(self, entity_id: UUID | None) -> bytes:
        entry = queries.logged(entity_id)
        piece = orjson.loads(bodies.body(EQUIPMENT, entry.equipment_id, self.actor).json)
        return orjson.dumps(piece | queries.after_entry(entry, self.now))


class LogEquipment(_Logged):
    """What was done to a piece or read off it, as it happened; what is wrong is recorded with a flaw.

    The answer says at once what was wrong with the entry and whether the piece may be used now
    (`stands`, as in the equipment states): a pot with its range, why not and what to do.

    Of a wax pot: `filled` (product, lot and the label's range), `measured`, `switched_off` (off and
    covered), `contaminated`, `emptied`, `cleaned`. Of a towel warmer: `disinfected`, `left_open`
    (emptied and left open overnight). Of a foot basin: `after_client`, `end_of_day`, `weekly`. A day
    of no use: `idle_day`. Of a sharps box: `opened`, `full`, `replaced`. Of a washing machine:
    `washed` with degrees and minutes, or with what was `used`. Never heat wax in a microwave.
    """

    input = LogEquipmentShape
    status = 201
    problems = (NotAllowed, WrongState)

    def handle(self, *, kind: str, **given: Any) -> EquipmentEntry:
        return actions.log_equipment(kind=LogKind(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The entry may bring its own id: the address names the piece.
        return self._command(request, equipment_id=path["id"])


class StrikeEquipmentEntry(_Logged):
    """A mis-tap: this entry was wrong. It stays on record, struck out; `stands` is without it."""

    input = StrikeEntryShape
    problems = (AlreadyCorrected,)

    def handle(self, **given: Any) -> EquipmentEntry:
        return actions.strike_equipment_entry(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, entry_id=path["id"])


class ReadEquipmentStates(ApiView):
    """Where all equipment of a location stands: pots with range and last reading, the rest with what is due.

    A pot may be used when its last reading is of today and within the product's range. `due` names
    the open days on which care was not logged, with the rule that asks for it.
    """

    access = {"GET": READERS}
    tag = "equipment"
    problems = (NotFound,)
    output = object_schema(
        at="datetime", caution="str", notice="str", wax_pots=array_of(_POT), others=array_of(_OTHER)
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer(queries.states_view(tenancy.location(id, self.actor), self.now))
