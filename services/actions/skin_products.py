"""What touches clients' skin: added, changed, retired. A changed formula or supplier voids its tests."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.rule_files import shipped_rule_set
from clients.rules.patch_tests import DEFAULT_LEAD_HOURS, LEAD_HOURS
from services.models import SkinProduct
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import InvalidInput, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def add_skin_product(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    supplier: str,
    formula_version: str = "",
    ingredients: Sequence[str] | None = None,
    patch_test_hours: int | None = DEFAULT_LEAD_HOURS,
    id: UUID | None = None,
) -> SkinProduct:
    """A product as its label states it; without a lead time said, the strictest published.

    `ingredients` are codes that screening matches allergies with; None where nobody has read the
    label. Raises `InvalidInput`.
    """
    product = SkinProduct(
        id=id or uuid7(),
        business_id=actor.business_id,
        name=name.strip(),
        supplier=supplier.strip(),
        formula_version=formula_version.strip(),
        ingredients=None if ingredients is None else sorted(set(ingredients)),
        patch_test_hours=patch_test_hours,
    )
    _check(product)
    put(product)
    _evidence("skin_product.added", product)
    return product


@action
def change_skin_product(
    *, actor: Actor, now: datetime, skin_product_id: UUID, match: int | None = None, **changes: Any
) -> SkinProduct:
    """Change any of the fields of `add_skin_product`: another formula or supplier needs new tests.

    Raises `NotFound`, `StaleVersion`, `WrongState` for a retired one, `InvalidInput`.
    """
    product = _in_use(skin_product_id, actor, match)
    for name in ("name", "supplier", "formula_version"):
        if name in changes:
            changes[name] = changes[name].strip()
    if changes.get("ingredients") is not None:
        changes["ingredients"] = sorted(set(changes["ingredients"]))
    names = [name for name, value in changes.items() if getattr(product, name) != value]
    if not names:
        return product
    for name in names:
        setattr(product, name, changes[name])
    _check(product)
    put(product, fields=names)
    _evidence("skin_product.changed", product, fields=sorted(names))
    return product


@action
def retire_skin_product(
    *, actor: Actor, now: datetime, skin_product_id: UUID, match: int | None = None
) -> SkinProduct:
    """Use a product no more; services that name it keep it until they are changed. Raises as above."""
    product = _in_use(skin_product_id, actor, match)
    product.active = False
    put(product, fields=["active"])
    _evidence("skin_product.retired", product)
    return product


def _in_use(skin_product_id: UUID, actor: Actor, match: int | None) -> SkinProduct:
    product = tenancy.locked(SkinProduct, skin_product_id, actor, match=match)
    if not product.active:
        raise WrongState(thing="product", state="retired", needed="one that is in use")
    return product


def _check(product: SkinProduct) -> None:
    faults = [
        (name, "must not be blank") for name in ("name", "supplier") if not getattr(product, name)
    ]
    if product.patch_test_hours not in {None, *LEAD_HOURS}:
        faults.append(("patch_test_hours", "must be 24 or 48, or null where the label asks none"))
    unknown = set(product.ingredients or ()) - shipped_rule_set().ingredients
    if unknown:
        known = ", ".join(sorted(shipped_rule_set().ingredients))
        faults.append(("ingredients", f"must be ingredients that screening knows: {known}"))
    if faults:
        raise InvalidInput(
            *({"pointer": f"/{n}", "code": "invalid", "message": m} for n, m in faults)
        )


def _evidence(kind: str, product: SkinProduct, **facts: Any) -> None:
    # In the business's own chain, as the price list is.
    current().evidence(
        kind,
        location_id=None,
        subject_id=product.id,
        facts={
            "skin_product_id": product.id,
            "version": product.version,
            "name": product.name,
            "supplier": product.supplier,
            "formula_version": product.formula_version or None,
            "patch_test_hours": product.patch_test_hours,
            "ingredients": product.ingredients,
            **facts,
        },
    )
