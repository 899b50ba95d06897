"""What this app and those below hold of a client, for the registry: exported, erased."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

import orjson

from clients.models import Client, Consent, HealthRead
from clients.queries import health_of, unverified_health
from clients.queries_consents import signatures_of
from clients.registry import Exporter, Holding, register
from compliance.ledger.queries import personal_bodies


def plain(rows: Any) -> list[dict[str, Any]]:
    """Rows as JSON values: ids and instants as text."""
    found: list[dict[str, Any]] = orjson.loads(orjson.dumps(rows, default=str))
    return found


def _columns(model: Any, *names: str, order: str) -> Exporter:
    return lambda client_id: plain(
        list(model.objects.filter(client_id=client_id).order_by(order, "id").values(*names))
    )


def _record(client_id: UUID) -> list[dict[str, Any]]:
    rows = Client.objects.filter(id=client_id).values(
        "id", "name", "phone", "email", "birth_date", "language", "zone", "note", "location_ids",
        "created_at", "source_id", "guardian", "chosen_practitioner_id",
    )  # fmt: skip
    return plain([row | {"unverified_health": unverified_health(client_id)} for row in rows])


def _health(client_id: UUID) -> list[dict[str, Any]]:
    business_id = Client.objects.values_list("business_id", flat=True).get(id=client_id)
    return plain(health_of(client_id, business_id, with_struck=True, own_only=True))


def _consents(client_id: UUID) -> list[dict[str, Any]]:
    rows = _columns(
        Consent, "id", "purpose", "given", "text_digest", "signed_by", "recorded_at",
        order="recorded_at",
    )(client_id)  # fmt: skip
    business_id = Client.objects.values_list("business_id", flat=True).get(id=client_id)
    signed = {str(row.id): name for row, name in signatures_of([client_id], business_id)}
    return [row | {"signature": signed.get(row["id"])} for row in rows]


def register_all() -> None:
    """Each table once; what is sealed is erased with the key, and append-only rows stay."""
    nothing: Callable[[UUID], list[dict[str, Any]]] = lambda _: []
    holdings: dict[str, Exporter] = {
        "clients_client": _record,
        # Derived from name and number; the key and the bookable say nothing of the client.
        "clients_client_word": nothing,
        "claims_bookable": nothing,
        "tenancy_subject_key": nothing,
        # Names nobody but two ids, one of them another client's.
        "clients_told_apart": nothing,
        "clients_merge": nothing,
        "clients_consent": _consents,
        "clients_health_answer": _health,
        "clients_health_read": _columns(
            HealthRead, "id", "person_id", "device_id", "visit_id", "read_at", order="read_at"
        ),
        "ledger_personal": lambda client_id: plain(personal_bodies(client_id)),
    }
    for table, export in holdings.items():
        register(Holding(table=table, export=export))
