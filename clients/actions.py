"""Writing clients and what consultations bring. The only writers of these."""

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.contacts import checked_birth_date, checked_email, checked_phone, found_by
from clients.models import Client, ClientWord, ConsentPurpose, HealthAnswer
from clients.problems import HealthConsentMissing
from clients.queries import (
    CORRECTION,
    TICK,
    HealthItem,
    ItemKind,
    KeptItem,
    after_the_last,
    consents,
    health_of,
    home_of,
    known_at,
)
from clients.queries_people import check_left, ids_of
from clients.rules.names import folded
from compliance.ledger.rules.format import canonical_json
from spa_ops.claims.actions import add_bookable
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location, Person
from spa_ops.tenancy.rules import check_zone
from spa_ops.tenancy.sealing import Erased, seal_each
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: More than any consultation brings (house policy).
MOST_ITEMS = 1000


@action
def add_client(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    location_id: UUID | None = None,
    phone: str = "",
    email: str = "",
    birth_date: date | None = None,
    language: str = "",
    zone: str = "",
    note: str = "",
    guardian: dict[str, str] | None = None,
    chosen_practitioner_id: UUID | None = None,
    id: UUID | None = None,
) -> Client:
    """A new client, in the feed of that location (default: the actor's own), bookable, found by name.

    `phone` is E.164 or national of the location's country. Consents to nothing. Raises
    `InvalidInput`; `NotFound` for a place out of reach.
    """
    place = _place(actor, location_id)
    details = {
        "name": name,
        "phone": phone,
        "email": email,
        "birth_date": birth_date,
        "language": language,
        "zone": zone,
        "note": note,
        "guardian": guardian,
        "chosen_practitioner_id": chosen_practitioner_id,
    }
    client = Client(
        id=id or uuid7(),
        business_id=actor.business_id,
        location_ids=[place.id],
        created_at=now,
        **_checked(details, place, now, actor),
    )
    put(client)
    keep_words(client)
    add_bookable(BookableKind.CLIENT, client.id)
    _evidence("client.added", client, place.id, version=client.version)
    return client


def _place(actor: Actor, location_id: UUID | None) -> Location:
    chosen = location_id or actor.location_id
    if chosen is None:
        raise invalid("/location_id", "name the location: your role is at all of them", "required")
    return tenancy.location(chosen, actor)


def _checked(
    given: dict[str, Any], place: Location | None, now: datetime, actor: Actor
) -> dict[str, Any]:
    """`given` in the form it is kept in; numbers are read and days compared as at `place`."""
    found = dict(given)
    if "name" in given:
        found["name"] = " ".join(given["name"].split())
        found["sort_name"] = folded(found["name"])[:200]
        if not found["sort_name"]:
            raise invalid("/name", "must have a letter or a digit")
    if "phone" in given:
        found["phone"] = checked_phone(given["phone"], place.country if place else None)
    if "email" in given:
        found["email"] = checked_email(given["email"])
    if "birth_date" in given:
        today = local_date(now, place.zone if place else "UTC")
        found["birth_date"] = checked_birth_date(given["birth_date"], today)
    if given.get("zone"):
        check_zone(given["zone"])
    if given.get("guardian"):
        who, country = given["guardian"], place.country if place else None
        found["guardian"] = {
            "name": " ".join(who["name"].split()),
            "relation": who.get("relation", ""),
            "phone": checked_phone(who.get("phone", ""), country),
            "email": checked_email(who.get("email", "")),
        }
    if given.get("chosen_practitioner_id"):
        tenancy.loaded(Person, given["chosen_practitioner_id"], actor)
    return found


def keep_words(client: Client) -> None:
    """Make the words that find the client those of the present names and numbers of the person."""
    same = Client.objects.filter(id__in=ids_of(client.id)).values_list("name", "phone")
    wanted = {word for name, phone in same for word in found_by(name, phone)}
    kept = set(ClientWord.objects.filter(client=client).values_list("word", flat=True))
    ClientWord.objects.filter(client=client, word__in=kept - wanted).delete()
    ClientWord.objects.bulk_create(
        ClientWord(business_id=client.business_id, client=client, word=word)
        for word in sorted(wanted - kept)
    )


@action
def change_client(
    *, actor: Actor, now: datetime, client_id: UUID, match: int | None = None, **changes: Any
) -> Client:
    """Change any of the fields of `add_client`; a field that keeps its value is no change.

    Raises `NotFound`, `StaleVersion`, `InvalidInput`, `Erased`.
    """
    client = tenancy.locked(Client, client_id, actor, match=match)
    if client.erased_at is not None:
        raise Erased
    check_left(client)
    place = home_of(client, actor)
    found = _checked(changes, place, now, actor)
    names = [name for name, value in found.items() if getattr(client, name) != value]
    if not names:
        return client
    for name in names:
        setattr(client, name, found[name])
    put(client, fields=names)
    if {"name", "phone"} & set(names):
        keep_words(client)
    _evidence(
        "client.changed",
        client,
        place.id if place else None,
        version=client.version,
        fields=sorted(set(names) - {"sort_name"}),
    )
    return client


@action
def link_client(*, actor: Actor, now: datetime, client_id: UUID, location_id: UUID) -> Client:
    """Put the client in a location's feed, once: who works there may then need the record.

    Takes no lock when the link is there already. Raises `NotFound`.
    """
    place = tenancy.location(location_id, actor)
    client = tenancy.loaded(Client, client_id, actor)
    if place.id in client.location_ids:
        return client
    client = tenancy.locked(Client, client_id, actor)
    if place.id not in client.location_ids:
        client.location_ids = [*client.location_ids, place.id]
        put(client, fields=["location_ids"])
        _evidence("client.linked", client, place.id)
    return client


@action
def record_health(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    visit_id: UUID,
    location_id: UUID,
    items: Sequence[HealthItem],
) -> list[UUID]:
    """Keep what was said and seen at a visit, sealed under the client's key; returns the items' ids.

    `items` were checked by `queries.items_from`; nothing kept before is replaced. Locks the
    client. Raises `NotFound`, `Erased`, `InvalidInput` for none or more than 1,000 items, and
    `HealthConsentMissing` unless the client agrees, now, to the keeping of health answers.
    """
    if not 0 < len(items) <= MOST_ITEMS:
        raise invalid("/items", f"takes 1 to {MOST_ITEMS}")
    place = tenancy.location(location_id, actor)
    client = tenancy.locked(Client, client_id, actor)
    check_left(client)
    # Under the client's lock: a withdrawal is seen by whatever comes after it.
    if not consents(client.id).get(ConsentPurpose.HEALTH_ANSWERS):
        raise HealthConsentMissing(client_id=str(client.id), purpose="health_answers")
    first = after_the_last(HealthAnswer.objects.filter(client_id__in=ids_of(client.id)), now)
    plain = [_canonical(item.content) for item in items]
    rows = [
        HealthAnswer(
            business_id=client.business_id,
            client=client,
            visit_id=visit_id,
            kind=ItemKind(item.kind),
            sealed=sealed,
            recorded_at=first + n * TICK,
            recorded_by=actor.person_id,
        )
        for n, (item, sealed) in enumerate(
            zip(items, seal_each(client.business_id, client.id, plain), strict=True)
        )
    ]
    HealthAnswer.objects.bulk_create(rows)
    current().evidence(
        "client.health_recorded",
        location_id=place.id,
        subject_id=client.id,
        facts={
            "client_id": client.id,
            "visit_id": visit_id,
            "count": len(rows),
            "kinds": sorted({row.kind for row in rows}),
            "item_ids": [row.id for row in rows],
        },
        personal={"items": [text.decode() for text in plain]},
        client_id=client.id,
    )
    return [row.id for row in rows]


def _canonical(content: Mapping[str, Any]) -> bytes:
    """One text for one content; days and ids as text."""
    return canonical_json(json.loads(json.dumps(dict(content), default=str)))


@action
def strike_out(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    item_id: UUID,
    location_id: UUID,
    reason: str,
) -> UUID:
    """Say that a kept item is wrong, by a row of its own; both stay. Returns the item's visit.

    Whoever calls decides the lines of that visit anew. Raises `NotFound`; `WrongState` when it is
    struck out already; `InvalidInput` without a reason; `Erased`.
    """
    if not reason.strip():
        raise invalid("/reason", "say why it is wrong", "required")
    place = tenancy.location(location_id, actor)
    client = known_at(tenancy.locked(Client, client_id, actor), actor)
    check_left(client)
    rows = HealthAnswer.objects.filter(client_id__in=ids_of(client.id))
    wrong = rows.filter(id=item_id).exclude(kind=CORRECTION).first()
    if wrong is None:
        raise NotFound
    if rows.filter(corrects_id=item_id).exists():
        raise WrongState(thing="item", state="struck out", needed="an item that stands")
    # Kept with what it strikes out: under the record where that was said.
    (sealed,) = seal_each(client.business_id, wrong.client_id, [canonical_json({"reason": reason})])
    correction = HealthAnswer(
        business_id=client.business_id,
        client_id=wrong.client_id,
        visit_id=wrong.visit_id,
        kind=CORRECTION,
        sealed=sealed,
        corrects_id=wrong.id,
        recorded_at=after_the_last(rows, now),
        recorded_by=actor.person_id,
    )
    correction.save(force_insert=True)
    current().evidence(
        "client.health_struck_out",
        location_id=place.id,
        subject_id=wrong.client_id,
        facts={
            "client_id": wrong.client_id,
            "visit_id": wrong.visit_id,
            "item_id": wrong.id,
            "correction_id": correction.id,
        },
        personal={"reason": reason},
        client_id=wrong.client_id,
    )
    return wrong.visit_id


@action
def read_health(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    visit_id: UUID | None = None,
    with_struck: bool = False,
) -> list[KeptItem]:
    """What was said and seen, for a person's eyes: the reading itself is recorded, who and when.

    Raises `NotFound` also where the client is not linked to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id, visit_id=visit_id)
    return health_of(client.id, client.business_id, visit_id=visit_id, with_struck=with_struck)


def _evidence(kind: str, client: Client, location_id: UUID | None, **facts: Any) -> None:
    """Which client and which fields, never what they hold."""
    current().evidence(
        kind,
        location_id=location_id,
        subject_id=client.id,
        facts={"client_id": client.id, **facts},
    )
