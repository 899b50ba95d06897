"""Sterilisers: what a load came to, spore tests due and late, and what a failed one takes out of use.

Pure. A load proves what its integrator shows; a spore test proves the steriliser, backwards to the
last good one. UV boxes are no sterilisers: they store, and clear nothing.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import Any
from uuid import UUID


class SteriliserMethod(StrEnum):
    """How a steriliser kills spores. Light does not."""

    STEAM = "steam"
    DRY_HEAT = "dry_heat"


class TemperatureUnit(StrEnum):
    """How a temperature was read off."""

    CELSIUS = "C"
    FAHRENHEIT = "F"


def to_celsius(amount: Decimal, unit: TemperatureUnit) -> Decimal:
    """Degrees Celsius, exactly: (F - 32) x 5/9."""
    return amount if unit is TemperatureUnit.CELSIUS else (amount - 32) * 5 / 9


class IntegratorResult(StrEnum):
    """What the chemical integrator in a load showed."""

    PASSED = "passed"
    FAILED = "failed"


class LoadFault(StrEnum):
    """Why a load clears nothing."""

    NOT_FINISHED = "not_finished"
    NO_INTEGRATOR = "no_integrator"
    INTEGRATOR_FAILED = "integrator_failed"
    BELOW_PROGRAMME = "below_programme"
    BELOW_SETTING = "below_setting"
    STERILISER_OUT_OF_USE = "steriliser_out_of_use"
    RECALLED = "recalled"


FAULT_ADVICE: Mapping[LoadFault, str] = {
    LoadFault.NOT_FINISHED: "It is not finished. Nothing in it may be used.",
    LoadFault.NO_INTEGRATOR: "Read the integrator. Until it has passed nothing in it may be used.",
    LoadFault.INTEGRATOR_FAILED: "The integrator failed. Pack everything anew, find the cause, run it again.",
    LoadFault.BELOW_PROGRAMME: "It did not reach its programme's temperature, time or pressure. Run it again.",
    LoadFault.BELOW_SETTING: "Its programme is below what the local rule asks for. Use another programme.",
    LoadFault.STERILISER_OUT_OF_USE: "The steriliser was out of use. Sterilise in another one.",
    LoadFault.RECALLED: "A later spore test failed. Clean, pack and sterilise everything in it again.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """A temperature held for a time, at a pressure where it matters (kPa above the outside's)."""

    celsius: Decimal
    minutes: Decimal
    kilopascals: Decimal | None = None

    def reaches(self, other: "Cycle") -> bool:
        """Whether this is at least `other` in everything that `other` states."""
        enough_pressure = other.kilopascals is None or (
            self.kilopascals is not None and self.kilopascals >= other.kilopascals
        )
        return self.celsius >= other.celsius and self.minutes >= other.minutes and enough_pressure


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """The least cycle that a rule names for a method, with where it says so."""

    method: SteriliserMethod
    least: Cycle
    citation: str


def settings_from(rows: Iterable[Mapping[str, Any]]) -> tuple[Setting, ...]:
    """The settings of a requirement pack; raises ValueError or KeyError for what cannot be read."""
    return tuple(
        Setting(
            method=SteriliserMethod(row["method"]),
            least=Cycle(celsius=Decimal(row["celsius"]), minutes=Decimal(row["minutes"])),
            citation=row["citation"],
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadFacts:
    """One load as it was recorded; `reached` is None while it runs or where nobody read it off."""

    method: SteriliserMethod
    programme: Cycle
    started_at: datetime
    finished_at: datetime | None = None
    reached: Cycle | None = None
    integrator: IntegratorResult | None = None


def load_faults(
    load: LoadFacts,
    settings: Iterable[Setting],
    *,
    usable: bool = True,
) -> tuple[LoadFault, ...]:
    """Everything that keeps a load from clearing what is in it; none: it may be released.

    `usable`: the steriliser was in use when the load started. Where a rule names several settings
    for the method, one of them is enough.
    """
    found = []
    if not usable:
        found.append(LoadFault.STERILISER_OUT_OF_USE)
    if load.integrator is IntegratorResult.FAILED:
        found.append(LoadFault.INTEGRATOR_FAILED)
    if load.finished_at is None:
        found.append(LoadFault.NOT_FINISHED)
    elif load.reached is None or not load.reached.reaches(load.programme):
        found.append(LoadFault.BELOW_PROGRAMME)
    asked = [setting.least for setting in settings if setting.method is load.method]
    if asked and not any(load.programme.reaches(least) for least in asked):
        found.append(LoadFault.BELOW_SETTING)
    if load.integrator is None:
        found.append(LoadFault.NO_INTEGRATOR)
    return tuple(found)


#: Faults that time or a reading can still mend; any other one is final.
OPEN_FAULTS = frozenset({LoadFault.NOT_FINISHED, LoadFault.NO_INTEGRATOR})


class SporeResult(StrEnum):
    """What a spore test came to; `GOOD`: nothing grew."""

    PENDING = "pending"
    GOOD = "good"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class SporeTest:
    """One spore test: run at `taken_at`, read at `read_at` (None while pending)."""

    id: UUID
    taken_at: datetime
    result: SporeResult = SporeResult.PENDING
    read_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """The time a steriliser is out of use for a failed test: from its reading, and back to the last
    good test before it.

    `unproven_from`: loads started after this instant are recalled, None: all of them. `until` is
    the reading of the last good test that was needed, None while it lasts; `good` are those so far.
    """

    test_id: UUID
    since: datetime
    unproven_from: datetime | None
    needed: int
    good: int = 0
    until: datetime | None = None

    def recalls(self, started_at: datetime) -> bool:
        """Whether a load started at that instant is one of those that nobody can vouch for."""
        after_good = self.unproven_from is None or started_at > self.unproven_from
        return after_good and (self.until is None or started_at < self.until)


def outages(
    tests: Iterable[SporeTest],
    *,
    needed_at: Callable[[datetime], int],
    repaired_at: Sequence[datetime] = (),
) -> tuple[Outage, ...]:
    """Every outage that the tests tell of, in order of the failed tests.

    `needed_at` says how many good tests were asked for when a failed one was read: a rule that
    changes later reopens nothing. An outage ends with the last of so many good tests in a row among those taken after the failed one was
    read, and after every repair made meanwhile: a repair starts the count anew (5.06: after repair,
    consecutive negatives). A test that fails meanwhile starts it anew too.
    """
    known = sorted(tests, key=lambda test: (test.taken_at, test.id))
    found = []
    for failed in known:
        if failed.result is not SporeResult.FAILED or failed.read_at is None:
            continue
        before = [
            t.taken_at
            for t in known
            if t.result is SporeResult.GOOD and t.taken_at < failed.taken_at
        ]
        needed = needed_at(failed.read_at)
        good, until = _good_in_a_row(failed.read_at, known, repaired_at, needed)
        found.append(
            Outage(
                test_id=failed.id,
                since=failed.read_at,
                unproven_from=max(before, default=None),
                needed=needed,
                good=good,
                until=until,
            )
        )
    return tuple(found)


def _good_in_a_row(
    since: datetime, known: Sequence[SporeTest], repaired_at: Sequence[datetime], needed: int
) -> tuple[int, datetime | None]:
    marks = [(t.taken_at, t) for t in known if t.taken_at > since]
    breaks = sorted(at for at in repaired_at if at > since)
    good: list[datetime] = []
    for at, test in marks:
        if breaks and breaks[0] <= at:
            good, breaks = [], [b for b in breaks if b > at]
        if test.result is SporeResult.FAILED:
            good = []
        elif test.result is SporeResult.GOOD and test.read_at is not None:
            good.append(test.read_at)
            if len(good) == needed:
                return needed, max(good)
    return len(good), None


def out_of_use(found: Iterable[Outage], at: datetime) -> Outage | None:
    """The outage that lasts at `at`, the earliest of several."""
    lasting = (o for o in found if o.since <= at and (o.until is None or at < o.until))
    return min(lasting, key=lambda outage: outage.since, default=None)


class Occasion(StrEnum):
    """What asks for a spore test at once, besides the interval."""

    INSTALLED = "installed"
    REPAIRED = "repaired"


def next_test_due(
    *,
    installed_at: datetime,
    repaired_at: Iterable[datetime],
    tests: Iterable[SporeTest],
    every: timedelta,
    occasions: frozenset[Occasion],
) -> datetime:
    """When the next spore test is or was due.

    One interval after the last test that did not fail, since a failed one proves nothing; at once
    after installing or a repair where the rule asks for it, and one interval after that elsewhere.
    """
    taken = [t.taken_at for t in tests if t.result is not SporeResult.FAILED]
    begins = [(installed_at, Occasion.INSTALLED in occasions)]
    begins += [(at, True) for at in repaired_at if Occasion.REPAIRED in occasions]
    for at, at_once in sorted(begins):
        if at_once and not any(t >= at for t in taken):
            return at
    return max([installed_at, *taken]) + every
