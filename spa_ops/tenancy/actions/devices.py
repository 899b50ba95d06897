"""Shared devices: registered, unlocked by PIN or badge, locked again."""

import secrets
from datetime import datetime, timedelta
from hashlib import sha256
from uuid import UUID

from django.contrib.auth.hashers import check_password

from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotAllowed, TooManyRequests
from spa_ops.tenancy import queries
from spa_ops.tenancy.actions.tokens import IssuedToken, new_token
from spa_ops.tenancy.models import (
    Device,
    DeviceUnlock,
    Person,
)
from spa_ops.tenancy.problems import WrongPin
from spa_ops.unit.work import action, current, run

UNLOCK_MINUTES = 30


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
    return new_token(now, name, 365, device=device)


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
