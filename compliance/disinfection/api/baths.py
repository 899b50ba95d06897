"""Endpoints of disinfectants, the containers they are mixed in, and soak solutions."""

from decimal import Decimal
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.disinfection import actions, queries
from compliance.disinfection.api import serializers as shapes
from compliance.disinfection.bodies import CONTAINER, PRODUCT, SOLUTION
from compliance.disinfection.models import Product
from compliance.disinfection.problems import NoStripTarget
from compliance.disinfection.rules import mixing
from compliance.disinfection.rules.labels import Family, cautions_for, mixing_order
from compliance.disinfection.rules.use_window import EndReason
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.problems import InvalidInput, WrongState
from spa_ops.kernel.units import MILLILITRES, VolumeUnit, jug_of, to_millilitres
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    ANYONE,
    DEVICE,
    LEADS,
    READERS,
    STAFF,
    ApiView,
    Command,
    Edit,
    ListView,
    RowView,
    answer,
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

    def handle(self, *, use_limits: Any = (), not_for: Any = None, **given: Any) -> Product:
        return actions.add_product(
            use_limits=[dict(x) for x in use_limits], not_for=dict(not_for or {}), **given
        )


class ReadProduct(RowView):
    """One disinfectant."""

    access = {"GET": READERS}
    entity = PRODUCT


class ReadAmounts(ApiView):
    """How much concentrate and water for a volume, by the label, in the order to pour, with the cautions.

    `of=water` for water that is measured already; otherwise the volume is the finished bath's. The
    amounts are rounded so that what is poured just so is no weaker than the label; `order` has them in
    the unit of a small jug.
    """

    access = {"GET": READERS}
    parameters = {
        "amount": ("str", "the volume, a decimal number"),
        "unit": ("str", "one of " + ", ".join(shapes.UNITS)),
        "of": ("str", "`finished` (unless said) or `water`"),
    }
    output = object_schema(
        caution="str",
        cautions="[str]",
        order="str",
        concentrate_ml="str",
        water_ml="str",
        concentrate="str",
        water="str",
        unit="str",
        ppm="str?",
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        unit = self._unit()
        asked = to_millilitres(self._amount(), unit)
        with reading(self.actor.business_id):
            product = tenancy.loaded(Product, id, self.actor)
        label = queries.dilution_of(product)
        found = self._amounts(label, asked)
        concentrate, water, places = mixing.told(found, unit_ml=MILLILITRES[unit], places=3)
        in_ml = mixing.told(found, unit_ml=Decimal(1), places=1)
        jug, marks = jug_of(unit)
        on_jug = mixing.told(found, unit_ml=MILLILITRES[jug], places=marks)
        ppm = queries.target_ppm(product)
        return answer(
            {
                "caution": MIXING_CAUTION,
                "cautions": [
                    *([product.cautions] if product.cautions else []),
                    *mixing.CAUTIONS,
                    *cautions_for(Family(product.family)),
                ],
                "order": mixing_order(
                    concentrate=f"{on_jug[0].normalize():f} {jug}",
                    water=f"{on_jug[1].normalize():f} {jug}",
                    concentrate_first=product.concentrate_first,
                    ready=label.parts_water == 0,
                ),
                "concentrate_ml": f"{in_ml[0]:.{in_ml[2]}f}",
                "water_ml": f"{in_ml[1]:.{in_ml[2]}f}",
                "concentrate": f"{concentrate:.{places}f}",
                "water": f"{water:.{places}f}",
                "unit": unit.value,
                "ppm": None if ppm is None else f"{ppm:.1f}",
            }
        )

    def _amounts(self, label: mixing.Dilution, asked: Decimal) -> mixing.Amounts:
        measured = self.query("of") or "finished"
        if measured not in {"finished", "water"}:
            raise _wrong("of", "must be finished or water")
        if measured == "finished":
            return mixing.amounts_for_finished(label, asked)
        if label.parts_water == 0:
            raise _wrong("of", "this product is ready to use and takes no water")
        return mixing.amounts_for_water(label, asked)

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


def _volume(poured: Any) -> tuple[Decimal, VolumeUnit]:
    return poured["amount"], VolumeUnit(poured["unit"])


class LookForPapers(Command):
    """Somebody looked whether the safety data sheet and the maker's labelled bottle are on site."""

    access = {"POST": STAFF}
    input = shapes.LookForPapers
    entity = PRODUCT

    def handle(self, **given: Any) -> Product:
        return actions.look_for_papers(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, product_id=path["id"])


class ListPapers(ApiView):
    """Each disinfectant that was mixed or looked for here, with what the last look found."""

    access = {"GET": ANYONE - {DEVICE}}
    tag = "disinfectants"
    output = object_schema(
        caution="str",
        items=array_of(
            object_schema(
                product_id="uuid", name="str", registration_number="str", data_sheet="bool",
                labelled_bottle="bool", looked_at="datetime?", person_id="uuid?",
            )
        ),
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            return answer({"caution": CAUTION, "items": queries.papers_at(place.id)})


class ListContainers(LocationListView):
    """The containers for soak solutions of a location."""

    access = {"GET": READERS}
    entity = CONTAINER


class AddContainer(Command):
    """Put a container on file: how much of a bath and how many implements it takes."""

    access = {"POST": LEADS}
    input = shapes.AddContainer
    entity = CONTAINER
    status = 201

    def handle(self, *, location: UUID, capacity: Any = None, **given: Any) -> Any:
        return actions.add_container(
            location_id=location, capacity=_volume(capacity) if capacity else None, **given
        )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadContainer(RowView):
    """One container for soak solutions."""

    access = {"GET": READERS}
    entity = CONTAINER


class ChangeContainer(Edit):
    """A container described anew. A bath that is in it keeps what held when it was mixed."""

    access = {"PATCH": LEADS}
    input = shapes.DescribeContainer
    entity = CONTAINER

    def handle(self, *, id: UUID, capacity: Any = None, **given: Any) -> Any:
        return actions.change_container(
            container_id=id, capacity=_volume(capacity) if capacity else None, **given
        )


class ListSolutions(LocationListView):
    """The baths of a location, the newest last; `usable=true` for those in use."""

    access = {"GET": READERS}
    entity = SOLUTION
    order = "e.mixed_at"
    order_type = "timestamptz"
    parameters = {"usable": ("bool", "only baths that are not ended")}

    def narrower(self, place: Location) -> Conditions:
        return [("e.ended_at IS NULL", [])] if self.query("usable") else []


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
            concentrate=_volume(concentrate),
            water=_volume(water),
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


class TopUpSolution(_OnSolution):
    """Concentrate or water poured into a running bath. It is judged anew and its window stays.

    The time of all that lies in it starts anew. Weaker than the label, too strong or overfull ends it.
    """

    input = shapes.TopUp
    problems = (WrongState,)

    def handle(self, *, concentrate: Any, water: Any, **given: Any) -> Any:
        return actions.top_up_solution(
            concentrate=_volume(concentrate), water=_volume(water), **given
        )


class ReadStrip(_OnSolution):
    """A test strip was read: less than the label's strength ends the bath at once."""

    input = shapes.ReadStrip
    problems = (WrongState, NoStripTarget)

    def handle(self, **given: Any) -> Any:
        return actions.read_strip(**given)


class RecordAddedToSoak(_OnSolution):
    """Something without a tag went in: the time of all in it starts anew; uncleaned, it voids the bath."""

    input = shapes.AddedToSoak

    def handle(self, **given: Any) -> Any:
        return actions.record_added_to_soak(**given)
