"""Health answers and personal bodies at rest: AES-256-GCM under a key for each client.

The client's key is wrapped by the business's key, that one by a master key from the environment
(backed up apart from the database). Destroying the client's key erases what it sealed.
"""

import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import TypeVar
from uuid import UUID

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings
from django.db import connection
from django.db.models import Exists, Model, OuterRef, QuerySet

from spa_ops.kernel import clock
from spa_ops.kernel.problems import Problem
from spa_ops.tenancy.models import BusinessKey, SubjectKey

M = TypeVar("M", bound=Model)

# An array is one parameter; as many parameters as clients took longer to plan than to run.
_WRAPPED = """
SELECT k.id, k.wrapped, b.id, b.master_key_id, b.wrapped FROM tenancy_subject_key k
JOIN tenancy_business_key b ON b.business_id = k.business_id AND b.id = k.business_key_id
WHERE k.id = ANY(%s) AND k.wrapped IS NOT NULL
"""


class Erased(Problem):
    """The client's data was erased on request; only the fact that something was recorded is left."""

    slug, status, title = "erased", 410, "Erased"


def _encrypt(key: bytes, plain: bytes, bound_to: bytes) -> bytes:
    nonce = os.urandom(12)
    return nonce + AESGCM(key).encrypt(nonce, plain, bound_to)


def _decrypt(key: bytes, sealed: bytes, bound_to: bytes) -> bytes:
    return AESGCM(key).decrypt(sealed[:12], sealed[12:], bound_to)


@lru_cache(maxsize=2000)
def _business_key(business_key_id: UUID, master_key_id: str, wrapped: bytes) -> bytes:
    return _decrypt(settings.SEALING_MASTER_KEYS[master_key_id], wrapped, business_key_id.bytes)


@lru_cache(maxsize=200)
def _business_cipher(business_key_id: UUID, master_key_id: str, wrapped: bytes) -> AESGCM:
    # Made once: what it takes to make one is a third of opening a client's key.
    return AESGCM(_business_key(business_key_id, master_key_id, wrapped))


def create_business_key(business_id: UUID) -> BusinessKey:
    """The first key of a new business, wrapped by the current master key."""
    master_id, master = next(iter(settings.SEALING_MASTER_KEYS.items()))
    key = BusinessKey(business_id=business_id, master_key_id=master_id, created_at=clock.now())
    key.wrapped = _encrypt(master, AESGCM.generate_key(256), key.id.bytes)
    key.save(force_insert=True)
    return key


def _subject_key(business_id: UUID, subject_id: UUID, *, create: bool) -> bytes:
    row = (
        SubjectKey.objects.select_related("business_key")
        .filter(business_id=business_id, id=subject_id)
        .first()
    )
    if row is None and create:
        parent = BusinessKey.objects.filter(business_id=business_id).order_by("-created_at").first()
        parent = parent or create_business_key(business_id)
        row = SubjectKey(id=subject_id, business_id=business_id, business_key=parent)
        unwrapped = _business_key(parent.id, parent.master_key_id, bytes(parent.wrapped))
        row.wrapped = _encrypt(unwrapped, AESGCM.generate_key(256), subject_id.bytes)
        # Two first answers of one client at once: the one that is there is the one.
        SubjectKey.objects.bulk_create([row], ignore_conflicts=True)
        row = SubjectKey.objects.select_related("business_key").get(id=subject_id)
    if row is None or row.wrapped is None:
        raise Erased
    return _opened(row)


def _opened(row: SubjectKey) -> bytes:
    parent = row.business_key
    unwrapped = _business_key(parent.id, parent.master_key_id, bytes(parent.wrapped))
    return _decrypt(unwrapped, bytes(row.wrapped), row.id.bytes)


def destroy_key(business_id: UUID, subject_id: UUID, now: datetime) -> bool:
    """Make everything that was sealed for one client unreadable, for good; False if it was already.

    Also for one who has no key yet: none is ever made then.
    """
    if not SubjectKey.objects.filter(id=subject_id).exists():
        _subject_key(business_id, subject_id, create=True)
    rows = SubjectKey.objects.filter(id=subject_id, wrapped__isnull=False)
    return rows.update(wrapped=None, destroyed_at=now) == 1


def renew_key(business_id: UUID, subject_id: UUID, now: datetime) -> None:
    """Make what was sealed so far unreadable, and go on with a fresh key. Raises `Erased`.

    Whoever reads leaves out what is not newer than `renewed_at`.
    """
    row = SubjectKey.objects.select_related("business_key").get(id=subject_id)
    if row.wrapped is None:
        raise Erased
    parent = row.business_key
    unwrapped = _business_key(parent.id, parent.master_key_id, bytes(parent.wrapped))
    fresh = _encrypt(unwrapped, AESGCM.generate_key(256), subject_id.bytes)
    SubjectKey.objects.filter(id=subject_id).update(wrapped=fresh, renewed_at=now)


def under_present_key(rows: QuerySet[M], written_at: str = "recorded_at") -> QuerySet[M]:
    """Those of `rows` (with a `client_id`) that the retention rule has not made unreadable."""
    former = SubjectKey.objects.filter(
        id=OuterRef("client_id"), renewed_at__gte=OuterRef(written_at)
    )
    return rows.filter(~Exists(former))


def seal(business_id: UUID, subject_id: UUID, plain: bytes) -> bytes:
    """`plain` sealed for one client; makes the client's key at first use. Raises `Erased`."""
    return _encrypt(_subject_key(business_id, subject_id, create=True), plain, subject_id.bytes)


def seal_for_each(
    business_id: UUID, plain: Mapping[UUID, Sequence[bytes]]
) -> dict[UUID, list[bytes]]:
    """What is to be sealed for each of many clients; missing keys are made in one statement.

    A client who was erased is left out.
    """
    known = set(SubjectKey.objects.filter(id__in=list(plain)).values_list("id", flat=True))
    if missing := [subject_id for subject_id in plain if subject_id not in known]:
        _make_keys(business_id, missing)
    return {
        subject_id: [
            (nonce := os.urandom(12)) + key.encrypt(nonce, each, subject_id.bytes)
            for each in plain[subject_id]
        ]
        for subject_id, key in _keys_of(plain)
    }


def _make_keys(business_id: UUID, subject_ids: Iterable[UUID]) -> None:
    parent = BusinessKey.objects.filter(business_id=business_id).order_by("-created_at").first()
    parent = parent or create_business_key(business_id)
    cipher = _business_cipher(parent.id, parent.master_key_id, bytes(parent.wrapped))
    made = []
    for subject_id in subject_ids:
        nonce = os.urandom(12)
        wrapped = nonce + cipher.encrypt(nonce, AESGCM.generate_key(256), subject_id.bytes)
        made.append(
            SubjectKey(id=subject_id, business_id=business_id, business_key=parent, wrapped=wrapped)
        )
    SubjectKey.objects.bulk_create(made, ignore_conflicts=True)


def unseal(business_id: UUID, subject_id: UUID, sealed: bytes) -> bytes:
    """What was sealed for that client. Raises `Erased` when the key was destroyed."""
    return unseal_each(business_id, subject_id, [sealed])[0]


def seal_each(business_id: UUID, subject_id: UUID, plain: Iterable[bytes]) -> list[bytes]:
    """Each of `plain` sealed apart for one client, under one look-up of the key. Raises `Erased`."""
    key = _subject_key(business_id, subject_id, create=True)
    return [_encrypt(key, each, subject_id.bytes) for each in plain]


def unseal_each(business_id: UUID, subject_id: UUID, sealed: Iterable[bytes]) -> list[bytes]:
    """What was sealed for one client, in its order, under one look-up. Raises `Erased`."""
    key = _subject_key(business_id, subject_id, create=False)
    try:
        return [_decrypt(key, bytes(each), subject_id.bytes) for each in sealed]
    except InvalidTag:
        if SubjectKey.objects.filter(id=subject_id, renewed_at__isnull=False).exists():
            raise Erased from None  # under a former key
        raise


def unseal_for_each(sealed: Mapping[UUID, Sequence[bytes]]) -> dict[UUID, list[bytes]]:
    """What was sealed for each of many clients, under one look-up; an erased client is left out."""
    return {
        subject_id: [
            key.decrypt(each[:12], each[12:], subject_id.bytes)
            for each in map(bytes, sealed[subject_id])
        ]
        for subject_id, key in _keys_of(sealed)
    }


def _keys_of(subject_ids: Collection[UUID]) -> Iterator[tuple[UUID, AESGCM]]:
    """The opened key of each that has one. One statement, of nobody none."""
    if not subject_ids:
        return
    with connection.cursor() as cursor:
        cursor.execute(_WRAPPED, [list(subject_ids)])
        rows = cursor.fetchall()
    for subject_id, wrapped, *parent in rows:
        business_key = _business_cipher(*parent)
        key = business_key.decrypt(wrapped[:12], wrapped[12:], subject_id.bytes)
        yield subject_id, AESGCM(key)
