"""Writing the price list. What is booked keeps the price, area and method it was booked with."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.rule_files import shipped_rule_set
from clients.rules.patch_tests import PATCH_TEST_METHOD
from services.models import Service
from services.queries import price_list as queries
from services.rules.attendance import may_be_unattended
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import InvalidInput, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: House policy: what a service takes where nobody has said otherwise.
SET_UP_MINUTES, CONSULTATION_MINUTES, AFTERCARE_MINUTES, CLEAN_UP_MINUTES = 5, 5, 5, 10
#: House policy, to catch hours entered as minutes: field -> fewest and most.
BOUNDS = {
    "set_up_minutes": (0, 120),
    "consultation_minutes": (0, 120),
    "hands_on_minutes": (1, 480),
    "aftercare_minutes": (0, 120),
    "clean_up_minutes": (0, 120),
    "shortest_hands_on_minutes": (0, 480),
    "new_client_minutes": (0, 120),
    "developing_minutes": (0, 120),
    "price_minor": (0, 100_000_000),
    "rebook_weeks": (1, 52),
}


@action
def add_service(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    area: str,
    method: str,
    hands_on_minutes: int,
    price_minor: int,
    currency: str = "",
    set_up_minutes: int = SET_UP_MINUTES,
    consultation_minutes: int = CONSULTATION_MINUTES,
    aftercare_minutes: int = AFTERCARE_MINUTES,
    clean_up_minutes: int = CLEAN_UP_MINUTES,
    shortest_hands_on_minutes: int = 0,
    new_client_minutes: int = 0,
    developing_minutes: int = 0,
    developing_attended: bool = True,
    rebook_weeks: int | None = None,
    room_features: Sequence[str] = (),
    kit_kind: str = "",
    needs_patch_test: bool = False,
    skin_product_ids: Sequence[UUID] = (),
    id: UUID | None = None,
) -> Service:
    """A new service, at all locations. The currency (default) is that of the locations in reach.

    Money in minor units. Raises `InvalidInput` for an area or method that screening does not know,
    minutes or a price out of bounds, products not in use, and a currency that no location in reach takes.
    """
    service = Service(
        id=id or uuid7(),
        business_id=actor.business_id,
        name=name,
        area=area,
        method=method,
        set_up_minutes=set_up_minutes,
        consultation_minutes=consultation_minutes,
        hands_on_minutes=hands_on_minutes,
        aftercare_minutes=aftercare_minutes,
        clean_up_minutes=clean_up_minutes,
        shortest_hands_on_minutes=shortest_hands_on_minutes,
        new_client_minutes=new_client_minutes,
        developing_minutes=developing_minutes,
        developing_attended=developing_attended,
        price_minor=price_minor,
        currency=currency or _only_currency(actor),
        rebook_weeks=rebook_weeks,
        room_features=sorted(set(room_features)),
        kit_kind=kit_kind,
        needs_patch_test=needs_patch_test,
        skin_product_ids=sorted(set(skin_product_ids)),
    )
    _check(service, actor)
    put(service)
    _evidence("service.added", service, **_priced(service))
    return service


@action
def change_service(
    *, actor: Actor, now: datetime, service_id: UUID, match: int | None = None, **changes: Any
) -> Service:
    """Change any of the fields of `add_service`, for bookings from now on.

    Raises `NotFound`, `StaleVersion`, `WrongState` for a retired one, and `InvalidInput`.
    """
    service = _active(service_id, actor, match)
    if "room_features" in changes:
        changes["room_features"] = sorted(set(changes["room_features"]))
    if "skin_product_ids" in changes:
        changes["skin_product_ids"] = sorted(set(changes["skin_product_ids"]))
    names = [name for name, value in changes.items() if getattr(service, name) != value]
    if not names:
        return service
    for name in names:
        setattr(service, name, changes[name])
    _check(service, actor)
    put(service, fields=names)
    _evidence("service.changed", service, fields=sorted(names), **_priced(service))
    return service


@action
def retire_service(
    *, actor: Actor, now: datetime, service_id: UUID, match: int | None = None
) -> Service:
    """Offer a service no more. What is booked of it stays booked. Raises as `change_service`."""
    service = _active(service_id, actor, match)
    service.active = False
    put(service, fields=["active"])
    _evidence("service.retired", service)
    return service


def _active(service_id: UUID, actor: Actor, match: int | None) -> Service:
    service = tenancy.locked(Service, service_id, actor, match=match)
    if not service.active:
        raise WrongState(thing="service", state="retired", needed="one that is offered")
    return service


def _only_currency(actor: Actor) -> str:
    found = queries.currencies(actor)
    if len(found) != 1:
        raise invalid(
            "/currency", "name it: your locations take several, or there is none", "required"
        )
    return found.pop()


def _check(service: Service, actor: Actor) -> None:
    faults = [*_word_faults(service), *_number_faults(service)]
    taken = queries.currencies(actor)
    if service.currency not in taken:
        known = ", ".join(sorted(taken)) or "none"
        faults.append(("currency", f"must be one that a location of yours takes: {known}"))
    if faults:
        raise InvalidInput(
            *({"pointer": f"/{n}", "code": "invalid", "message": m} for n, m in faults)
        )


def _word_faults(service: Service) -> Iterator[tuple[str, str]]:
    rules = shipped_rule_set()
    if not service.name.strip():
        yield "name", "must not be blank"
    if service.area not in rules.tree:
        yield "area", "must be an area that screening knows"
    if service.method not in rules.methods:
        yield "method", "must be a method that screening knows"
    known = queries.skin_products(service.skin_product_ids)
    if len(known) != len(service.skin_product_ids):
        yield "skin_product_ids", "must be products of yours that are in use"
    if service.method == PATCH_TEST_METHOD and not known:
        yield "skin_product_ids", "name what a patch test tries"


def _number_faults(service: Service) -> Iterator[tuple[str, str]]:
    for name, (fewest, most) in BOUNDS.items():
        value = getattr(service, name)
        if value is not None and not fewest <= value <= most:
            yield name, f"must be {fewest} to {most}"
    if service.shortest_hands_on_minutes > service.hands_on_minutes:
        yield "shortest_hands_on_minutes", "must not be more than hands_on_minutes"
    if not service.developing_attended and not may_be_unattended(service.area, service.method):
        yield "developing_attended", "with a peel and at the eyes somebody stays with the client"


def _priced(service: Service) -> dict[str, Any]:
    names = ("area", "method", "price_minor", "currency")
    return {name: getattr(service, name) for name in names}


def _evidence(kind: str, service: Service, **facts: Any) -> None:
    # In the business's own chain: the price list is one for all locations.
    current().evidence(
        kind,
        location_id=None,
        subject_id=service.id,
        facts={"service_id": service.id, "version": service.version, **facts},
    )
