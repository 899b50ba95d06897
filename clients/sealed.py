"""Many things of one client sealed or unsealed under one look-up of the key."""

from collections.abc import Iterable
from uuid import UUID

from spa_ops.tenancy import sealing


def seal_each(business_id: UUID, client_id: UUID, plain: Iterable[bytes]) -> list[bytes]:
    """Each of `plain` sealed apart; makes the client's key at first use. Raises `Erased`."""
    key = sealing._subject_key(business_id, client_id, create=True)
    return [sealing._encrypt(key, each, client_id.bytes) for each in plain]


def unseal_each(business_id: UUID, client_id: UUID, sealed: Iterable[bytes]) -> list[bytes]:
    """What was sealed for that client, in its order. Raises `Erased` when the key was destroyed."""
    key = sealing._subject_key(business_id, client_id, create=False)
    return [sealing._decrypt(key, bytes(each), client_id.bytes) for each in sealed]
