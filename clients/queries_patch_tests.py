"""Reads of patch tests and what came of them (unsealed). Never writes."""

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.models import PatchTest, PatchTestEntry
from clients.queries import health_of
from clients.queries_people import ids_of, ids_of_each
from clients.rules.patch_tests import (
    Ending,
    MadeTest,
    Outcome,
    ProductNow,
    Reading,
    Standing,
    endings_of,
    standing_of,
)
from spa_ops.tenancy.sealing import under_present_key, unseal_each

READING, STRUCK = "reading", "struck"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptEntry:
    """One reading of a test; `struck` is the reason why it is wrong, if it is."""

    id: UUID
    content: dict[str, Any]
    recorded_at: datetime
    recorded_by: UUID | None
    struck: str | None

    @property
    def reading(self) -> Reading:
        """As the rules take it."""
        return Reading(
            read_at=datetime.fromisoformat(self.content["read_at"]),
            outcome=Outcome(self.content["outcome"]),
        )

    def counts_from(self, first: datetime) -> bool:
        """Whether it says something: a reaction always does, anything else from `first` on."""
        return self.reading.outcome is Outcome.REACTION or self.reading.read_at >= first


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTest:
    """One test with all its readings; `struck` as there."""

    test: PatchTest
    entries: tuple[KeptEntry, ...]
    struck: str | None

    @property
    def as_tested(self) -> MadeTest:
        """What the rules go by: the readings that stand."""
        return MadeTest(
            product_id=self.test.skin_product_id,
            supplier=self.test.supplier,
            formula_version=self.test.formula_version,
            applied_at=self.test.applied_at,
            lead_hours=self.test.lead_hours,
            readings=tuple(e.reading for e in self.entries if e.struck is None),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchTestsKept:
    """All that a product's standing is judged by, read once for any number of products."""

    tests: tuple[KeptTest, ...]
    endings: tuple[Ending, ...]
    zone: str

    def standing(self, product: ProductNow, *, now: datetime, needed: bool) -> Standing:
        """Where the tests of one product stand at `now`."""
        tests = [kept.as_tested for kept in self.tests if kept.struck is None]
        return standing_of(product, tests, self.endings, now=now, zone=self.zone, needed=needed)


def tests_of(client_id: UUID, business_id: UUID, zone: str) -> PatchTestsKept:
    """A client's patch tests, oldest first, and what ended them. Raises `Erased`."""
    ids = ids_of(client_id)
    tests = list(PatchTest.objects.filter(client_id__in=ids).order_by("applied_at", "id"))
    kept = _kept(ids, business_id, tests) if tests else []
    # Without a test there is nothing to end.
    items = health_of(client_id, business_id) if tests else []
    return PatchTestsKept(tests=tuple(kept), endings=tuple(endings_of(items, zone)), zone=zone)


def clients_tested(client_ids: Collection[UUID]) -> list[UUID]:
    """Those of the clients who have a patch test on file. Two statements."""
    if not client_ids:
        return []
    people = ids_of_each(client_ids)
    every = [i for ids in people.values() for i in ids]
    tested = set(PatchTest.objects.filter(client_id__in=every).values_list("client_id", flat=True))
    return sorted(who for who, ids in people.items() if not tested.isdisjoint(ids))


def _kept(
    client_ids: Sequence[UUID], business_id: UUID, tests: Sequence[PatchTest]
) -> list[KeptTest]:
    rows = list(
        under_present_key(PatchTestEntry.objects.filter(client_id__in=client_ids)).order_by(
            "recorded_at", "id"
        )
    )
    contents = {}
    for client_id in client_ids:
        own = [row for row in rows if row.client_id == client_id]
        plain = unseal_each(business_id, client_id, (row.sealed for row in own)) if own else []
        contents |= {row.id: json.loads(text) for row, text in zip(own, plain, strict=True)}
    struck = {row.strikes_id: contents[row.id]["reason"] for row in rows if row.kind == STRUCK}
    return [
        KeptTest(
            test=test,
            entries=tuple(_entries(test, rows, contents, struck)),
            struck=struck.get(test.id),
        )
        for test in tests
    ]


def _entries(
    test: PatchTest,
    rows: Iterable[PatchTestEntry],
    contents: dict[UUID, dict[str, Any]],
    struck: dict[UUID | None, str],
) -> Iterable[KeptEntry]:
    for row in rows:
        if row.patch_test_id == test.id and row.kind == READING:
            yield KeptEntry(
                id=row.id,
                content=contents[row.id],
                recorded_at=row.recorded_at,
                recorded_by=row.recorded_by,
                struck=struck.get(row.id),
            )


def ids_of_line(line_id: UUID) -> list[UUID]:
    """The tests that a line recorded and that stand."""
    wrong = PatchTestEntry.objects.filter(kind=STRUCK).values("strikes_id")
    rows = PatchTest.objects.filter(line_id=line_id).exclude(id__in=wrong)
    return list(rows.order_by("id").values_list("id", flat=True))


def exported_tests(client_id: UUID) -> list[dict[str, Any]]:
    """A client's tests as JSON values, for the client. The readings are another table's."""
    names = (
        "id",
        "product_name",
        "supplier",
        "formula_version",
        "lead_hours",
        "area",
        "applied_at",
    )
    rows = PatchTest.objects.filter(client_id=client_id).order_by("applied_at", "id").values(*names)
    return json.loads(json.dumps(list(rows), default=str))  # type: ignore[no-any-return]


def exported_entries(client_id: UUID) -> list[dict[str, Any]]:
    """What came of a client's tests as JSON values, in order. Raises `Erased`."""
    rows = list(
        under_present_key(PatchTestEntry.objects.filter(client_id=client_id)).order_by(
            "recorded_at", "id"
        )
    )
    if not rows:
        return []
    plain = unseal_each(rows[0].business_id, client_id, (row.sealed for row in rows))
    return [
        {
            "id": str(row.id),
            "patch_test_id": str(row.patch_test_id),
            "kind": row.kind,
            "strikes_id": str(row.strikes_id) if row.strikes_id else None,
            "recorded_at": row.recorded_at.isoformat(),
            **json.loads(text),
        }
        for row, text in zip(rows, plain, strict=True)
    ]


def client_of(patch_test_id: UUID) -> UUID | None:
    """Whose test it is, if it is there."""
    return PatchTest.objects.filter(id=patch_test_id).values_list("client_id", flat=True).first()
