"""Writing businesses, places, people, licences, roles, tokens and devices. The only writers of these."""

from spa_ops.tenancy.actions.devices import lock_device, register_device, unlock_device
from spa_ops.tenancy.actions.people import (
    add_person,
    end_membership,
    grant_membership,
    record_licence,
)
from spa_ops.tenancy.actions.places import (
    add_location,
    change_location,
    change_zone,
    create_business,
)
from spa_ops.tenancy.actions.tokens import (
    IssuedToken,
    issue_token,
    revoke_token,
    sign_in,
    sign_out,
)

__all__ = [
    "IssuedToken",
    "add_location",
    "add_person",
    "change_location",
    "change_zone",
    "create_business",
    "end_membership",
    "grant_membership",
    "issue_token",
    "lock_device",
    "record_licence",
    "register_device",
    "revoke_token",
    "sign_in",
    "sign_out",
    "unlock_device",
]
