"""Kits counted back after a visit; what is missing is searched for until it is found or written off."""

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

from compliance.disinfection.actions.reprocessing import record
from compliance.disinfection.models import Implement, Kit, KitCount, MissingPiece
from compliance.disinfection.queries import counting as queries
from compliance.disinfection.rules.counting import Outcome, count_back
from compliance.disinfection.rules.reprocessing import EventKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def count_kit_back(
    *, actor: Actor, now: datetime, kit_id: UUID, visit_id: UUID, missing_ids: Sequence[UUID]
) -> Kit:
    """Count a kit back: what of the pieces that went out is not there. The last count holds.

    What is missing keeps linen and bin of the visit's room until it is found or written off
    (common practice, no source). Raises `InvalidInput` for a
    visit that the kit was not opened for, and for a piece that did not go out.
    """
    kit = tenancy.locked(Kit, kit_id, actor)
    use = queries.use_of(kit.id, visit_id)
    if use is None:
        raise invalid("/visit_id", "is not one that this kit was opened for")
    out = queries.counted_out(use)
    before = queries.missing_after(kit.id, visit_id)
    try:
        count = count_back(
            out=out, missing=missing_ids, missing_before=[row.implement_id for row in before]
        )
    except ValueError as error:
        raise invalid("/missing_ids", str(error)) from error
    KitCount(
        business_id=actor.business_id,
        kit=kit,
        visit_id=visit_id,
        counted_at=now,
        person_id=actor.person_id,
        pieces_out=len(out),
        pieces_missing=len(set(missing_ids)),
    ).save(force_insert=True)
    MissingPiece.objects.bulk_create(
        MissingPiece(
            business_id=actor.business_id,
            location_id=kit.location_id,
            kit=kit,
            implement_id=piece,
            visit_id=visit_id,
            missed_at=now,
            missed_by=actor.person_id,
        )
        for piece in sorted(count.newly_missing)
    )
    _count_as_soiled(actor, now, kit, count.newly_missing)
    for row in before:
        if row.implement_id in count.come_back:
            _settle(row, Outcome.FOUND, actor, now)
    put(kit, fields=[])
    current().evidence(
        "kit.counted_back",
        location_id=kit.location_id,
        subject_id=kit.id,
        facts={
            "kit_id": kit.id,
            "visit_id": visit_id,
            "pieces_out": len(out),
            "missing_ids": sorted(set(missing_ids)),
        },
    )
    return kit


def _count_as_soiled(actor: Actor, now: datetime, kit: Kit, ids: Collection[UUID]) -> None:
    """Nobody knows where a missing piece lies: whatever was recorded of it, it is not clean."""
    pieces = list(Implement.objects.filter(id__in=ids).order_by("tag"))
    if pieces:
        record(actor, now, kit.location, pieces, EventKind.PUT_WITH_SOILED, at=now)


@action
def settle_missing_piece(*, actor: Actor, now: datetime, missing_id: UUID, outcome: Outcome) -> Kit:
    """A missing piece is found, or written off: then it leaves its kit for good.

    Found it is where it was left: soiled, until its way back is on record. Raises `WrongState`
    where that is settled already.
    """
    found = MissingPiece.objects.filter(id=missing_id).first()
    if found is None or not actor.covers(found.location_id):
        raise NotFound
    kit = tenancy.locked(Kit, found.kit_id, actor)
    row = MissingPiece.objects.select_for_update(of=("self",), no_key=True).get(id=found.id)
    if row.settled_at is not None:
        raise WrongState(thing="piece", state=row.outcome, needed="a piece that is missing")
    _settle(row, outcome, actor, now)
    if outcome is not Outcome.FOUND:
        _write_off(row, actor, now)
    put(kit, fields=[])
    return kit


def _settle(row: MissingPiece, outcome: Outcome, actor: Actor, now: datetime) -> None:
    row.settled_at, row.settled_by, row.outcome = now, actor.person_id, outcome.value
    row.save(update_fields=["settled_at", "settled_by", "outcome"])
    current().evidence(
        "implement.search_ended",
        location_id=row.location_id,
        subject_id=row.implement_id,
        facts={
            "implement_id": row.implement_id,
            "kit_id": row.kit_id,
            "visit_id": row.visit_id,
            "missed_at": row.missed_at,
            "outcome": row.outcome,
        },
    )


def _write_off(row: MissingPiece, actor: Actor, now: datetime) -> None:
    piece = Implement.objects.select_related("location").get(id=row.implement_id)
    record(actor, now, piece.location, [piece], EventKind.TAKEN_OUT_OF_USE, at=now)
    Implement.objects.filter(id=piece.id).update(written_off_at=now)
