"""Reads of clients, their consents, and what consultations have kept (unsealed). Never writes."""

import json
from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import Max

from clients.models import Client, ConsentPurpose, HealthAnswer, ScreeningPolicy
from clients.queries_people import consents, ids_of, ids_of_each
from clients.rule_files import rule_set_under, shipped_rule_set
from clients.rules import items
from clients.rules.items import HealthItem, ItemKind
from clients.rules.model import RuleSet
from clients.rules.names import search_words
from clients.rules.told import Case, KeptItem, Strike, case_from
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import under_present_key, unseal_each, unseal_for_each

__all__ = ["Case", "ConsentPurpose", "HealthItem", "ItemKind", "KeptItem", "Strike", "consents"]

#: The least by which two rows' times differ.
TICK = timedelta(microseconds=1)
#: Kind of the row that strikes another out.
CORRECTION = "correction"
#: The last of all characters stands in no word: behind it nothing begins with the same letters.
_BEHIND = "\U0010ffff"


def house_policy() -> ScreeningPolicy | None:
    """The business's own policy on top of the shipped screening rules, if it ever set one."""
    return ScreeningPolicy.objects.order_by("-recorded_at", "-id").first()


def rule_set() -> RuleSet:
    """The screening rules of the business at work: the shipped ones under its policy. One statement."""
    policy = ScreeningPolicy.objects.order_by("-recorded_at", "-id").values_list("id").first()
    return shipped_rule_set() if policy is None else _under_policy(policy[0])


@lru_cache(maxsize=200)
def _under_policy(policy_id: UUID) -> RuleSet:
    # Rows are never changed, so what one made stays true; a newer program may ship other rules,
    # and that is a new process.
    policy = ScreeningPolicy.objects.get(id=policy_id).policy
    return rule_set_under(policy)


def declared_by_each(client_ids: Collection[UUID]) -> dict[UUID, list[KeptItem]]:
    """What each of many clients has declared at any visit, in order. Three statements.

    Struck-out items are left out, and so are clients who declared nothing or were erased.
    """
    people = ids_of_each(client_ids)
    by_client: dict[UUID, list[_Row]] = defaultdict(list)
    # Plain rows: models cost as much as all the judging.
    with connection.cursor() as cursor:
        every = [i for ids in people.values() for i in ids]
        cursor.execute(_DECLARED, [every, [ItemKind.DECLARATION, CORRECTION]])
        for row in map(_Row._make, cursor.fetchall()):
            by_client[row.client_id].append(row)
    opened = unseal_for_each({who: [r.sealed for r in rows] for who, rows in by_client.items()})
    kept = {who: _items(by_client[who], plain) for who, plain in opened.items()}
    return {
        who: sorted((item for i in own for item in kept[i]), key=_in_order)
        for who, ids in people.items()
        if (own := [i for i in ids if i in kept])
    }


# As `under_present_key` has it.
_DECLARED = """
SELECT a.id, a.client_id, a.visit_id, a.kind, a.sealed, a.corrects_id, a.recorded_at, a.recorded_by
FROM clients_health_answer a WHERE a.client_id = ANY(%s) AND a.kind = ANY(%s)
AND NOT EXISTS (SELECT FROM tenancy_subject_key k WHERE k.id = a.client_id AND k.renewed_at >= a.recorded_at)
ORDER BY a.client_id, a.recorded_at, a.id
"""


def _in_order(item: KeptItem) -> tuple[datetime, UUID]:
    return item.recorded_at, item.id


class _Row(NamedTuple):
    id: UUID
    client_id: UUID
    visit_id: UUID
    kind: str
    sealed: bytes
    corrects_id: UUID | None
    recorded_at: datetime
    recorded_by: UUID | None


def beginning_with(text: str) -> list[tuple[str, list[Any]]]:
    """SQL conditions over clients `e` that have, for each word typed, a word that begins with it.

    Plain comparisons on the words' index: quick among any number of clients.
    """
    words = search_words(text)
    if not words:
        return [("false", [])]
    found = (
        "e.id IN (SELECT w.client_id FROM clients_client_word w WHERE w.word >= %s AND w.word < %s)"
    )
    return [(found, [word, word + _BEHIND]) for word in words]


def age_and_consents(client_id: UUID) -> tuple[date | None, dict[str, bool]]:
    """The birth date, if known, and the consents that hold; raises `NotFound`.

    Of a person of several records the client's own date counts, else the latest of the others'.
    """
    born = dict(Client.objects.filter(id__in=ids_of(client_id)).values_list("id", "birth_date"))
    if client_id not in born:
        raise NotFound
    others = max((day for day in born.values() if day is not None), default=None)
    return born[client_id] or others, consents(client_id)


def items_from(
    *,
    answers: Sequence[object] = (),
    declarations: Sequence[object] = (),
    findings: Sequence[object] = (),
    today: date,
) -> list[HealthItem]:
    """What was sent in for a consultation, checked against the shipped rules, ready to be kept.

    Raises `InvalidInput` with a pointer to each wrong place; shapes are in `rules.items`.
    """
    return items.items_from(
        rule_set=shipped_rule_set(),
        today=today,
        answers=answers,
        declarations=declarations,
        findings=findings,
    )


def case_of(client_id: UUID, visit_id: UUID, today: date) -> Case:
    """What screening at this visit goes by; `today` is the location's date. Three statements.

    Raises `Erased`.
    """
    kept = _kept(HealthAnswer.objects.filter(client_id__in=ids_of(client_id)))
    return case_from(kept, visit_id, shipped_rule_set(), today)


def health_of(
    client_id: UUID,
    business_id: UUID,
    *,
    visit_id: UUID | None = None,
    with_struck: bool = False,
    own_only: bool = False,
) -> list[KeptItem]:
    """What was said and seen, in the order it was recorded; struck-out items only on request.

    Also of those merged into the client, unless `own_only`. Not itself a recorded read: whoever shows it to a person goes through `actions.read_health`.
    Raises `Erased`.
    """
    ids = [client_id] if own_only else ids_of(client_id)
    rows = HealthAnswer.objects.filter(client_id__in=ids, business_id=business_id)
    if visit_id is not None:
        rows = rows.filter(visit_id=visit_id)
    return [item for item in _kept(rows) if with_struck or item.struck is None]


def _kept(rows: Any) -> list[KeptItem]:
    found: list[HealthAnswer] = list(under_present_key(rows).order_by("recorded_at", "id"))
    # Each record of a person has its own key.
    by_client: dict[UUID, list[HealthAnswer]] = defaultdict(list)
    for row in found:
        by_client[row.client_id].append(row)
    kept: list[KeptItem] = []
    for who, own in by_client.items():
        kept += _items(own, unseal_each(own[0].business_id, who, (row.sealed for row in own)))
    return sorted(kept, key=_in_order)


def _items(found: Sequence[HealthAnswer | _Row], plain: Sequence[bytes]) -> list[KeptItem]:
    contents = {row.id: json.loads(text) for row, text in zip(found, plain, strict=True)}
    strikes = {
        row.corrects_id: Strike(
            id=row.id,
            recorded_at=row.recorded_at,
            recorded_by=row.recorded_by,
            reason=contents[row.id]["reason"],
        )
        for row in found
        if row.kind == CORRECTION
    }
    return [
        KeptItem(
            id=row.id,
            visit_id=row.visit_id,
            kind=row.kind,
            content=contents[row.id],
            recorded_at=row.recorded_at,
            recorded_by=row.recorded_by,
            struck=strikes.get(row.id),
        )
        for row in found
        if row.kind != CORRECTION
    ]


def was_asked_before(client_id: UUID) -> bool:
    """Whether any health answer of this client is kept; never which."""
    return HealthAnswer.objects.filter(client_id__in=ids_of(client_id)).exists()


def unverified_of_person(client_id: UUID) -> str | None:
    """`unverified_health` of the client and those merged into it, a line for each. Raises `Erased`."""
    texts = [text for i in ids_of(client_id) if (text := unverified_health(i)) is not None]
    return "\n".join(texts) if texts else None


def unverified_health(client_id: UUID) -> str | None:
    """Somebody else's words from an import, never verified: asked again before any service.

    Raises `Erased`.
    """
    client = Client.objects.filter(id=client_id).first()
    if client is None or client.unverified_health is None:
        return None
    (plain,) = unseal_each(client.business_id, client.id, [client.unverified_health])
    return plain.decode()


def client_named(client_id: UUID) -> Client:
    """One client of the business at work; raises `NotFound`."""
    client = Client.objects.filter(id=client_id).first()
    if client is None:
        raise NotFound
    return client


def home_of(client: Client, actor: Actor) -> Location | None:
    """The place that a change is made at: the actor's own, else where the client was last linked."""
    chosen = actor.location_id or next(reversed(client.location_ids), None)
    return Location.objects.filter(id=chosen).first() if chosen else None


def after_the_last(rows: Any, now: datetime) -> datetime:
    """`now`, or just behind a client's newest of `rows`: clocks differ, and the newest must be one.

    Sure only while the client is locked, so that nobody writes another meanwhile.
    """
    last = rows.aggregate(last=Max("recorded_at"))["last"]
    return now if last is None else max(now, last + TICK)


def known_at(client: Client, actor: Actor) -> Client:
    """The client, if linked to the actor's location; raises `NotFound`: health stays with those who
    need it, while name and number are found in the whole business.
    """
    if actor.location_id is None or actor.location_id in client.location_ids:
        return client
    # Where one was known that was merged into the client, the client is.
    same = Client.objects.filter(id__in=ids_of(client.id))
    if not same.filter(location_ids__contains=[actor.location_id]).exists():
        raise NotFound
    return client
