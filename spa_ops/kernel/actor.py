"""Who stands behind a command: the person, in which role, where, and how we know."""

from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID


class Role(StrEnum):
    """What a person or a device may do; the access matrix is written in these."""

    FRONT_DESK = "front_desk"
    PRACTITIONER = "practitioner"
    LEAD = "lead"
    OWNER = "owner"
    INSPECTOR = "inspector"
    DEVICE = "device"


class Auth(StrEnum):
    """How the acting person was made sure of."""

    SESSION = "session"
    TOKEN = "token"  # noqa: S105 - a kind of sign-in, not a secret
    DEVICE_PIN = "device_pin"
    DEVICE_CLAIM = "device_claim"
    SYSTEM = "system"


@dataclass(frozen=True, slots=True, kw_only=True)
class Actor:
    """The one who acts. `location_id` None means every location of the business.

    `person_id` is None only for background work (auth `system`) and for a device that nobody
    has unlocked; `principal` scopes idempotency keys.
    """

    business_id: UUID
    role: Role | None
    auth: Auth
    person_id: UUID | None = None
    location_id: UUID | None = None
    device_id: UUID | None = None
    token_id: UUID | None = None

    @property
    def principal(self) -> UUID:
        return self.device_id or self.person_id or self.business_id

    def covers(self, location_id: UUID) -> bool:
        """Whether this actor's rights reach that location of the own business."""
        return self.location_id is None or self.location_id == location_id


def system_actor(business_id: UUID) -> Actor:
    """The actor of background work for one business."""
    return Actor(business_id=business_id, role=None, auth=Auth.SYSTEM)
