"""Where the patch test of a product stands for one client: needed, made, read, still good. Pure.

A test belongs to one product of one formula and supplier. Only a reading after the lead time
clears it: the product's label decides, 48 h at least for new clients (UK training text, trade-facts
7.32), 24 h elsewhere (published client policies). A reaction counts whenever it is seen, for good.
That a test lasts 6 months and ends with a reaction or a new medicine: common practice, no source.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from uuid import UUID
from zoneinfo import ZoneInfo

from clients.rules.dates import plus_months
from clients.rules.items import ItemKind, declaration_from
from clients.rules.model import PatchTest
from clients.rules.told import KeptItem
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import at_local

#: Hours that labels ask for; where nobody said, the strictest published.
LEAD_HOURS = (24, 48)
DEFAULT_LEAD_HOURS = 48
#: The method of a line that is itself a patch test.
PATCH_TEST_METHOD = "patch_test"
#: Common practice, no source.
GOOD_FOR_MONTHS = 6
#: Medicines that change how skin reacts; one not named might be any. Common practice, no source.
RELEVANT_MEDICINES = frozenset(
    {"systemic_steroid", "immune_medicine", "photosensitising", "antibiotic", "hormone", "other"}
)


class Outcome(StrEnum):
    """What was seen where the product had been put."""

    NO_REACTION = "no_reaction"
    REACTION = "reaction"


class Grade(StrEnum):
    """How strong a reaction was (house policy: it describes, it does not diagnose)."""

    REDNESS = "redness"
    ITCHING_OR_SWELLING = "itching_or_swelling"
    BLISTERS_OR_SPREADING = "blisters_or_spreading"


class SeenBy(StrEnum):
    """Who looked."""

    PRACTITIONER = "practitioner"
    CLIENT = "client"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One look at a test."""

    read_at: datetime
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeTest:
    """One test that stands, with the readings of it that stand."""

    product_id: UUID
    supplier: str
    formula_version: str
    applied_at: datetime
    lead_hours: int
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductNow:
    """A product as it is in use now; `lead_hours` None where its label asks for no test."""

    id: UUID
    supplier: str
    formula_version: str
    lead_hours: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """Something told at `told_at` that ends tests made on or before `day`, its latest possible day."""

    told_at: datetime
    day: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """`readable_at`: when the lead time of what is due is over, with a test made now at the latest
    where none is waiting. `good_until` for a valid one: the first instant it no longer is.
    """

    status: PatchTest
    readable_at: datetime | None = None
    good_until: datetime | None = None


def readable_at(test: MadeTest, lead_hours: int | None = None) -> datetime:
    """The first instant at which a reading counts, by the stricter of the label then and now."""
    return test.applied_at + timedelta(hours=max(test.lead_hours, lead_hours or 0))


def good_until(test: MadeTest, zone: str) -> datetime:
    """Six calendar months on, at the same wall time in `zone`, clamped to the month's end."""
    local = test.applied_at.astimezone(ZoneInfo(zone))
    return at_local(plus_months(local.date(), GOOD_FOR_MONTHS), local.time(), zone)


def standing_of(
    product: ProductNow,
    tests: Sequence[MadeTest],
    endings: Sequence[Ending],
    *,
    now: datetime,
    zone: str,
    needed: bool,
) -> Standing:
    """Where the client's tests of one product stand at `now`.

    A reaction blocks the product also where no test was needed, and whatever became of its formula.
    """
    own = [test for test in tests if test.product_id == product.id]
    if any(r.outcome is Outcome.REACTION for test in own for r in test.readings):
        return Standing(status=PatchTest.POSITIVE)
    if not needed or product.lead_hours is None:
        return Standing(status=PatchTest.NOT_NEEDED)
    standing = [test for test in own if _still_holds(test, product, endings, now, zone)]
    ends = [good_until(t, zone) for t in standing if _was_read(t, product.lead_hours, now)]
    if ends:
        return Standing(status=PatchTest.VALID, good_until=max(ends))
    waiting = [readable_at(test, product.lead_hours) for test in standing]
    made_now = now + timedelta(hours=product.lead_hours)
    return Standing(status=PatchTest.DUE, readable_at=min([*waiting, made_now]))


def _still_holds(
    test: MadeTest, product: ProductNow, endings: Iterable[Ending], now: datetime, zone: str
) -> bool:
    made_on = local_date(test.applied_at, zone)
    return (
        (test.supplier, test.formula_version) == (product.supplier, product.formula_version)
        and test.applied_at <= now < good_until(test, zone)
        and not any(e.told_at > test.applied_at and e.day >= made_on for e in endings)
    )


def _was_read(test: MadeTest, lead_hours: int, now: datetime) -> bool:
    first = readable_at(test, lead_hours)
    return any(first <= r.read_at <= now for r in test.readings)


def of_line(standings: Sequence[Standing], *, needed: bool) -> Standing:
    """One standing for all products of a line: the worst, and the latest of what is waited for.

    A line that needs a test and names no product is due: nobody can tell what was tried.
    """
    by_status = {status: [s for s in standings if s.status is status] for status in PatchTest}
    if by_status[PatchTest.POSITIVE]:
        return Standing(status=PatchTest.POSITIVE)
    if due := by_status[PatchTest.DUE]:
        times = [s.readable_at for s in due if s.readable_at is not None]
        return Standing(status=PatchTest.DUE, readable_at=max(times))
    if valid := by_status[PatchTest.VALID]:
        ends = [s.good_until for s in valid if s.good_until is not None]
        return Standing(status=PatchTest.VALID, good_until=min(ends))
    due_anyway = needed and not standings
    return Standing(status=PatchTest.DUE if due_anyway else PatchTest.NOT_NEEDED)


def endings_of(items: Iterable[KeptItem], zone: str) -> list[Ending]:
    """What the client told that ends tests: each reaction, and each relevant medicine when it is new.

    `items` in the order they were recorded. A day that was not said is the day it was told: it
    began then at the latest. A medicine told again without a day is not a new one.
    """
    found: list[Ending] = []
    known: set[str] = set()
    for item in items:
        if item.kind != ItemKind.DECLARATION or item.struck is not None:
            continue
        said = declaration_from(item.content)
        taken = _medicines(said.kind, said.details)
        undated = item.content["latest_on"] is None
        is_news = said.kind == "reaction" or (taken and not (undated and taken <= known))
        known |= taken
        if is_news:
            told_on = local_date(item.recorded_at, zone)
            day = told_on if undated else min(said.when.latest, told_on)
            found.append(Ending(told_at=item.recorded_at, day=day))
    return found


def _medicines(kind: str, details: frozenset[str]) -> frozenset[str]:
    if kind == "isotretinoin":
        return frozenset({kind})
    if kind != "medicine":
        return frozenset()
    return details & RELEVANT_MEDICINES if details else frozenset({"not_said"})
