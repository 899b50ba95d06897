"""Writing businesses, places, people, licences, roles, tokens and devices. The only writers of these."""

import secrets
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID

from django.contrib.auth.hashers import check_password, make_password
from django.db import connection

from spa_ops.kernel.actor import Actor, Auth, Role, system_actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import NotAllowed, NotAuthenticated, NotFound, TooManyRequests, invalid
from spa_ops.tenancy import queries
from spa_ops.tenancy.models import (
    Business,
    Device,
    DeviceUnlock,
    Licence,
    Location,
    Membership,
    Person,
    Token,
)
from spa_ops.tenancy.problems import WrongPin, WrongSignIn
from spa_ops.tenancy.rules import check_opening_hours, check_zone, house_policy
from spa_ops.tenancy.sealing import create_business_key
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current, run

TOKEN_DAYS = 30
UNLOCK_MINUTES = 30
INSPECTOR_HOURS = 72
#: Roles that each role may give to others.
MAY_GRANT = {
    None: set(Role),
    Role.OWNER: {Role.OWNER, Role.LEAD, Role.PRACTITIONER, Role.FRONT_DESK, Role.INSPECTOR},
    Role.LEAD: {Role.PRACTITIONER, Role.FRONT_DESK, Role.INSPECTOR},
}


def create_business(*, name: str, now: datetime, business_id: UUID | None = None) -> Business:
    """A new tenant with its sealing key. Run by the operator, not over the API."""
    new_id = business_id or uuid7()
    actor = system_actor(new_id)

    def body() -> Business:
        business = Business(id=new_id, business_id=new_id, name=name, created_at=now)
        put(business)
        create_business_key(new_id)
        current().evidence(
            "business.created", location_id=None, subject_id=new_id, facts={"business_id": new_id}
        )
        return business

    return run(body, actor=actor, now=now)  # type: ignore[return-value]


@action
def add_location(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    zone: str,
    country: str,
    jurisdiction: str,
    currency: str,
    opening_hours: dict[str, Any],
    policies: dict[str, Any] | None = None,
    licence_number: str = "",
    licence_valid_through: date | None = None,
    id: UUID | None = None,
) -> Location:
    """A new site. Raises `InvalidInput` for a zone, hours or policies that cannot be."""
    house_policy(policies or {})
    place = Location(
        id=id or uuid7(),
        business_id=actor.business_id,
        name=name,
        zone=check_zone(zone),
        country=country,
        jurisdiction=jurisdiction,
        currency=currency,
        opening_hours=check_opening_hours(opening_hours),
        policies=policies or {},
        licence_number=licence_number,
        licence_valid_through=licence_valid_through,
    )
    put(place)
    _location_evidence("location.added", place)
    return place


@action
def change_location(
    *, actor: Actor, now: datetime, location_id: UUID, match: int | None = None, **changes: Any
) -> Location:
    """Change a site's name, hours, policies or establishment licence. A zone never changes by itself."""
    place = queries.locked(Location, location_id, actor, match=match)
    if "policies" in changes:
        house_policy(changes["policies"])
    if "opening_hours" in changes:
        check_opening_hours(changes["opening_hours"])
    for name, value in changes.items():
        setattr(place, name, value)
    put(place, fields=list(changes))
    _location_evidence("location.changed", place)
    return place


def _location_evidence(kind: str, place: Location) -> None:
    through = place.licence_valid_through
    current().evidence(
        kind,
        location_id=place.id,
        subject_id=place.id,
        facts={
            "location_id": place.id,
            "version": place.version,
            "zone": place.zone,
            "jurisdiction": place.jurisdiction,
            "licence_number": place.licence_number or None,
            "licence_valid_through": through,
        },
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedToken:
    """A token and its secret, which is shown this once."""

    token: Token
    secret: str


def _new_token(now: datetime, label: str, days: int, **bearer: Any) -> IssuedToken:
    secret = secrets.token_urlsafe(32)
    token = Token(
        business_id=current().actor.business_id,
        secret_hash=sha256(secret.encode()).digest(),
        label=label,
        issued_at=now,
        expires_at=now + timedelta(days=days),
        **bearer,
    )
    token.save(force_insert=True)
    current().evidence(
        "token.issued",
        location_id=None,
        subject_id=token.id,
        facts={"token_id": token.id, "expires_at": token.expires_at},
    )
    return IssuedToken(token=token, secret=secret)


@action
def issue_token(
    *, actor: Actor, now: datetime, membership_id: UUID, label: str = "", days: int = TOKEN_DAYS
) -> IssuedToken:
    """A bearer token for a role that the actor holds or may give. It never outlives the role."""
    row = Membership.objects.filter(id=membership_id).first()
    if row is None or (row.location_id and not actor.covers(row.location_id)):
        raise NotFound
    if row.person_id != actor.person_id and Role(row.role) not in MAY_GRANT.get(actor.role, set()):
        raise NotAllowed(needed="owner")
    if row.valid_until is not None and row.valid_until <= now:
        raise NotFound
    return _new_token(now, label, days, membership=row)


@action
def revoke_token(*, actor: Actor, now: datetime, token_id: UUID) -> Token:
    """End a token now. One's own always; others' by a lead (own location) or the owner."""
    token = (
        Token.objects.select_for_update(of=("self",), no_key=True)
        .select_related("membership", "device")
        .filter(id=token_id)
        .first()
    )
    if token is None:
        raise NotFound
    bearer = token.membership or token.device
    own = token.membership and token.membership.person_id == actor.person_id
    if not own and (actor.role not in {None, Role.LEAD, Role.OWNER} or not _reaches(actor, bearer)):
        raise NotFound
    token.revoked_at = token.revoked_at or now
    token.save(update_fields=["revoked_at"])
    current().evidence(
        "token.revoked", location_id=None, subject_id=token.id, facts={"token_id": token.id}
    )
    return token


def _reaches(actor: Actor, bearer: Any) -> bool:
    return actor.location_id is None or bearer.location_id == actor.location_id


@action
def register_device(*, actor: Actor, now: datetime, location_id: UUID, name: str) -> IssuedToken:
    """A shared device of a location, with the token that is stored on it."""
    place = queries.location(location_id, actor)
    device = Device(business_id=actor.business_id, location=place, name=name, registered_at=now)
    device.save(force_insert=True)
    current().evidence(
        "device.registered",
        location_id=place.id,
        subject_id=device.id,
        facts={"device_id": device.id},
    )
    return _new_token(now, name, 365, device=device)


#: (device, person) -> instants of wrong PINs. Five in 15 minutes close the door for as long.
_WRONG: dict[tuple[UUID | None, UUID], list[datetime]] = {}


def unlock_device(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    pin: str | None = None,
    badge: str | None = None,
) -> DeviceUnlock:
    """Let a person act on this device for 30 minutes, or until a turnover locks it.

    Raises `NotAllowed` when the caller is not a device, `WrongPin`, `TooManyRequests`.
    """
    if actor.device_id is None:
        raise NotAllowed(needed="device")
    wrong = _WRONG.setdefault((actor.device_id, person_id), [])
    wrong[:] = [at for at in wrong if now - at < timedelta(minutes=15)]
    if len(wrong) >= 5:
        raise TooManyRequests(retry_after_seconds=900 - int((now - wrong[0]).total_seconds()))

    def body() -> DeviceUnlock | None:
        person = Person.objects.filter(id=person_id, active=True).first()
        if person is None or not _proves(person, pin, badge):
            return None
        unlock = DeviceUnlock(
            business_id=actor.business_id,
            device_id=actor.device_id,
            person=person,
            unlocked_at=now,
            expires_at=now + timedelta(minutes=UNLOCK_MINUTES),
        )
        unlock.save(force_insert=True)
        current().evidence(
            "device.unlocked",
            location_id=actor.location_id,
            subject_id=actor.device_id,
            facts={
                "device_id": actor.device_id,
                "person_id": person.id,
                "by": "pin" if pin else "badge",
            },
        )
        return unlock

    unlock = run(body, actor=actor, now=now)
    if unlock is None:
        wrong.append(now)
        raise WrongPin
    return unlock  # type: ignore[return-value]


def _proves(person: Person, pin: str | None, badge: str | None) -> bool:
    if pin:
        return bool(person.pin_hash) and check_password(pin, person.pin_hash)
    if badge and person.badge_hash is not None:
        return secrets.compare_digest(bytes(person.badge_hash), sha256(badge.encode()).digest())
    return False


@action
def lock_device(*, actor: Actor, now: datetime, device_id: UUID) -> int:
    """Lock a shared device for everyone; called by hand and by each turnover. Returns how many were open."""
    return DeviceUnlock.objects.filter(device_id=device_id, locked_at=None).update(locked_at=now)


def sign_in(*, login: str, password: str, now: datetime) -> IssuedToken:
    """A token for the widest role the person has now. Raises `WrongSignIn`, alike for every reason."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM tenancy_person_by_login(%s)", [login])
        row = cursor.fetchone()
    # A hash is checked also for an unknown login, so that time does not tell who exists.
    stored = row[2] if row and row[2] else make_password("nobody")
    if not check_password(password, stored) or row is None:
        raise WrongSignIn
    business_id, person_id = row[0], row[1]
    actor = Actor(business_id=business_id, role=None, auth=Auth.SYSTEM, person_id=person_id)

    def body() -> IssuedToken:
        found = queries.memberships(person_id, now)
        if not found:
            raise WrongSignIn
        return _new_token(now, "sign-in", 1, membership=found[0])

    return run(body, actor=actor, now=now)  # type: ignore[return-value]


def sign_out(*, token_id: UUID, now: datetime) -> None:
    """Revoke the token behind a browser session, if it still lives."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT tenancy_token_secret(%s)", [token_id])
        stored = cursor.fetchone()[0]
    if stored is None:
        return
    try:
        actor = queries.actor_for(bytes(stored), None, auth=Auth.SESSION)
    except NotAuthenticated:
        return
    revoke_token(actor=actor, now=now, token_id=UUID(str(token_id)))
