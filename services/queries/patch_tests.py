"""Reads of the products that touch clients, and where a line's patch tests stand."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from uuid import UUID

from clients.queries_patch_tests import PatchTestsKept, tests_of
from clients.queries_people import ids_of, left_of
from clients.rules.patch_tests import PATCH_TEST_METHOD, ProductNow, Standing, of_line
from services.models import Line, SkinProduct, Visit, VisitState
from spa_ops.kernel.actor import Actor

__all__ = ["PatchTestsKept", "tests_of"]


def products_named(ids: Iterable[UUID]) -> dict[UUID, SkinProduct]:
    """Products by id, in use or not."""
    wanted = set(ids)
    return {p.id: p for p in SkinProduct.objects.filter(id__in=wanted)} if wanted else {}


def products_of(lines: Iterable[Line]) -> dict[UUID, SkinProduct]:
    """The products of all these lines' services."""
    return products_named(i for line in lines for i in line.service.skin_product_ids)


def as_now(product: SkinProduct) -> ProductNow:
    """A product as the rules of patch tests take it."""
    return ProductNow(
        id=product.id,
        supplier=product.supplier,
        formula_version=product.formula_version,
        lead_hours=product.patch_test_hours,
    )


def standing_for(
    line: Line, products: Mapping[UUID, SkinProduct], kept: PatchTestsKept, now: datetime
) -> Standing:
    """Where the tests for a line stand; a line that is a test itself needs none before it."""
    needed = line.service.needs_patch_test and line.method != PATCH_TEST_METHOD
    return of_line(
        [
            kept.standing(as_now(products[i]), now=now, needed=needed)
            for i in line.service.skin_product_ids
        ],
        needed=needed,
    )


def ingredients_of(line: Line, products: Mapping[UUID, SkinProduct]) -> frozenset[str] | None:
    """What allergies are matched with; None where the label of one product is not on file."""
    found = [products[i].ingredients for i in line.service.skin_product_ids]
    if not found or any(one is None for one in found):
        return None
    return frozenset(code for one in found for code in one or ())


def visits_of_client_here(client_id: UUID, actor: Actor) -> list[UUID]:
    """Visits within reach at which the client has arrived and not left, in the order of locking."""
    rows = Visit.objects.filter(
        client_id__in=ids_of(left_of(client_id)), state__in=(VisitState.ARRIVED, VisitState.IN_ROOM)
    )
    if actor.location_id is not None:
        rows = rows.filter(location_id=actor.location_id)
    return list(rows.order_by("id").values_list("id", flat=True))
