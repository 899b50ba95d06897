"""Reads of sterilisers, loads and spore tests; rows turned into what the rules take."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Max, Q

from compliance.disinfection.models import (
    EventStrike,
    Implement,
    ImplementEvent,
    LoadItem,
    LoadState,
    SporeTest,
    Steriliser,
    SteriliserLoad,
    SteriliserRepair,
)
from compliance.disinfection.rules import sterilising as rules
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName, Parameters
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What jurisdiction and house ask of a steriliser on a day; `packs` are the editions used."""

    every: timedelta
    occasions: frozenset[rules.Occasion]
    good_needed: int
    settings: tuple[rules.Setting, ...]
    packs: tuple[str, ...]
    stated: tuple[dict[str, Any], ...]


_NAMES = (
    ParameterName.SPORE_TEST_DAYS,
    ParameterName.SPORE_TEST_OCCASIONS,
    ParameterName.GOOD_SPORE_TESTS_AFTER_FAILURE,
    ParameterName.STERILISING_SETTINGS,
)


def asked(place: Location, at: datetime, *, house_days: int = 0) -> Asked:
    """What holds at a location; the house's own interval (0: none) counts where it is shorter."""
    found: Parameters = parameters(place.jurisdiction, local_date(at, place.zone))
    days, occasions, good, settings = (found[name].value for name in _NAMES)
    return Asked(
        every=timedelta(days=min(days, house_days) if house_days else days),
        occasions=frozenset(map(rules.Occasion, occasions)),
        good_needed=good,
        settings=rules.settings_from(settings),
        packs=found.packs,
        stated=tuple(
            {
                "name": name.value,
                "citation": found[name].citation,
                "strength": found[name].strength.value,
                "pack": found[name].pack,
                "note": found[name].note,
            }
            for name in _NAMES
        ),
    )


def tests_of(steriliser_id: UUID) -> tuple[rules.SporeTest, ...]:
    """The spore tests of a steriliser, as the rules take them."""
    rows = SporeTest.objects.filter(steriliser_id=steriliser_id).order_by("taken_at", "id")
    return tuple(map(test_of, rows))


def test_of(row: SporeTest) -> rules.SporeTest:
    """A stored test, as the rules take it."""
    return rules.SporeTest(
        id=row.id,
        taken_at=row.taken_at,
        result=rules.SporeResult(row.result),
        read_at=row.read_at,
    )


def repairs_of(steriliser_id: UUID) -> tuple[datetime, ...]:
    """When a steriliser was repaired, oldest first."""
    rows = SteriliserRepair.objects.filter(steriliser_id=steriliser_id).order_by("repaired_at")
    return tuple(rows.values_list("repaired_at", flat=True))


def outages_of(row: Steriliser) -> tuple[rules.Outage, ...]:
    """Every outage that the tests of a steriliser tell of."""
    return rules.outages(
        tests_of(row.id),
        needed_at=lambda at: asked(row.location, at).good_needed,
        repaired_at=repairs_of(row.id),
    )


def next_test_due(row: Steriliser, at: datetime, house_days: int) -> datetime:
    """When the next spore test is or was due."""
    found = asked(row.location, at, house_days=house_days)
    return rules.next_test_due(
        installed_at=row.installed_at,
        repaired_at=repairs_of(row.id),
        tests=tests_of(row.id),
        every=found.every,
        occasions=found.occasions,
    )


def next_number(steriliser_id: UUID) -> int:
    """The number of the next load; the steriliser must be locked."""
    last = SteriliserLoad.objects.filter(steriliser_id=steriliser_id).aggregate(n=Max("number"))
    return (last["n"] or 0) + 1


def facts_of(load: SteriliserLoad) -> rules.LoadFacts:
    """A load, as the rules take it."""
    reached = None
    if load.reached_celsius is not None and load.reached_minutes is not None:
        reached = rules.Cycle(
            celsius=load.reached_celsius,
            minutes=load.reached_minutes,
            kilopascals=load.reached_kilopascals,
        )
    return rules.LoadFacts(
        method=rules.SteriliserMethod(load.steriliser.method),
        programme=rules.Cycle(
            celsius=load.set_celsius, minutes=load.set_minutes, kilopascals=load.set_kilopascals
        ),
        started_at=load.started_at,
        finished_at=load.finished_at,
        reached=reached,
        integrator=rules.IntegratorResult(load.integrator) if load.integrator else None,
    )


def programme_of(row: Steriliser, name: str) -> rules.Cycle | None:
    """One of a steriliser's programmes by name, or None."""
    for each in row.programmes:
        if each["name"] == name:
            pressure = each.get("kilopascals")
            return rules.Cycle(
                celsius=Decimal(each["celsius"]),
                minutes=Decimal(each["minutes"]),
                kilopascals=None if pressure is None else Decimal(pressure),
            )
    return None


def loads_in_question(
    steriliser_id: UUID, outages: Collection[rules.Outage]
) -> list[SteriliserLoad]:
    """The loads that outages may take back, or that were taken back, locked, oldest first.

    The steriliser must be locked. What failed by itself stays as it is.
    """
    asked_for = Q(state=LoadState.RECALLED)
    for outage in outages:
        during = Q() if outage.unproven_from is None else Q(started_at__gt=outage.unproven_from)
        if outage.until is not None:
            during &= Q(started_at__lt=outage.until)
        asked_for |= during & ~Q(state=LoadState.FAILED)
    rows = SteriliserLoad.objects.select_for_update(of=("self",), no_key=True)
    found = rows.filter(asked_for, steriliser_id=steriliser_id)
    return list(found.order_by("started_at", "id"))


def implements_of_loads(ids: Collection[UUID]) -> dict[UUID, list[Implement]]:
    """Load -> its implements, by tag."""
    found: dict[UUID, list[Implement]] = {load_id: [] for load_id in ids}
    rows = LoadItem.objects.filter(load__in=ids).select_related("implement")
    for row in rows.order_by("implement__tag", "id"):
        found[row.load_id].append(row.implement)
    return found


def implements_named(ids: Iterable[UUID], place: Location) -> dict[UUID, Implement]:
    """Implements of a location by id; others are left out."""
    return {row.id: row for row in Implement.objects.filter(id__in=set(ids), location=place)}


def standing_recalls(load_id: UUID) -> list[ImplementEvent]:
    """The events by which a load was recalled, but for struck ones."""
    rows = ImplementEvent.objects.filter(agent_id=load_id, kind="recalled")
    return list(rows.exclude(id__in=EventStrike.objects.values("event_id")).order_by("id"))


def past_shelf_life(location_id: UUID, now: datetime, limit: int) -> list[Implement]:
    """Implements whose pouch is past its shelf life and that still stand as ready."""
    rows = Implement.objects.filter(
        location_id=location_id, state="ready", keeps_until__isnull=False, keeps_until__lte=now
    )
    return list(rows.order_by("kit_id", "keeps_until", "id")[:limit])


def still_past(kit_id: UUID, keeps_until: datetime) -> list[Implement]:
    """Implements of a kit that stand as ready in a pouch that kept until then."""
    rows = Implement.objects.filter(kit_id=kit_id, state="ready", keeps_until=keeps_until)
    return list(rows.order_by("id"))


def uses_from_loads(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Each use of an implement that came from one of these loads: which visit, kit and pouch.

    From the load's release to the implement's next pouch or load; struck-out events did not happen.
    """
    struck = EventStrike.objects.values("event_id")
    items = {(i.load_id, i.implement_id): i for i in LoadItem.objects.filter(load__in=ids)}
    rows = (
        ImplementEvent.objects.filter(
            implement__in={implement for _, implement in items},
            kind__in=["used", "sterilised", "packed", "loaded"],
        )
        .exclude(id__in=struck)
        .select_related("implement__kit")
        .order_by("at", "recorded_at", "id")
    )
    load_now: dict[UUID, UUID] = {}
    found = []
    for row in rows:
        if row.kind == "sterilised":
            load_now[row.implement_id] = row.agent_id
        elif row.kind != "used":
            load_now.pop(row.implement_id, None)
        elif (load_now.get(row.implement_id), row.implement_id) in items:
            # Used once, it is no longer of the load: what comes next is another way back.
            load_id = load_now.pop(row.implement_id)
            found.append(
                {
                    "load_id": load_id,
                    "pouch": items[load_id, row.implement_id].pouch,
                    "implement_id": row.implement_id,
                    "tag": row.implement.tag,
                    "kit_id": row.implement.kit_id,
                    "kit": row.implement.kit.name,
                    "visit_id": row.visit_id,
                    "used_at": row.at,
                }
            )
    return found
