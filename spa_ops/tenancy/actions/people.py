"""Team members, their roles and licences."""

from datetime import date, datetime, timedelta
from hashlib import sha256
from uuid import UUID

from django.contrib.auth.hashers import make_password

from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import NotAllowed, NotFound, invalid
from spa_ops.tenancy import queries
from spa_ops.tenancy.models import (
    Licence,
    Membership,
    Person,
)
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

INSPECTOR_HOURS = 72
#: Roles that each role may give to others.
MAY_GRANT = {
    None: set(Role),
    Role.OWNER: {Role.OWNER, Role.LEAD, Role.PRACTITIONER, Role.FRONT_DESK, Role.INSPECTOR},
    Role.LEAD: {Role.PRACTITIONER, Role.FRONT_DESK, Role.INSPECTOR},
}


@action
def add_person(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    login: str | None = None,
    password: str | None = None,
    pin: str | None = None,
    badge: str | None = None,
    id: UUID | None = None,
) -> Person:
    """A new team member without any role yet. Raises `InvalidInput` for a PIN that is not 4-8 digits."""
    person = Person(id=id or uuid7(), business_id=actor.business_id, name=name, login=login)
    _set_secrets(person, password=password, pin=pin, badge=badge)
    put(person)
    current().evidence(
        "person.added", location_id=None, subject_id=person.id, facts={"person_id": person.id}
    )
    return person


def _set_secrets(
    person: Person, *, password: str | None, pin: str | None, badge: str | None
) -> None:
    if password is not None:
        if len(password) < 12:
            raise invalid("/password", "must have 12 or more characters")
        person.password_hash = make_password(password)
    if pin is not None:
        if not (pin.isdigit() and pin.isascii() and 4 <= len(pin) <= 8):
            raise invalid("/pin", "must be 4 to 8 digits")
        person.pin_hash = make_password(pin)
    if badge is not None:
        person.badge_hash = sha256(badge.encode()).digest()


@action
def grant_membership(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    role: Role,
    location_id: UUID | None,
    valid_until: datetime | None = None,
) -> Membership:
    """Give a person a role at a location (None: at all). Inspectors: one location, 72 h unless said.

    Raises `NotAllowed` for a role that the actor may not give, `NotFound` for a place out of reach.
    """
    person = queries.loaded(Person, person_id, actor)
    if role not in MAY_GRANT.get(actor.role, set()) or role is Role.DEVICE:
        raise NotAllowed(needed="owner")
    if location_id is not None:
        queries.location(location_id, actor)
    elif role is Role.INSPECTOR or actor.location_id is not None:
        raise invalid("/location_id", "this role is given at one location")
    if role is Role.INSPECTOR and valid_until is None:
        valid_until = now + timedelta(hours=INSPECTOR_HOURS)
    if valid_until is not None and valid_until <= now:
        raise invalid("/valid_until", "must lie ahead")
    membership = Membership(
        business_id=actor.business_id,
        person=person,
        location_id=location_id,
        role=role,
        valid_from=now,
        valid_until=valid_until,
        issued_by=actor.person_id,
    )
    membership.save(force_insert=True)
    current().evidence(
        "membership.granted",
        location_id=None,
        subject_id=person.id,
        facts={
            "membership_id": membership.id,
            "person_id": person.id,
            "role": role.value,
            "location_id": location_id,
            "valid_until": valid_until,
        },
    )
    return membership


@action
def end_membership(*, actor: Actor, now: datetime, membership_id: UUID) -> Membership:
    """End a role now; its tokens stop working with it."""
    row = (
        Membership.objects.select_for_update(of=("self",), no_key=True)
        .filter(id=membership_id)
        .first()
    )
    if row is None or (row.location_id and not actor.covers(row.location_id)):
        raise NotFound
    if Role(row.role) not in MAY_GRANT.get(actor.role, set()):
        raise NotAllowed(needed="owner")
    row.valid_until = max(now, row.valid_from + timedelta(microseconds=1))
    row.save(update_fields=["valid_until"])
    current().evidence(
        "membership.ended",
        location_id=None,
        subject_id=row.person_id,
        facts={"membership_id": row.id, "person_id": row.person_id, "role": row.role},
    )
    return row


@action
def record_licence(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    jurisdiction: str,
    kind: str,
    number: str,
    valid_through: date,
    valid_from: date | None = None,
    id: UUID | None = None,
) -> Licence:
    """What the board issued to a person. A renewal of the same number moves its dates."""
    person = queries.loaded(Person, person_id, actor)
    if valid_from is not None and valid_from > valid_through:
        raise invalid("/valid_through", "must not lie before valid_from")
    licence = (
        Licence.objects.select_for_update(of=("self",), no_key=True)
        .filter(jurisdiction=jurisdiction, kind=kind, number=number, person=person)
        .first()
    )
    if licence is None:
        licence = Licence(
            id=id or uuid7(),
            business_id=actor.business_id,
            person=person,
            jurisdiction=jurisdiction,
            kind=kind,
            number=number,
        )
    licence.valid_from, licence.valid_through = valid_from, valid_through
    put(licence)
    current().evidence(
        "licence.recorded",
        location_id=None,
        subject_id=person.id,
        facts={
            "licence_id": licence.id,
            "person_id": person.id,
            "jurisdiction": jurisdiction,
            "kind": kind,
            "number": number,
            "valid_from": valid_from,
            "valid_through": valid_through,
        },
    )
    return licence
