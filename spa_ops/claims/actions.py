"""Taking and giving back time. Only plans hold claims: what happened needs none."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from uuid import UUID

import orjson
from django.db import connection
from django.db.models import QuerySet

from spa_ops.claims.models import Bookable, BookableFacts, BookableKind, Claim, Phase
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.problems import UnknownReference
from spa_ops.unit.work import CONSTRAINT_PROBLEMS, current

CONSTRAINT_PROBLEMS["claims_claim_no_overlap"] = lambda: ClaimClash(clashes=[])


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One span of one bookable that a plan needs."""

    bookable_id: UUID
    period: Period
    phase: Phase
    line_id: UUID | None = None


def add_bookable(kind: BookableKind, subject_id: UUID) -> None:
    """Make a client, practitioner, room or kit bookable; its bookable has the same id."""
    Bookable(id=subject_id, business_id=current().actor.business_id, kind=kind).save(
        force_insert=True
    )


def close_bookable(bookable_id: UUID, *, closed: bool = True) -> None:
    """Let nothing be planned with it any more, or again; whoever calls has locked it."""
    Bookable.objects.filter(id=bookable_id).update(closed=closed)


def lock_bookables(ids: Iterable[UUID]) -> dict[UUID, BookableFacts]:
    """Lock bookables in number order (unsorted locking deadlocked 169 times in 240 tries).

    Raises `UnknownReference` when one is not there. Locks nothing else.
    """
    wanted = set(ids)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT id, number, kind, closed FROM claims_bookable WHERE id = ANY(%s) "
            "ORDER BY number FOR NO KEY UPDATE",
            [list(wanted)],
        )
        found = {row[0]: BookableFacts(*row) for row in cursor.fetchall()}
    if found.keys() != wanted:
        raise UnknownReference
    return found


def claim(
    *,
    wanted: list[Wanted],
    now: datetime,
    visit_id: UUID | None,
    hold_expires_at: datetime | None = None,
    locked: dict[UUID, BookableFacts] | None = None,
) -> None:
    """Take every span or none. Inside an action; locks the bookables first, unless all are `locked`.

    Raises `ClaimClash` naming what clashes and until when, `Erased` for who is closed; expired holds are nobody's and go first.
    """
    bookables = locked or lock_bookables(w.bookable_id for w in wanted)
    if any(bookables[w.bookable_id].closed for w in wanted):
        raise Erased
    ordered = sorted(wanted, key=lambda w: (bookables[w.bookable_id].number, w.period.start))
    if clashes := _own_clashes(ordered, bookables):
        raise ClaimClash(clashes=clashes)
    rows = [(w, bookables[w.bookable_id].number) for w in ordered]
    if _took(rows, visit_id, hold_expires_at):
        return
    # Something is in the way: a clash, which has to be named, or holds that have expired.
    if clashes := _clashes(wanted, now):
        raise ClaimClash(clashes=clashes)
    Claim.objects.filter(bookable__in=bookables, hold_expires_at__lte=now).delete()
    if not _took(rows, visit_id, hold_expires_at):
        raise ClaimClash(clashes=[])


def _took(
    rows: Sequence[tuple[Wanted, int]], visit_id: UUID | None, hold_expires_at: datetime | None
) -> bool:
    """Insert all spans, or none where the constraint has one in the way: no look before is needed."""
    spans = [
        {
            "id": uuid7(),
            "bookable": w.bookable_id,
            "number": number,
            "from_at": w.period.start,
            "until_at": w.period.end,
            "phase": w.phase,
            "line": w.line_id,
        }
        for w, number in rows
    ]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT claims_take(%s::uuid, %s::uuid, %s::timestamptz, %s::jsonb)",
            [
                current().actor.business_id,
                visit_id,
                hold_expires_at,
                # One text: seven arrays cost several times as much to hand over.
                orjson.dumps(spans).decode(),
            ],
        )
        return bool(cursor.fetchone()[0])


def _own_clashes(
    ordered: list[Wanted], bookables: dict[UUID, BookableFacts]
) -> list[dict[str, str]]:
    """Where a plan, ordered by thing and time, needs one twice, such as a person in two rooms."""
    return [
        _clash(bookables[a.bookable_id].kind, a.bookable_id, a.phase, a.period.start, a.period.end)
        for a, b in pairwise(ordered)
        if a.bookable_id == b.bookable_id and a.period.overlaps(b.period)
    ]


def _clash(kind: str, subject: UUID, phase: str, start: datetime, end: datetime) -> dict[str, str]:
    return {
        "kind": kind,
        "id": str(subject),
        "phase": phase,
        "from": rfc3339(start),
        "until": rfc3339(end),
    }


def _clashes(wanted: list[Wanted], now: datetime) -> list[dict[str, str]]:
    # The locks are held, so what is read here stays so.
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT DISTINCT b.kind, b.id, c.phase, lower(c.span), upper(c.span), c.hold_expires_at, "
            "CASE WHEN c.hold_expires_at IS NOT NULL THEN c.visit_id END "
            "FROM unnest(%s::uuid[], %s::timestamptz[], %s::timestamptz[]) AS w(bookable, from_at, until_at) "
            # By id and not by number: equality may use an index under row-level security.
            "JOIN claims_claim c ON c.bookable_id = w.bookable AND c.span && tstzrange(w.from_at, w.until_at) "
            "AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s) "
            "JOIN claims_bookable b ON b.id = c.bookable_id ORDER BY 4, 1, 2",
            [
                [w.bookable_id for w in wanted],
                [w.period.start for w in wanted],
                [w.period.end for w in wanted],
                now,
            ],
        )
        return [
            _clash(*row)
            | ({"hold_id": str(hold_id), "held_until": rfc3339(held_until)} if held_until else {})
            for *row, held_until, hold_id in cursor.fetchall()
        ]


def release(*, visit_id: UUID, line_id: UUID | None = None) -> int:
    """Give back every claim of a visit, or of one of its lines; returns how many there were."""
    rows = _of_visits(visit_id)
    if line_id is not None:
        rows = rows.filter(line_id=line_id)
    return rows.delete()[0]


def _of_visits(visit_id: UUID) -> QuerySet[Claim]:
    # Whoever makes a visit or an absence may choose its id: what another kind of plan has stays.
    rows = Claim.objects.filter(visit_id=visit_id, hold_expires_at__isnull=True)
    return rows.exclude(phase=Phase.ABSENCE)


def release_absence(absence_id: UUID) -> int:
    """Give back what an absence has taken, and no visit's time; returns how many claims there were."""
    return Claim.objects.filter(visit_id=absence_id, phase=Phase.ABSENCE).delete()[0]


def release_hold(hold_id: UUID) -> int:
    """Give back what is held under that id, and no visit's time; returns how many claims there were."""
    return Claim.objects.filter(visit_id=hold_id, hold_expires_at__isnull=False).delete()[0]


def release_turnover(*, room_id: UUID, visit_id: UUID) -> None:
    """The room is ready again: whoever was planned for its turnover after this visit is free."""
    lines = Claim.objects.filter(bookable=room_id, visit_id=visit_id, phase=Phase.TURNOVER)
    Claim.objects.filter(
        phase=Phase.TURNOVER, line_id__in=lines.values_list("line_id", flat=True)
    ).delete()
