"""Endpoints of disinfectants, soak solutions, kits and implements."""

from decimal import Decimal
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.disinfection import actions, queries
from compliance.disinfection.api import serializers as shapes
from compliance.disinfection.bodies import KIT, PRODUCT, SOLUTION
from compliance.disinfection.models import Kit, Product
from compliance.disinfection.problems import KitEmpty
from compliance.disinfection.rules import mixing
from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from compliance.disinfection.rules.use_window import EndReason
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.problems import AlreadyCorrected, InvalidInput
from spa_ops.kernel.units import VolumeUnit, from_millilitres, to_millilitres
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    LEADS,
    READERS,
    STAFF,
    ApiView,
    Command,
    ListView,
    RowView,
    answer,
    page_limit,
)

MIXING_CAUTION = (
    "Gloves, eye protection and fresh air. Water first, then concentrate, unless the label says otherwise. "
    "Bleach never with acid, ammonia or another disinfectant. The product's label comes first."
)


class ListProducts(ListView):
    """Disinfectants by their labels."""

    access = {"GET": READERS}
    entity = PRODUCT


class AddProduct(Command):
    """Put a disinfectant's label on file. Without a contact time it clears nothing."""

    access = {"POST": LEADS}
    input = shapes.AddProduct
    entity = PRODUCT
    status = 201

    def handle(self, *, use_limits: Any = (), **given: Any) -> Product:
        return actions.add_product(use_limits=[dict(x) for x in use_limits], **given)


class ReadProduct(RowView):
    """One disinfectant."""

    access = {"GET": READERS}
    entity = PRODUCT


class ReadAmounts(ApiView):
    """How much concentrate and water for a finished volume, by the label; with the usual cautions."""

    access = {"GET": READERS}
    parameters = {
        "amount": ("str", "finished volume, a decimal number"),
        "unit": ("str", "one of " + ", ".join(shapes.UNITS)),
    }
    output = object_schema(
        caution="str",
        concentrate_ml="str",
        water_ml="str",
        concentrate="str",
        water="str",
        unit="str",
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        unit = self._unit()
        finished = to_millilitres(self._amount(), unit)
        with reading(self.actor.business_id):
            label = queries.dilution_of(tenancy.loaded(Product, id, self.actor))
        found = mixing.amounts_for_finished(label, finished)
        return answer(
            {
                "caution": MIXING_CAUTION,
                "concentrate_ml": f"{found.concentrate_ml:.1f}",
                "water_ml": f"{found.water_ml:.1f}",
                "concentrate": f"{from_millilitres(found.concentrate_ml, unit):.3f}",
                "water": f"{from_millilitres(found.water_ml, unit):.3f}",
                "unit": unit.value,
            }
        )

    def _unit(self) -> VolumeUnit:
        try:
            return VolumeUnit(self.query("unit") or "")
        except ValueError:
            raise _wrong("unit", "must be one of " + ", ".join(shapes.UNITS)) from None

    def _amount(self) -> Decimal:
        try:
            amount = Decimal(self.query("amount") or "")
        except ArithmeticError:
            raise _wrong("amount", "must be a decimal number") from None
        if not (amount.is_finite() and 0 < amount <= 100_000):
            raise _wrong("amount", "must be above 0 and at most 100000")
        return amount


def _wrong(name: str, message: str) -> InvalidInput:
    return InvalidInput({"pointer": f"?{name}", "code": "invalid", "message": message})


class ListSolutions(ListView):
    """The baths of a location, the newest last; `usable=true` for those in use."""

    access = {"GET": READERS}
    entity = SOLUTION
    order = "e.mixed_at"
    order_type = "timestamptz"
    parameters = {"usable": ("bool", "only baths that are not ended")}

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        tenancy.location(id, self.actor)
        found: list[tuple[str, list[Any]]] = [("e.location_id = %s", [id])]
        if self.query("usable"):
            found.append(("e.ended_at IS NULL", []))
        return found


class MixSolution(Command):
    """Record a bath: what was poured, judged against the label, and when to discard it.

    Gloves, eye protection and fresh air; water first, then concentrate, unless the label says otherwise;
    bleach never with acid, ammonia or another disinfectant. The product's label comes first.
    """

    access = {"POST": STAFF}
    input = shapes.MixSolution
    entity = SOLUTION
    status = 201

    def handle(self, *, location: UUID, concentrate: Any, water: Any, **given: Any) -> Any:
        return actions.mix_solution(
            location_id=location,
            concentrate=(concentrate["amount"], VolumeUnit(concentrate["unit"])),
            water=(water["amount"], VolumeUnit(water["unit"])),
            **given,
        )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadSolution(RowView):
    """One bath with its use window and every limit on it."""

    access = {"GET": READERS}
    entity = SOLUTION


class _OnSolution(Command):
    access = {"POST": STAFF}
    entity = SOLUTION

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, solution_id=path["id"])


class EndSolution(_OnSolution):
    """A bath is over: emptied, visibly contaminated, or its strip failed."""

    input = shapes.EndSolution

    def handle(self, *, reason: str, **given: Any) -> Any:
        return actions.end_solution(reason=EndReason(reason), **given)


class RecordAddedToSoak(_OnSolution):
    """Something without a tag went in: the time of all in it starts anew; uncleaned, it voids the bath."""

    input = shapes.AddedToSoak

    def handle(self, **given: Any) -> Any:
        return actions.record_added_to_soak(**given)


class ListKits(ListView):
    """The kits of a location with their implements."""

    access = {"GET": READERS}
    entity = KIT

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        tenancy.location(id, self.actor)
        return [("e.location_id = %s", [id])]


class AddKit(Command):
    """Add a kit, empty until implements are added."""

    access = {"POST": LEADS}
    input = shapes.AddKit
    entity = KIT
    status = 201

    def handle(self, *, location: UUID, **given: Any) -> Kit:
        return actions.add_kit(location_id=location, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadKit(RowView):
    """One kit with its implements."""

    access = {"GET": READERS}
    entity = KIT


class AddImplement(Command):
    """Add an implement to a kit; it counts as soiled until its way back is on record."""

    access = {"POST": LEADS}
    input = shapes.AddImplement
    entity = KIT
    status = 201

    def handle(self, *, kit: UUID, kind: str, **given: Any) -> Kit:
        return actions.add_implement(kit_id=kit, kind=ImplementClass(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, kit=path["id"])


class RecordReprocessing(Command):
    """One step of the way back, for a whole kit or some of it, recorded as it happened.

    What was done wrongly is kept and does not clear; read the kit's clearance for what to do.
    """

    access = {"POST": STAFF}
    input = shapes.RecordReprocessing
    entity = KIT
    problems = (KitEmpty,)

    def handle(self, *, kind: str, **given: Any) -> Kit:
        return actions.record_reprocessing(kind=EventKind(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, kit_id=path["id"])


class StrikeEvent(Command):
    """A mis-tap: this event did not happen. It stays on record, struck out, and states are derived again."""

    access = {"POST": STAFF}
    input = shapes.StrikeEvent
    entity = KIT
    tag = "kits"
    problems = (AlreadyCorrected,)

    def handle(self, **given: Any) -> Kit:
        return actions.strike_event(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, event_id=path["id"])


class ListKitEvents(ApiView):
    """The newest events of a kit's implements; struck ones say why."""

    access = {"GET": READERS}
    tag = "kits"
    parameters = {"limit": ("int", "1 to 200")}
    output = object_schema(
        items=array_of(
            object_schema(
                id="uuid", implement_id="uuid", kind="str", at="datetime", recorded_at="datetime",
                person_id="uuid?", agent_id="uuid?", struck_because="str?",
            )
        )
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        limit = page_limit(request, 50, 200)
        with reading(self.actor.business_id):
            tenancy.loaded(Kit, id, self.actor)
            return answer({"items": queries.events_of_kit(id, limit)})


class ReadClearance(ApiView):
    """Each implement of a kit now: cleared or not, why, what to do, and how long it must stay wet."""

    access = {"GET": READERS}
    output = object_schema(
        caution="str",
        items=array_of(
            object_schema(
                **{"class": "str"}, implement_id="uuid", tag="str", name="str", state="str", since="datetime?",
                is_cleared="bool", may_be_used="bool", reason="str", what_to_do="str", basis="str",
                due_at="datetime?", seconds_left="int?",
            )
        ),
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            kit = tenancy.loaded(Kit, id, self.actor)
            return answer({"caution": CAUTION, "items": queries.clearances(kit, self.now)})
