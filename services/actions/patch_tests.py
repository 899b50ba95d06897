"""Patch tests of the products that services use; what comes of one decides the client's lines anew."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from clients import actions_patch_tests as tests
from clients import queries_patch_tests as test_queries
from clients.queries_patch_tests import PatchTestsKept
from clients.rules.patch_tests import DEFAULT_LEAD_HOURS, Grade, Outcome, SeenBy
from services.actions.consultation import is_screened, screen_after_a_fact
from services.models import ForesightDue, Line, SkinProduct, Visit
from services.queries import patch_tests as queries
from services.queries import visits as visit_queries
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action


@action
def apply_patch_test(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    skin_product_id: UUID,
    area: str,
    applied_at: datetime | None = None,
    location_id: UUID | None = None,
    id: UUID | None = None,
) -> Any:
    """A product in use was tried on a client (default: now, at the actor's own location).

    Raises `NotFound`, `WrongState` for a retired product, `InvalidInput`.
    """
    product = tenancy.loaded(SkinProduct, skin_product_id, actor)
    if not product.active:
        raise WrongState(thing="product", state="retired", needed="one that is in use")
    place = _place(actor, location_id)
    visits = locked_visits_here(actor, client_id, now)
    test = tests.record_patch_test(
        actor=actor,
        now=now,
        client_id=client_id,
        location_id=place.id,
        area=area,
        applied_at=applied_at or now,
        id=id,
        **_as_it_is(product),
    )
    screen_again(actor, now, visits)
    return test


def record_tests_of_line(*, actor: Actor, now: datetime, visit: Visit, line: Line) -> None:
    """A finished line that is a patch test: one test for each product of its service."""
    for product in queries.products_named(line.service.skin_product_ids).values():
        tests.record_patch_test(
            actor=actor,
            now=now,
            client_id=visit.client_id,
            location_id=visit.location_id,
            area=line.area,
            applied_at=now,
            line_id=line.id,
            **_as_it_is(product),
        )


def strike_tests_of_line(
    *, actor: Actor, now: datetime, visit: Visit, line: Line, reason: str
) -> None:
    """The line was not finished after all: its tests were not made."""
    for test_id in test_queries.ids_of_line(line.id):
        tests.strike_patch_test(
            actor=actor,
            now=now,
            patch_test_id=test_id,
            location_id=visit.location_id,
            reason=reason,
        )


def _as_it_is(product: SkinProduct) -> dict[str, Any]:
    """The product as a test of today keeps it; tried without being asked for: the strictest lead."""
    return {
        "skin_product_id": product.id,
        "product_name": product.name,
        "supplier": product.supplier,
        "formula_version": product.formula_version,
        "lead_hours": product.patch_test_hours or DEFAULT_LEAD_HOURS,
    }


def _place(actor: Actor, location_id: UUID | None) -> Location:
    chosen = location_id or actor.location_id
    if chosen is None:
        raise invalid("/location_id", "name the location: your role is at all of them", "required")
    return tenancy.location(chosen, actor)


def locked_visits_here(actor: Actor, client_id: UUID, now: datetime) -> list[Visit]:
    """The visits at which the client is now, locked before the client, as a consultation does."""
    ids = queries.visits_of_client_here(client_id, actor)
    return [visit_queries.locked_visit(visit_id, actor) for visit_id in ids]


def _look_ahead_again(actor: Actor, now: datetime, client_id: UUID) -> None:
    insert([ForesightDue(business_id=actor.business_id, client_id=client_id, since=now)])


def screen_again(actor: Actor, now: datetime, visits: Sequence[Visit]) -> None:
    """Decide anew what was decided today already."""
    for visit in visits:
        place = tenancy.location(visit.location_id, actor)
        lines = visit_queries.lines_of(visit.id)
        if any(is_screened(visit, line, place, now) for line in lines):
            screen_after_a_fact(visit, place, lines, now)
            put(visit, fields=[])


@action
def record_result(
    *,
    actor: Actor,
    now: datetime,
    patch_test_id: UUID,
    outcome: Outcome,
    seen_by: SeenBy,
    read_at: datetime | None = None,
    grade: Grade | None = None,
    note: str = "",
    location_id: UUID | None = None,
) -> Any:
    """What came of a test; lines of the client who is here are decided anew at once.

    Raises what `clients.actions_patch_tests.record_reading` raises.
    """
    place, visits = _opened(actor, now, patch_test_id, location_id)
    test = tests.record_reading(
        actor=actor,
        now=now,
        patch_test_id=patch_test_id,
        location_id=place.id,
        outcome=outcome,
        seen_by=seen_by,
        read_at=read_at,
        grade=grade,
        note=note,
    )
    _look_ahead_again(actor, now, test.client_id)
    screen_again(actor, now, visits)
    return test


@action
def strike_out(
    *,
    actor: Actor,
    now: datetime,
    patch_test_id: UUID,
    reason: str,
    entry_id: UUID | None = None,
    location_id: UUID | None = None,
) -> Any:
    """A reading, or without one the test, was recorded wrongly; lines are decided anew.

    Raises what `clients.actions_patch_tests.strike_patch_test` raises.
    """
    place, visits = _opened(actor, now, patch_test_id, location_id)
    test = tests.strike_patch_test(
        actor=actor,
        now=now,
        patch_test_id=patch_test_id,
        location_id=place.id,
        reason=reason,
        entry_id=entry_id,
    )
    _look_ahead_again(actor, now, test.client_id)
    screen_again(actor, now, visits)
    return test


def _opened(
    actor: Actor, now: datetime, patch_test_id: UUID, location_id: UUID | None
) -> tuple[Location, list[Visit]]:
    client_id = test_queries.client_of(patch_test_id)
    if client_id is None:
        raise NotFound
    return _place(actor, location_id), locked_visits_here(actor, client_id, now)


@action
def read_tests(
    *, actor: Actor, now: datetime, client_id: UUID
) -> tuple[PatchTestsKept, dict[UUID, SkinProduct]]:
    """A client's tests and the products they are of, as these are now; the reading is recorded.

    Months are counted in the zone of the actor's location, else of UTC. Raises `NotFound`, `Erased`.
    """
    zone = tenancy.location(actor.location_id, actor).zone if actor.location_id else "UTC"
    kept = tests.read_patch_tests(actor=actor, now=now, client_id=client_id, zone=zone)
    return kept, queries.products_named({k.test.skin_product_id for k in kept.tests})
