"""Many clients at once, from a file: what `actions.add_client` writes, a set in each statement.

The evidence is the importer's one entry; nothing here writes one.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import connection

from clients.contacts import found_by
from clients.models import Client
from clients.rules.names import folded
from spa_ops.claims.actions_many import add_bookables
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import seal_for_each
from spa_ops.unit.work import action, current

#: What one call may bring: a statement stays small, and nobody waits long between two.
MOST = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class NewClient:
    """A client as a file has them, in the forms that `add_client` keeps; `allergies` not verified."""

    id: UUID
    name: str
    phone: str = ""
    email: str = ""
    birth_date: date | None = None
    language: str = ""
    zone: str = ""
    note: str = ""
    source_id: str
    allergies: str = ""


_INSERT = """
INSERT INTO clients_client (id, business_id, version, name, sort_name, phone, email, birth_date,
    language, zone, note, location_ids, created_at, source_id, unverified_health)
SELECT r.id, %s, 1, r.name, r.sort_name, r.phone, r.email, r.birth_date, r.language, r.zone, r.note,
    ARRAY[%s::uuid], %s, r.source_id, decode(r.sealed, 'hex')
FROM jsonb_to_recordset(%s::jsonb) AS r(id uuid, name text, sort_name text, phone text, email text,
    birth_date date, language text, zone text, note text, source_id text, sealed text)
"""
_INSERT_WORDS = """
INSERT INTO clients_client_word (id, business_id, client_id, word)
SELECT w.id, %s, w.client_id, w.word FROM unnest(%s::uuid[], %s::uuid[], %s::text[]) AS w(id, client_id, word)
"""
# Locked in the order of ids: two imports of one book wait for each other instead of deadlocking.
_LINK = """
UPDATE clients_client SET location_ids = location_ids || %s::uuid, version = version + 1
WHERE id IN (SELECT id FROM clients_client WHERE id = ANY(%s::uuid[]) AND NOT %s = ANY(location_ids)
             ORDER BY id FOR NO KEY UPDATE)
RETURNING id, version, location_ids
"""
_KEEP = """
UPDATE clients_client c SET unverified_health = decode(t.sealed, 'hex'), version = c.version + 1
FROM unnest(%s::uuid[], %s::text[]) AS t(id, sealed)
WHERE c.id = t.id AND c.unverified_health IS NULL
RETURNING c.id, c.version, c.location_ids
"""


@action
def add_clients(
    *, actor: Actor, now: datetime, location_id: UUID, clients: Sequence[NewClient]
) -> None:
    """New clients in the feed of that location, bookable, found by name; consenting to nothing.

    At most 1,000. Allergy text is sealed under each client's key. Raises `NotFound` for a place out
    of reach, `AlreadyExists` for a `source_id` that the business has.
    """
    place = tenancy.location(location_id, actor)
    if not 0 < len(clients) <= MOST:
        raise ValueError(f"1 to {MOST} clients at once")
    sealed = _sealed(actor, {c.id: c.allergies for c in clients if c.allergies})
    rows = [_row(client, sealed.get(client.id)) for client in clients]
    with connection.cursor() as cursor:
        cursor.execute(_INSERT, [actor.business_id, place.id, now, json.dumps(rows)])
    _add_words(actor, clients)
    add_bookables(BookableKind.CLIENT, [client.id for client in clients])
    _publish((client.id, 1, [place.id]) for client in clients)


def _sealed(actor: Actor, told: Mapping[UUID, str]) -> dict[UUID, bytes]:
    if not told:
        return {}
    texts = {who: [text.encode()] for who, text in told.items()}
    return {who: sealed[0] for who, sealed in seal_for_each(actor.business_id, texts).items()}


def _row(client: NewClient, sealed: bytes | None) -> dict[str, Any]:
    names = ("name", "phone", "email", "language", "zone", "note", "source_id")
    return {
        **{name: getattr(client, name) for name in names},
        "id": str(client.id),
        "sort_name": folded(client.name)[:200],
        "birth_date": client.birth_date.isoformat() if client.birth_date else None,
        "sealed": sealed.hex() if sealed else None,
    }


def _add_words(actor: Actor, clients: Sequence[NewClient]) -> None:
    words = [(c.id, word) for c in clients for word in sorted(found_by(c.name, c.phone))]
    ids = [uuid7() for _ in words]
    with connection.cursor() as cursor:
        cursor.execute(
            _INSERT_WORDS, [actor.business_id, ids, [w[0] for w in words], [w[1] for w in words]]
        )


@action
def link_clients(
    *, actor: Actor, now: datetime, location_id: UUID, client_ids: Sequence[UUID]
) -> int:
    """Put clients in a location's feed who are not in it yet; returns how many. Raises `NotFound`."""
    place = tenancy.location(location_id, actor)
    with connection.cursor() as cursor:
        cursor.execute(_LINK, [place.id, list(client_ids), place.id])
        linked = cursor.fetchall()
    _publish(linked)
    return len(linked)


@action
def keep_allergies(*, actor: Actor, now: datetime, told: Mapping[UUID, str]) -> int:
    """Seal a file's allergy text with clients who have none; returns how many took it.

    What a client has already is kept as it is, and who was erased stays so.
    """
    sealed = _sealed(actor, told)
    # Locked in the order of ids, as `link_clients` does.
    locked = Client.objects.select_for_update(of=("self",), no_key=True).filter(id__in=sealed)
    ids = list(locked.order_by("id").values_list("id", flat=True))
    with connection.cursor() as cursor:
        cursor.execute(_KEEP, [ids, [sealed[client_id].hex() for client_id in ids]])
        kept = cursor.fetchall()
    _publish(kept)
    return len(kept)


def _publish(rows: Iterable[tuple[UUID, int, Sequence[UUID]]]) -> None:
    for client_id, version, location_ids in rows:
        current().publish(
            entity=Client.entity,
            entity_id=client_id,
            version=version,
            feeds=tuple(location_ids),
        )
