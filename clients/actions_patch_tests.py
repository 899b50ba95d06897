"""Writing patch tests and what came of them. Rows are added, never changed: a wrong one is struck out."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.models import Client, PatchTest, PatchTestEntry
from clients.queries import after_the_last, known_at
from clients.queries_patch_tests import READING, STRUCK, PatchTestsKept, tests_of
from clients.queries_people import check_left, left_of
from clients.rule_files import shipped_rule_set
from clients.rules.patch_tests import LEAD_HOURS, Grade, Outcome, SeenBy
from compliance.ledger.rules.format import canonical_json
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import AlreadyCorrected, NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action, current


@action
def record_patch_test(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    location_id: UUID,
    skin_product_id: UUID,
    product_name: str,
    supplier: str,
    formula_version: str,
    lead_hours: int,
    area: str,
    applied_at: datetime,
    line_id: UUID | None = None,
    id: UUID | None = None,
) -> PatchTest:
    """A product was put on a small spot; the product as it is now, for its lead time in hours.

    Raises `NotFound`, `InvalidInput` for a time to come, an unknown area or lead time.
    """
    client = known_at(tenancy.locked(Client, client_id, actor), actor)
    check_left(client)
    place = tenancy.location(location_id, actor)
    if applied_at > now:
        raise invalid("/applied_at", "must not lie in the future")
    if area not in shipped_rule_set().tree:
        raise invalid("/area", "must be an area that screening knows", "unknown")
    if lead_hours not in LEAD_HOURS:
        raise invalid("/lead_hours", f"must be one of {LEAD_HOURS}")
    test = PatchTest(
        id=id or uuid7(),
        business_id=client.business_id,
        client=client,
        skin_product_id=skin_product_id,
        product_name=product_name,
        supplier=supplier,
        formula_version=formula_version,
        lead_hours=lead_hours,
        area=area,
        applied_at=applied_at,
        line_id=line_id,
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    insert([test])
    facts = {
        "skin_product_id": skin_product_id,
        "applied_at": applied_at,
        "lead_hours": lead_hours,
        "line_id": line_id,
    }
    _evidence("client.patch_test_applied", test, place.id, facts)
    return test


def _evidence(
    kind: str,
    test: PatchTest,
    location_id: UUID,
    facts: Mapping[str, Any],
    personal: dict[str, Any] | None = None,
) -> None:
    """Which test, never what came of it: that is personal."""
    current().evidence(
        kind,
        location_id=location_id,
        subject_id=test.client_id,
        facts={"client_id": test.client_id, "patch_test_id": test.id, **facts},
        personal=personal,
        client_id=test.client_id,
    )


@action
def record_reading(
    *,
    actor: Actor,
    now: datetime,
    patch_test_id: UUID,
    location_id: UUID,
    outcome: Outcome,
    seen_by: SeenBy,
    read_at: datetime | None = None,
    grade: Grade | None = None,
    note: str = "",
) -> PatchTest:
    """What was seen of a test, by whom and when (default: now), sealed. Locks the client.

    Before the lead time it is kept and clears nothing; a reaction counts at any time. Raises
    `NotFound`, `Erased`, `WrongState` for a test struck out, `InvalidInput` for a time outside
    the test's, and a grade without a reaction or the other way round.
    """
    test = _locked_test(patch_test_id, actor)
    place = tenancy.location(location_id, actor)
    seen_at = read_at or now
    if not test.applied_at <= seen_at <= now:
        raise invalid("/read_at", "must be between the making of the test and now")
    if (outcome is Outcome.REACTION) != (grade is not None):
        raise invalid("/grade", "goes with a reaction and only with one", "required")
    if PatchTestEntry.objects.filter(strikes_id=test.id).exists():
        raise WrongState(thing="patch test", state="struck out", needed="one that stands")
    content = {
        "outcome": outcome,
        "grade": grade,
        "seen_by": seen_by,
        "read_at": rfc3339(seen_at),
        "note": note,
    }
    entry = _entry(actor, now, test, READING, content)
    personal = {"reading": canonical_json(json.loads(json.dumps(content))).decode()}
    _evidence("client.patch_test_read", test, place.id, {"entry_id": entry.id}, personal)
    return test


def _locked_test(patch_test_id: UUID, actor: Actor) -> PatchTest:
    """The test, its client locked: nobody reads or strikes it meanwhile. Raises `NotFound`."""
    test = tenancy.loaded(PatchTest, patch_test_id, actor)
    # A test of a record that was merged since is read and struck out as it was made: under that one.
    tenancy.locked(Client, test.client_id, actor)
    known_at(tenancy.loaded(Client, left_of(test.client_id), actor), actor)
    return test


def _entry(
    actor: Actor,
    now: datetime,
    test: PatchTest,
    kind: str,
    content: Mapping[str, Any],
    strikes_id: UUID | None = None,
) -> PatchTestEntry:
    plain = canonical_json(json.loads(json.dumps(dict(content))))
    entry = PatchTestEntry(
        business_id=test.business_id,
        patch_test=test,
        client_id=test.client_id,
        kind=kind,
        sealed=seal(test.business_id, test.client_id, plain),
        strikes_id=strikes_id,
        recorded_at=after_the_last(PatchTestEntry.objects.filter(client_id=test.client_id), now),
        recorded_by=actor.person_id,
    )
    insert([entry])
    return entry


@action
def strike_patch_test(
    *,
    actor: Actor,
    now: datetime,
    patch_test_id: UUID,
    location_id: UUID,
    reason: str,
    entry_id: UUID | None = None,
) -> PatchTest:
    """Say that a reading (`entry_id`), or the test itself, was recorded wrongly; both stay visible.

    Raises `NotFound`, `AlreadyCorrected`, `InvalidInput` without a reason, `Erased`.
    """
    if not reason.strip():
        raise invalid("/reason", "say why it is wrong", "required")
    test = _locked_test(patch_test_id, actor)
    place = tenancy.location(location_id, actor)
    readings = PatchTestEntry.objects.filter(patch_test=test, kind=READING)
    if entry_id is not None and not readings.filter(id=entry_id).exists():
        raise NotFound
    wrong = entry_id or test.id
    if PatchTestEntry.objects.filter(strikes_id=wrong).exists():
        raise AlreadyCorrected
    entry = _entry(actor, now, test, STRUCK, {"reason": reason}, strikes_id=wrong)
    facts = {"struck_id": wrong, "entry_id": entry.id}
    _evidence("client.patch_test_struck", test, place.id, facts, {"reason": reason})
    return test


@action
def read_patch_tests(*, actor: Actor, now: datetime, client_id: UUID, zone: str) -> PatchTestsKept:
    """A client's patch tests for a person's eyes: the reading itself is recorded, who and when.

    Raises `NotFound` also where the client is not linked to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id)
    return tests_of(client.id, client.business_id, zone)
