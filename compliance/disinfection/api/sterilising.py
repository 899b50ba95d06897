"""Endpoints of sterilisers, their loads and spore tests."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.urls import path
from rest_framework.request import Request

from compliance.disinfection import actions
from compliance.disinfection.api import sterilising_shapes as shapes
from compliance.disinfection.bodies import LOAD, SPORE_TEST, STERILISER
from compliance.disinfection.models import Steriliser, SteriliserLoad
from compliance.disinfection.queries import sterilising as queries
from compliance.disinfection.rules.sterilising import (
    Cycle,
    IntegratorResult,
    SporeResult,
    SteriliserMethod,
    TemperatureUnit,
    out_of_use,
    to_celsius,
)
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import LocationListView
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
    several,
)


def _cycle(temperature: Any, minutes: Any, kilopascals: Any = None) -> Cycle:
    celsius = to_celsius(temperature["amount"], TemperatureUnit(temperature["unit"]))
    return Cycle(celsius=celsius, minutes=minutes, kilopascals=kilopascals)


class ListSterilisers(LocationListView):
    """The sterilisers of a location."""

    access = {"GET": READERS}
    entity = STERILISER


class AddSteriliser(Command):
    """Put a steriliser on file with its maker's programmes. A UV box is none: it only stores."""

    access = {"POST": LEADS}
    input = shapes.AddSteriliser
    entity = STERILISER
    status = 201

    def handle(self, *, location: UUID, method: str, programmes: Any, **given: Any) -> Any:
        cycles = [
            (each["name"], _cycle(each["temperature"], each["minutes"], each.get("kilopascals")))
            for each in programmes
        ]
        stated = [
            {"name": n, "celsius": c.celsius, "minutes": c.minutes, "kilopascals": c.kilopascals}
            for n, c in cycles
        ]
        return actions.add_steriliser(
            location_id=location, method=SteriliserMethod(method), programmes=stated, **given
        )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadSteriliser(RowView):
    """One steriliser with its programmes; out of use while a failed spore test stands."""

    access = {"GET": READERS}
    entity = STERILISER


class ReadStanding(ApiView):
    """Whether a steriliser may be used, how many good tests it needs, and when the next test is due.

    With what jurisdiction and house ask for and where that is said.
    """

    access = {"GET": READERS}
    tag = "sterilisers"
    output = object_schema(
        caution="str", in_use="bool", out_of_use_since="datetime?", good_tests="int",
        good_tests_needed="int", next_test_due_at="datetime", test_every_days="int", late="bool",
        packs="[str]",
        stated=array_of(
            object_schema(name="str", citation="str", strength="str", pack="str", note="str")
        ),
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            row = tenancy.loaded(Steriliser, id, self.actor)
            days = tenancy.policy_of(row.location).spore_test_days
            asked = queries.asked(row.location, self.now, house_days=days)
            outage = out_of_use(queries.outages_of(row), self.now)
            due_at = queries.next_test_due(row, self.now, days)
        return answer(
            {
                "caution": CAUTION,
                "in_use": outage is None and row.retired_at is None,
                "out_of_use_since": outage.since if outage else None,
                "good_tests": outage.good if outage else 0,
                "good_tests_needed": outage.needed if outage else 0,
                "next_test_due_at": due_at,
                "test_every_days": asked.every.days,
                "late": due_at < self.now,
                "packs": list(asked.packs),
                "stated": list(asked.stated),
            }
        )


class _OnSteriliser(Command):
    access = {"POST": STAFF}
    tag = "sterilisers"
    problems = (WrongState,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, steriliser_id=path["id"])


class RecordRepair(_OnSteriliser):
    """A repair: good spore tests are counted anew from it, and a test may be due at once."""

    access = {"POST": LEADS}
    input = shapes.RecordRepair
    entity = STERILISER

    def handle(self, **given: Any) -> Any:
        return actions.record_repair(**given)


class RetireSteriliser(_OnSteriliser):
    """It is no longer used: nothing is asked of it any more."""

    access = {"POST": LEADS}
    entity = STERILISER

    def handle(self, **given: Any) -> Any:
        return actions.retire_steriliser(**given)


class ListLoads(ListView):
    """The loads of a steriliser, the newest last."""

    access = {"GET": READERS}
    entity = LOAD
    within = STERILISER
    order = "e.started_at"
    order_type = "timestamptz"

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        return [("e.steriliser_id = %s", [id])]


class StartLoad(_OnSteriliser):
    """Start a load: which implements lie in which pouch, on which programme.

    What was not cleaned, dried and packed before is recorded as it is and not cleared by it.
    """

    input = shapes.StartLoad
    entity = LOAD
    status = 201

    def handle(self, *, pouches: Any, **given: Any) -> Any:
        return actions.start_load(pouches=[dict(pouch) for pouch in pouches], **given)


class ReadLoad(RowView):
    """One load with its pouches, what it reached, and why it was not released."""

    access = {"GET": READERS}
    entity = LOAD


class ReadLoadUses(ApiView):
    """Every use of what came from a load: the visit, the implement, its kit and pouch, and when."""

    access = {"GET": READERS}
    tag = "sterilisers"
    output = object_schema(
        items=array_of(
            object_schema(
                load_id="uuid", pouch="str", implement_id="uuid", tag="str", kit_id="uuid", kit="str",
                visit_id="uuid?", used_at="datetime",
            )
        )
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            tenancy.loaded(SteriliserLoad, id, self.actor)
            return answer({"items": queries.uses_from_loads([id])})


class _OnLoad(Command):
    access = {"POST": STAFF}
    entity = LOAD
    tag = "sterilisers"
    problems = (WrongState,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, load_id=path["id"])


class FinishLoad(_OnLoad):
    """A load is over: the temperature, time and pressure that it reached, as read off or printed."""

    input = shapes.FinishLoad

    def handle(
        self, *, temperature: Any, minutes: Any, kilopascals: Any = None, **given: Any
    ) -> Any:
        return actions.finish_load(reached=_cycle(temperature, minutes, kilopascals), **given)


class ReadIntegrator(_OnLoad):
    """What the chemical integrator showed. The load is released, and what was packed in it cleared,
    or it failed and says why.
    """

    input = shapes.ReadIntegrator

    def handle(self, *, result: str, **given: Any) -> Any:
        return actions.read_integrator(result=IntegratorResult(result), **given)


class WithdrawLoad(_OnLoad):
    """A load does not count after all: a wet pouch, a wrong reading. Nothing is cleared by it any more."""

    input = shapes.WithdrawLoad

    def handle(self, **given: Any) -> Any:
        return actions.withdraw_load(**given)


class ListSporeTests(ListView):
    """The spore tests of a steriliser, the newest last."""

    access = {"GET": READERS}
    entity = SPORE_TEST
    within = STERILISER
    order = "e.taken_at"
    order_type = "timestamptz"

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        return [("e.steriliser_id = %s", [id])]


class TakeSporeTest(_OnSteriliser):
    """A spore test was run, in a load or by itself; its result comes later."""

    input = shapes.TakeSporeTest
    entity = SPORE_TEST
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.take_spore_test(**given)


class ReadSporeTestRow(RowView):
    """One spore test."""

    access = {"GET": READERS}
    entity = SPORE_TEST


class _OnTest(Command):
    access = {"POST": STAFF}
    entity = SPORE_TEST
    tag = "sterilisers"
    problems = (WrongState,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, test_id=path["id"])


class ReadSporeTest(_OnTest):
    """What a spore test showed. A failed one puts the steriliser, and its loads since the last good
    test, out of use at once; enough good ones in a row put the steriliser back.
    """

    input = shapes.ReadSporeTest

    def handle(self, *, result: str, **given: Any) -> Any:
        return actions.read_spore_test(result=SporeResult(result), **given)


class CorrectSporeTest(_OnTest):
    """A result was entered wrongly. Both stay on record; what followed from it follows anew."""

    access = {"POST": LEADS}
    input = shapes.CorrectSporeTest

    def handle(self, *, result: str, **given: Any) -> Any:
        return actions.correct_spore_test(result=SporeResult(result), **given)


urlpatterns = [
    path("locations/<uuid:id>/sterilisers", several(ListSterilisers, AddSteriliser).as_view()),
    path("sterilisers/<uuid:id>", ReadSteriliser.as_view()),
    path("sterilisers/<uuid:id>/standing", ReadStanding.as_view()),
    path("sterilisers/<uuid:id>/repairs", RecordRepair.as_view()),
    path("sterilisers/<uuid:id>/retire", RetireSteriliser.as_view()),
    path("sterilisers/<uuid:id>/loads", several(ListLoads, StartLoad).as_view()),
    path("sterilisers/<uuid:id>/spore-tests", several(ListSporeTests, TakeSporeTest).as_view()),
    path("steriliser-loads/<uuid:id>", ReadLoad.as_view()),
    path("steriliser-loads/<uuid:id>/uses", ReadLoadUses.as_view()),
    path("steriliser-loads/<uuid:id>/finish", FinishLoad.as_view()),
    path("steriliser-loads/<uuid:id>/integrator", ReadIntegrator.as_view()),
    path("steriliser-loads/<uuid:id>/withdraw", WithdrawLoad.as_view()),
    path("spore-tests/<uuid:id>", ReadSporeTestRow.as_view()),
    path("spore-tests/<uuid:id>/result", ReadSporeTest.as_view()),
    path("spore-tests/<uuid:id>/correct", CorrectSporeTest.as_view()),
]
