"""What is due at a location: the registry of sources, and reads of what was raised.

To add a kind of check: name it in `services.rules.due_checks.DueKind`, and in a module of
`services.queries.due_sources` decorate a function with `source`:

    @source(DueKind.POT_TEMPERATURE, pace=Pace.MINUTES)
    def pots_not_measured(place: Location, now: datetime) -> Iterable[Standing]:
        ...

It gives everything of `place` that is to be done and is not done, due already or coming, whatever
the hour: the mechanism decides what is raised when, makes it louder with age, and clears what is
no longer given. Whoever can say when a thing was done passes `done_at`; then a check that went
away without having been done ends as gone, and one that was done in time while no worker ran is
not called late.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from services.models import DueCheck
from services.rules.due_checks import DueKind, Pace, Standing, Thresholds
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

Key = tuple[UUID, datetime]
Finder = Callable[[Location, datetime], Iterable[Standing]]
#: (place, keys) -> when each was done; keys that were not are left out.
DoneAt = Callable[[Location, Iterable[Key]], Mapping[Key, datetime]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where one kind of check comes from. `for_inspectors`: whether it goes into the evidence log."""

    kind: DueKind
    pace: Pace
    standing: Finder
    done_at: DoneAt | None = None
    for_inspectors: bool = True


SOURCES: dict[DueKind, Source] = {}


def source(
    kind: DueKind, *, pace: Pace, done_at: DoneAt | None = None, for_inspectors: bool = True
) -> Callable[[Finder], Finder]:
    """Register a function as the one source of `kind`; a kind is registered once."""

    def registered(finder: Finder) -> Finder:
        if kind in SOURCES:
            raise ValueError(f"{kind} has a source already")
        SOURCES[kind] = Source(
            kind=kind, pace=pace, standing=finder, done_at=done_at, for_inspectors=for_inspectors
        )
        return finder

    return registered


def thresholds_of(place: Location) -> Thresholds:
    """The location's thresholds of escalation."""
    house = tenancy.policy_of(place)
    return Thresholds(
        minutes=(house.escalate_after_minutes, house.escalate_again_after_minutes),
        days=(house.escalate_after_days, house.escalate_again_after_days),
    )


def open_checks(place: Location, kind: DueKind) -> dict[Key, DueCheck]:
    """The open checks of one kind, locked."""
    rows = DueCheck.objects.select_for_update(of=("self",), no_key=True)
    found = rows.filter(location=place, kind=kind.value, cleared_at=None).order_by("id")
    return {(row.subject_id, row.due_at): row for row in found}


def cleared_checks(place: Location, kind: DueKind, keys: Iterable[Key]) -> dict[Key, DueCheck]:
    """Checks with these keys that had been cleared, locked."""
    wanted = set(keys)
    rows = DueCheck.objects.select_for_update(of=("self",), no_key=True).filter(
        location=place,
        kind=kind.value,
        cleared_at__isnull=False,
        subject_id__in={subject for subject, _ in wanted},
        due_at__in={due_at for _, due_at in wanted},
    )
    found = {(row.subject_id, row.due_at): row for row in rows.order_by("id")}
    return {key: row for key, row in found.items() if key in wanted}
