"""Reads of the evidence log, and its verification."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from django.db import connection
from django.db.models import OuterRef, Subquery

from compliance.ledger.models import Entry, PersonalBody
from compliance.ledger.rules.format import SALT_BYTES
from compliance.ledger.rules.verify import Head, StoredEntry, Verification, verify
from spa_ops.tenancy.sealing import under_present_key, unseal_each


def entries(
    chain_id: UUID,
    *,
    kinds: list[str] | None = None,
    subject_id: UUID | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    numbers: list[int] | None = None,
    after_n: int = 0,
    limit: int = 100,
) -> list[dict[str, Any]]:
    """Entries of a chain in order, facts only; by kind, subject, number and time of occurrence."""
    conditions, values = ["chain_id = %s", "n > %s"], [chain_id, after_n]
    for sql, value in (
        ("kind = ANY(%s)", kinds),
        ("subject_id = %s", subject_id),
        ("occurred_at >= %s", since),
        ("occurred_at < %s", until),
        ("n = ANY(%s)", numbers),
    ):
        if value is not None:
            conditions.append(sql)
            values.append(value)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT n, kind, subject_id, recorded_at, occurred_at, person_id, facts, encode(hash, 'hex') "
            f"FROM ledger_entry WHERE {' AND '.join(conditions)} ORDER BY n LIMIT %s",
            [*values, limit],
        )
        rows = cursor.fetchall()
    names = ("n", "kind", "subject_id", "recorded_at", "occurred_at", "person_id", "facts", "hash")
    return [dict(zip(names, (*r[:6], orjson.loads(r[6]), r[7]), strict=True)) for r in rows]


def chain_head(chain_id: UUID) -> tuple[int, str | None]:
    """(n, hash in hex) of a chain; (0, None) for one that has no entry."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT n, encode(hash, 'hex') FROM ledger_head WHERE chain_id = %s", [chain_id]
        )
        return cursor.fetchone() or (0, None)


def stored_entries(chain_id: UUID, batch: int = 2000) -> Iterator[StoredEntry]:
    """Every entry of a chain in order, in bounded memory; personal bodies stay sealed."""
    after = 0
    while True:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT n, header, facts, facts_salt FROM ledger_entry "
                "WHERE chain_id = %s AND n > %s ORDER BY n LIMIT %s",
                [chain_id, after, batch],
            )
            rows = cursor.fetchall()
        yield from (StoredEntry(header, facts, bytes(salt)) for _, header, facts, salt in rows)
        if len(rows) < batch:
            return
        after = rows[-1][0]


def verification(business_id: UUID, chain_id: UUID) -> Verification:
    """Walk every link of a chain up to its head. Run inside one repeatable-read transaction."""
    n, digest = chain_head(chain_id)
    return verify(
        stored_entries(chain_id),
        business=business_id,
        location=None if chain_id == business_id else chain_id,
        head=Head(n, bytes.fromhex(digest)) if digest else None,
    )


def personal_bodies(client_id: UUID) -> list[dict[str, Any]]:
    """What entries say of one client in words, unsealed; what the retention rule let go is left out.

    Raises `Erased`.
    """
    rows = PersonalBody.objects.filter(client_id=client_id)
    with_times = rows.annotate(
        recorded_at=Subquery(
            Entry.objects.filter(chain_id=OuterRef("chain_id"), n=OuterRef("n")).values(
                "recorded_at"
            )
        ),
        kind=Subquery(
            Entry.objects.filter(chain_id=OuterRef("chain_id"), n=OuterRef("n")).values("kind")
        ),
    )
    found = list(under_present_key(with_times).order_by("recorded_at", "chain_id", "n"))
    if not found:
        return []
    texts = unseal_each(found[0].business_id, client_id, (row.sealed for row in found))
    return [
        {"chain_id": row.chain_id, "n": row.n, "kind": row.kind, "recorded_at": row.recorded_at,
         "said": orjson.loads(text[SALT_BYTES:])}
        for row, text in zip(found, texts, strict=True)
    ]  # fmt: skip
