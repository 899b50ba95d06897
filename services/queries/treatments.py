"""Reads of what was done on a client: lines that are over, with all that belongs to them. Never writes."""

import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from datetime import datetime
from operator import itemgetter
from typing import Any
from uuid import UUID

from django.db.models import Q

from clients.holdings import plain
from clients.models import Client, PatchTest
from clients.queries import after_the_last, known_at
from clients.queries_people import check_left, ids_of
from services.models import AftercareGiven, Line, LineState, Visit, Wish, WorkRecord
from services.queries import photographs
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import under_present_key, unseal_each, unseal_for_each

#: What there is to tell of.
OVER = (LineState.FINISHED, LineState.STOPPED)


def locked_client(client_id: UUID, actor: Actor) -> Client:
    """The client, locked; raises `NotFound` also where they are not known to the actor's location,
    and `MergedAway`.
    """
    client = known_at(tenancy.locked(Client, client_id, actor), actor)
    check_left(client)
    return client


def next_wish_at(client_id: UUID, now: datetime) -> datetime:
    """When a new wish of a locked client counts as said: after all others."""
    return after_the_last(Wish.objects.filter(client_id__in=ids_of(client_id)), now)


def wishes_of(client_id: UUID, business_id: UUID) -> list[dict[str, Any]]:
    """The newest wish of each area, by area, whichever record of the person has it. Raises `Erased`."""
    rows = list(
        under_present_key(Wish.objects.filter(client_id__in=ids_of(client_id)))
        .order_by("area", "-recorded_at")
        .distinct("area")
    )
    found = []
    for who in {row.client_id for row in rows}:
        found += _wishes(who, business_id, [row for row in rows if row.client_id == who])
    return sorted(found, key=itemgetter("area"))


def exported_wishes(client_id: UUID) -> list[dict[str, Any]]:
    """Every wish of a client, oldest first, as JSON values. Raises `Erased`."""
    rows = list(under_present_key(Wish.objects.filter(client_id=client_id)).order_by("recorded_at"))
    return _wishes(client_id, rows[0].business_id, rows) if rows else []


def _wishes(client_id: UUID, business_id: UUID, rows: list[Wish]) -> list[dict[str, Any]]:
    texts = unseal_each(business_id, client_id, (r.sealed for r in rows)) if rows else []
    return [
        {
            "id": str(row.id),
            "area": row.area,
            "text": text.decode(),
            "recorded_at": rfc3339(row.recorded_at),
            "recorded_by": row.recorded_by and str(row.recorded_by),
        }
        for row, text in zip(rows, texts, strict=True)
    ]


def exported_aftercare(client_id: UUID) -> list[dict[str, Any]]:
    """Which aftercare texts a client was given, oldest first, as JSON values."""
    rows = AftercareGiven.objects.filter(client_id=client_id).order_by("given_at", "id")
    return plain(
        list(rows.values("id", "line_id", "text_id", "version", "digest", "language", "how", "given_at"))
    )  # fmt: skip


def treatments_of(
    client: Client, *, before: tuple[datetime, UUID] | None, limit: int
) -> tuple[list[dict[str, Any]], tuple[datetime, UUID] | None]:
    """Up to `limit` of a client's lines that are over, newest first, and the place of the next page.

    Also of those merged into the client. Eight statements, however many lines. A work record that the retention rule made unreadable is
    not there any more; the line is. Raises `Erased`.
    """
    people = ids_of(client.id)
    rows = Line.objects.filter(visit__client_id__in=people, state__in=OVER)
    if before is not None:
        at, line_id = before
        rows = rows.filter(Q(finished_at__lt=at) | Q(finished_at=at, id__lt=line_id))
    joined = rows.select_related("visit__location", "service", "practitioner", "room")
    lines = list(joined.order_by("-finished_at", "-id")[: limit + 1])
    more, lines = len(lines) > limit, lines[:limit]
    ids = [line.id for line in lines]
    records = _records(people, ids)
    given = _by_line(
        AftercareGiven.objects.filter(line_id__in=ids).order_by("given_at", "id"), _given
    )
    tests = _by_line(PatchTest.objects.filter(line_id__in=ids).order_by("applied_at", "id"), _test)
    pictures = photographs.of_lines(people, ids)
    found = [
        _treatment(line)
        | {
            "records": records.get(line.id, []),
            "aftercare_given": given.get(line.id, []),
            "patch_tests": tests.get(line.id, []),
            "photographs": pictures.get(line.id, []),
        }
        for line in lines
    ]
    last = lines[-1] if more else None
    return found, (last.finished_at, last.id) if last and last.finished_at else None


def _treatment(line: Line) -> dict[str, Any]:
    done = line.finished_at
    return {
        "line_id": line.id,
        "visit_id": line.visit_id,
        "location_id": line.visit.location_id,
        "date": done and str(local_date(done, line.visit.location.zone)),
        "started_at": line.started_at and rfc3339(line.started_at),
        "finished_at": done and rfc3339(done),
        "state": line.state,
        "service_id": line.service_id,
        "service": line.service.name,
        "area": line.area,
        "method": line.method,
        "practitioner_id": line.practitioner_id,
        "practitioner": line.practitioner.name,
        "room": line.room.name,
        "blood_seen": line.blood_seen_at is not None,
        "verdict": line.verdict,
        "override": line.overridden_at
        and {"by": line.overridden_by, "at": rfc3339(line.overridden_at)},
    }


def _records(
    client_ids: Collection[UUID], line_ids: Collection[UUID]
) -> dict[UUID, list[dict[str, Any]]]:
    kept = under_present_key(
        WorkRecord.objects.filter(client_id__in=client_ids, line_id__in=line_ids)
    )
    # Each record of a person has its own key.
    by_client: dict[UUID, list[WorkRecord]] = defaultdict(list)
    for row in kept.order_by("recorded_at", "id"):
        by_client[row.client_id].append(row)
    found: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for who, rows in by_client.items():
        texts = unseal_each(rows[0].business_id, who, (r.sealed for r in rows))
        for row, text in zip(rows, texts, strict=True):
            found[row.line_id].append(
                {
                    "recorded_at": rfc3339(row.recorded_at),
                    "recorded_by": row.recorded_by,
                    "record": json.loads(text),
                }
            )
    return found


def _by_line(
    rows: Iterable[Any], shown: Callable[[Any], dict[str, Any]]
) -> dict[UUID, list[dict[str, Any]]]:
    found: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        found[row.line_id].append(shown(row))
    return found


def _given(row: AftercareGiven) -> dict[str, Any]:
    return {
        "text_id": row.text_id,
        "version": row.version,
        "digest": row.digest,
        "language": row.language,
        "how": row.how,
        "given_at": rfc3339(row.given_at),
        "given_by": row.given_by,
    }


def _test(row: PatchTest) -> dict[str, Any]:
    return {
        "patch_test_id": row.id,
        "product_name": row.product_name,
        "area": row.area,
        "applied_at": rfc3339(row.applied_at),
    }


def products_recorded(visit: Visit) -> list[str]:
    """What the work records of a visit name as used, each once; nothing for an erased client."""
    rows = under_present_key(WorkRecord.objects.filter(line__visit_id=visit.id))
    sealed = [bytes(r.sealed) for r in rows.order_by("recorded_at", "id")]
    opened = unseal_for_each({visit.client_id: sealed}).get(visit.client_id, []) if sealed else []
    return sorted({name for text in opened for name in json.loads(text).get("products", [])})


def last_record_on(visit: Visit, areas: Collection[str]) -> dict[str, Any] | None:
    """The newest readable work record of the client's earlier visits on one of `areas`; None: there is none.

    Also of those merged into the client. Raises `Erased`.
    """
    people = ids_of(visit.client_id)
    lines = Line.objects.filter(visit__client_id__in=people, area__in=areas, state__in=OVER)
    before = lines.exclude(visit_id=visit.id).filter(starts_at__lt=visit.starts_at)
    kept = under_present_key(WorkRecord.objects.filter(client_id__in=people, line__in=before))
    row = kept.select_related("line").order_by("-line__starts_at", "-recorded_at", "-id").first()
    if row is None:
        return None
    (text,) = unseal_each(row.business_id, row.client_id, [row.sealed])
    return {
        "visit_id": row.line.visit_id,
        "area": row.line.area,
        "method": row.line.method,
        "recorded_at": rfc3339(row.recorded_at),
        "record": json.loads(text),
    }
