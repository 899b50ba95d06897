"""Taking time for many plans at once, from a file: few statements, the same constraint behind them."""

from bisect import bisect_left, insort
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from uuid import UUID

from django.db import connection

from spa_ops.claims.actions import Wanted
from spa_ops.claims.models import Bookable, BookableFacts, BookableKind, Claim
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.work import current

#: Spans compared or written by one statement.
BATCH = 5000
#: What is in the way: kind, id, phase, from, until, and the plan that has it (None: not known).
Clash = dict[str, str | None]


def add_bookables(kind: BookableKind, subject_ids: Iterable[UUID]) -> None:
    """As `actions.add_bookable` for many, in one statement."""
    business_id = current().actor.business_id
    Bookable.objects.bulk_create(
        Bookable(id=subject_id, business_id=business_id, kind=kind) for subject_id in subject_ids
    )


def clashing(
    plans: Mapping[UUID, Sequence[Wanted]],
    bookables: Mapping[UUID, BookableFacts],
    now: datetime,
    *,
    given_back: Collection[UUID] = (),
) -> dict[UUID, Clash]:
    """The plans that cannot be had, each with the first thing in its way; keys are the visits' ids.

    A plan is compared with what is taken, then with the plans before it in `plans` that can be
    had. Expired holds and what the visits `given_back` have taken are nobody's. Only sure while the
    bookables are locked. Reads only.
    """
    found = _clashing_with_claims(plans, now, given_back)
    taken: dict[UUID, list[tuple[datetime, datetime, str, UUID]]] = defaultdict(list)
    for visit_id, wanted in plans.items():
        if visit_id in found:
            continue
        clash = next((c for w in wanted if (c := _first_taken(w, taken, bookables))), None)
        if clash:
            found[visit_id] = clash
            continue
        for w in wanted:
            insort(taken[w.bookable_id], (w.period.start, w.period.end, w.phase, visit_id))
    return found


def _first_taken(
    wanted: Wanted,
    taken: Mapping[UUID, list[tuple[datetime, datetime, str, UUID]]],
    bookables: Mapping[UUID, BookableFacts],
) -> Clash | None:
    spans = taken.get(wanted.bookable_id, [])
    # Spans of one bookable do not overlap: only the last that begins before the end can be in the way.
    at = bisect_left(spans, (wanted.period.end,)) - 1
    if at < 0 or spans[at][1] <= wanted.period.start:
        return None
    start, end, phase, visit_id = spans[at]
    return {
        **_said(bookables[wanted.bookable_id].kind, wanted.bookable_id, phase, start, end),
        "visit_id": str(visit_id),
    }


def _said(kind: str, subject: UUID, phase: str, start: datetime, end: datetime) -> Clash:
    return {
        "kind": kind,
        "id": str(subject),
        "phase": phase,
        "from": rfc3339(start),
        "until": rfc3339(end),
    }


def _clashing_with_claims(
    plans: Mapping[UUID, Sequence[Wanted]], now: datetime, given_back: Collection[UUID]
) -> dict[UUID, Clash]:
    found: dict[UUID, Clash] = {}
    flat = [(visit_id, w) for visit_id, wanted in plans.items() for w in wanted]
    for first in range(0, len(flat), BATCH):
        part = flat[first : first + BATCH]
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT w.plan, b.kind, b.id, c.phase, lower(c.span), upper(c.span), c.visit_id "
                "FROM unnest(%s::uuid[], %s::uuid[], %s::timestamptz[], %s::timestamptz[]) "
                "AS w(plan, bookable, from_at, until_at) "
                # By id and not by number: equality may be hashed under row-level security.
                "JOIN claims_claim c ON c.bookable_id = w.bookable AND c.span && tstzrange(w.from_at, w.until_at) "
                "AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s) "
                "AND (c.visit_id IS NULL OR NOT c.visit_id = ANY(%s::uuid[])) "
                "JOIN claims_bookable b ON b.id = c.bookable_id ORDER BY 5 DESC, 2 DESC, 3",
                [
                    [visit_id for visit_id, _ in part],
                    [w.bookable_id for _, w in part],
                    [w.period.start for _, w in part],
                    [w.period.end for _, w in part],
                    now,
                    list(given_back),
                ],
            )
            for plan, *clash, holder in cursor.fetchall():
                found[plan] = {**_said(*clash), "visit_id": str(holder) if holder else None}
    return found


def claim_many(
    *,
    plans: Mapping[UUID, Sequence[Wanted]],
    bookables: Mapping[UUID, BookableFacts],
    now: datetime,
) -> None:
    """Take every span of plans that `clashing` found free; `bookables` are locked by the caller.

    Raises `ClaimClash` from the constraint should one not be free after all: nothing is taken then.
    """
    wanted = [(visit_id, w) for visit_id, spans in plans.items() for w in spans]
    Claim.objects.filter(bookable__in=bookables, hold_expires_at__lte=now).delete()
    wanted.sort(key=lambda pair: (bookables[pair[1].bookable_id].number, pair[1].period.start))
    for first in range(0, len(wanted), BATCH):
        _insert(wanted[first : first + BATCH], bookables)


def _insert(part: Sequence[tuple[UUID, Wanted]], bookables: Mapping[UUID, BookableFacts]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO claims_claim (id, business_id, bookable_id, number, span, phase, visit_id, line_id) "
            "SELECT w.id, %s, w.bookable, int8range(w.number, w.number, '[]'), "
            "tstzrange(w.from_at, w.until_at), w.phase, w.visit, w.line "
            "FROM unnest(%s::uuid[], %s::uuid[], %s::bigint[], %s::timestamptz[], %s::timestamptz[], "
            "%s::text[], %s::uuid[], %s::uuid[]) "
            "AS w(id, bookable, number, from_at, until_at, phase, visit, line)",
            [
                current().actor.business_id,
                [uuid7() for _ in part],
                [w.bookable_id for _, w in part],
                [bookables[w.bookable_id].number for _, w in part],
                [w.period.start for _, w in part],
                [w.period.end for _, w in part],
                [w.phase.value for _, w in part],
                [visit_id for visit_id, _ in part],
                [w.line_id for _, w in part],
            ],
        )
