"""Reads of products, solutions, kits and implements; rows turned into what the rules take."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import F, Max, Q

from compliance.disinfection.models import (
    Container,
    EventStrike,
    Implement,
    ImplementEvent,
    Kit,
    KitUse,
    Product,
    SiteCheck,
    Solution,
    TopUp,
)
from compliance.disinfection.rules.baths import OnSite
from compliance.disinfection.rules.clearance import clearance, soaks_too_long
from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.labels import not_for_from, ppm_of_label
from compliance.disinfection.rules.mixing import Amounts, Dilution
from compliance.disinfection.rules.reprocessing import (
    Agent,
    Event,
    EventKind,
    ImplementClass,
    ImplementState,
    contact_seconds_needed,
    floors_from,
)
from compliance.disinfection.rules.tracks import Bath, Bench, Track
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import NotFound
from spa_ops.kernel.units import VolumeUnit, to_millilitres
from spa_ops.tenancy.models import Location

_ALWAYS = datetime.min.replace(tzinfo=UTC)


def surface_label(product_id: UUID) -> Agent:
    """What a product's label says about surfaces: contact seconds, hospital type. Raises `NotFound`."""
    product = Product.objects.filter(id=product_id).first()
    if product is None:
        raise NotFound
    return Agent(
        id=product.id,
        contact_seconds=contact_seconds_needed(label_seconds=product.contact_seconds),
        usable_from=_ALWAYS,
        hospital_type=product.hospital_type,
    )


def dilution_of(product: Product) -> Dilution:
    """The label's dilution, as parts added to water."""
    return Dilution(
        parts_concentrate=Decimal(product.parts_concentrate),
        parts_water=Decimal(product.parts_water),
    )


def target_ppm(product: Product) -> Decimal | None:
    """What a strip in a bath mixed by the label shows; None where the label tells no strength."""
    return ppm_of_label(
        dilution_of(product),
        strength_percent=product.strength_percent,
        stated_ppm=product.stated_ppm,
    )


def container_at(location_id: UUID, name: str) -> Container | None:
    """The container of that name at a location, if it is on file, locked until the bath is kept."""
    rows = Container.objects.select_for_update(of=("self",), no_key=True)
    return rows.filter(location_id=location_id, name=name).first()


def last_bath_in(location_id: UUID, container: str) -> Solution | None:
    """The newest bath that a container of that name held, locked."""
    rows = Solution.objects.select_for_update(of=("self",), no_key=True)
    held = rows.filter(location_id=location_id, container=container).select_related("product")
    return held.order_by("-mixed_at", "-id").first()


def on_site(location_id: UUID, product_id: UUID) -> OnSite:
    """What the last look for a product's papers at a location found; nothing if nobody looked."""
    looks = SiteCheck.objects.filter(location_id=location_id, product_id=product_id)
    last = looks.order_by("-looked_at", "-id").first()
    if last is None:
        return OnSite()
    return OnSite(data_sheet=last.data_sheet, labelled_bottle=last.labelled_bottle)


def papers_at(location_id: UUID) -> list[dict[str, Any]]:
    """Each product mixed or looked for at a location, with what the last look for its papers found."""
    mixed = Solution.objects.filter(location_id=location_id).values("product_id")
    looks = SiteCheck.objects.filter(location_id=location_id)
    products = Product.objects.filter(Q(id__in=mixed) | Q(id__in=looks.values("product_id")))
    last: dict[UUID, SiteCheck] = {}
    for look in looks.order_by("product_id", "-looked_at", "-id").distinct("product_id"):
        last[look.product_id] = look
    return [
        {
            "product_id": product.id,
            "name": product.name,
            "registration_number": product.registration_number,
            "data_sheet": bool(found and found.data_sheet),
            "labelled_bottle": bool(found and found.labelled_bottle),
            "looked_at": found.looked_at if found else None,
            "person_id": found.person_id if found else None,
        }
        for product in products.order_by("name", "id")
        for found in (last.get(product.id),)
    ]


def poured_so_far(solution: Solution) -> Amounts:
    """Everything that was poured into a bath: as mixed, and each time it was topped up."""
    whole = _poured(solution)
    for more in TopUp.objects.filter(solution=solution):
        whole = whole.plus(_poured(more))
    return whole


def _poured(row: Solution | TopUp) -> Amounts:
    """One pour as it was read off the jug; the millilitres beside that are rounded."""
    if not row.entered:
        return Amounts(concentrate_ml=row.concentrate_ml, water_ml=row.water_ml)
    (concentrate, its_unit), (water, waters_unit) = row.entered["concentrate"], row.entered["water"]
    return Amounts(
        concentrate_ml=to_millilitres(Decimal(concentrate), VolumeUnit(its_unit)),
        water_ml=to_millilitres(Decimal(water), VolumeUnit(waters_unit)),
    )


def contact_seconds(product: Product, place: Location, at: datetime, method: str) -> int | None:
    """Label time, or the jurisdiction's floor for `immersion` or `wipe` where that is longer."""
    found = parameters(place.jurisdiction, local_date(at, place.zone))[ParameterName.CONTACT_FLOORS]
    return contact_seconds_needed(
        label_seconds=product.contact_seconds,
        floors_seconds=floors_from(found.value, method=method, family=product.family),
    )


def _by_label(product: Product) -> dict[str, Any]:
    excluded = not_for_from(product.not_for)
    return {
        "hospital_type": product.hospital_type,
        "not_for_classes": excluded.classes,
        "not_for_materials": excluded.materials,
        "longest_soak_seconds": product.longest_soak_seconds,
    }


def agent_of_solution(solution: Solution) -> Agent:
    """A bath as the rules take it; its end is the window's, or the earlier one it was ended at."""
    ends_at = min(solution.discard_at, solution.ended_at or solution.discard_at)
    return Agent(
        id=solution.id,
        contact_seconds=solution.contact_seconds,
        usable_from=solution.mixed_at,
        ends_at=ends_at,
        as_label=solution.pour == "ok",
        uses_allowed=solution.uses_allowed,
        pieces_allowed=solution.pieces_allowed,
        **_by_label(solution.product),
    )


def agents(ids: Iterable[UUID], place: Location, at: datetime) -> dict[UUID, Agent]:
    """Baths and wiping products by id, as the rules take them."""
    wanted = {i for i in ids if i is not None}
    found = {
        s.id: agent_of_solution(s)
        for s in Solution.objects.filter(id__in=wanted).select_related("product")
    }
    for product in Product.objects.filter(id__in=wanted - found.keys()):
        found[product.id] = Agent(
            id=product.id,
            contact_seconds=contact_seconds(product, place, at, "wipe"),
            usable_from=_ALWAYS,
            is_bath=False,
            needs_water=product.parts_water > 0,
            **_by_label(product),
        )
    return found


def track_of(row: Implement) -> Track:
    """Where an implement stands, as the rules take it."""
    return Track(
        implement_id=row.id,
        kind=ImplementClass(row.kind),
        materials=frozenset(row.materials),
        state=ImplementState(row.state),
        since=row.since,
        flaw=Reason(row.flaw) if row.flaw else None,
        blood=row.blood,
        parts_off=row.parts_off,
        bath_id=row.bath_id,
        agent_id=row.agent_id,
        contact_from=row.contact_from,
        due_at=row.due_at,
        visit_id=row.visit_id,
        load_id=row.load_id,
        keeps_until=row.keeps_until,
    )


def event_of(row: ImplementEvent) -> Event:
    """A stored event, as the rules take it."""
    return Event(
        kind=EventKind(row.kind),
        at=row.at,
        implement_id=row.implement_id,
        agent_id=row.agent_id,
        visit_id=row.visit_id,
        fully_open=row.fully_open,
        covered=row.covered,
        cleaned=row.cleaned,
        keeps_until=row.keeps_until,
    )


def bench_of(rows: Iterable[Implement], solutions: Iterable[Solution]) -> Bench:
    """Implements and their baths as they stand."""
    tracks = {row.id: track_of(row) for row in rows}
    last_in: dict[UUID, datetime] = {}
    for track in tracks.values():
        if track.bath_id is not None and track.contact_from is not None:
            so_far = last_in.get(track.bath_id, track.contact_from)
            last_in[track.bath_id] = max(so_far, track.contact_from)
    return Bench(
        tracks=tracks,
        baths={
            s.id: Bath(uses=s.uses, voided_at=s.voided_at, last_in_at=last_in.get(s.id))
            for s in solutions
        },
    )


def has_kit(location_id: UUID, kit_id: UUID) -> bool:
    """Whether the kit is one of the location."""
    return Kit.objects.filter(id=kit_id, location_id=location_id).exists()


def implements_in(kit_id: UUID) -> list[Implement]:
    """A kit's implements by tag, without what was written off."""
    return list(Implement.objects.filter(kit_id=kit_id, written_off_at=None).order_by("tag"))


def was_cleared_for(*, kit_id: UUID, visit_id: UUID) -> bool:
    """Whether this visit opened the kit, and every implement was cleared when it did."""
    return KitUse.objects.filter(kit_id=kit_id, visit_id=visit_id, cleared=True).exists()


def clearances(kit: Kit, at: datetime) -> list[dict[str, Any]]:
    """Each implement of a kit at an instant: cleared or not, why, what to do, and its clock."""
    rows = implements_in(kit.id)
    known = agents([i for r in rows for i in (r.agent_id, r.bath_id) if i], kit.location, at)
    found = []
    for row in rows:
        seen = clearance(track_of(row), as_of=at, agents=known)
        found.append(
            {
                "implement_id": row.id,
                "tag": row.tag,
                "name": row.name,
                "class": row.kind,
                "state": seen.state.value,
                "since": seen.since,
                "is_cleared": seen.is_cleared,
                "may_be_used": seen.may_be_used,
                "reason": seen.reason.value,
                "what_to_do": seen.what_to_do,
                "basis": seen.basis,
                "due_at": seen.due_at,
                "seconds_left": seen.seconds_left,
                "warning": seen.warning,
            }
        )
    return found


def due_solutions(location_id: UUID, now: datetime, limit: int) -> list[Solution]:
    """Baths past their use window that are not ended yet, locked; those being written are skipped."""
    rows = Solution.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return list(
        rows.filter(location_id=location_id, ended_at=None, discard_at__lte=now).order_by(
            "discard_at"
        )[:limit]
    )


def soaking_too_long(location_id: UUID, now: datetime, limit: int) -> list[Implement]:
    """Implements whose contact is long complete and that nobody was warned of for this soak, longest first."""
    near = Implement.objects.filter(
        Q(soak_warned_for=None) | ~Q(soak_warned_for=F("contact_from")),
        location_id=location_id,
        state=ImplementState.DISINFECTING,
        bath_id__isnull=False,
        due_at__lte=now,
    )
    rows = list(near.order_by("due_at", "id")[:limit])
    baths = Solution.objects.filter(id__in={r.agent_id for r in rows}).select_related("product")
    known = {bath.id: agent_of_solution(bath) for bath in baths}
    return [row for row in rows if soaks_too_long(track_of(row), now, known)]


def events_since(ids: set[UUID], since: datetime) -> list[ImplementEvent]:
    """What was recorded of these implements and their baths and not struck out, oldest first."""
    standing = ImplementEvent.objects.filter(at__gte=since).exclude(
        id__in=EventStrike.objects.values("event_id")
    )
    stored = list(standing.filter(implement__in=ids))
    baths = {e.agent_id for e in stored if e.agent_id}
    stored += standing.filter(implement=None, agent_id__in=baths)
    return sorted(stored, key=lambda e: (e.at, e.recorded_at, e.id))


def events_of_kit(kit_id: UUID, limit: int) -> list[dict[str, Any]]:
    """The newest events of a kit's implements, struck ones marked, newest first."""
    rows = ImplementEvent.objects.filter(implement__kit=kit_id).order_by("-at", "-id")[:limit]
    struck = dict(
        EventStrike.objects.filter(event__in=[r.id for r in rows]).values_list("event_id", "reason")
    )
    return [
        {
            "id": r.id,
            "implement_id": r.implement_id,
            "kind": r.kind,
            "at": r.at,
            "recorded_at": r.recorded_at,
            "person_id": r.person_id,
            "agent_id": r.agent_id,
            "struck_because": struck.get(r.id),
        }
        for r in rows
    ]


def sharing(ids: set[UUID], since: datetime) -> set[UUID]:
    """`ids` and every implement that lay in a bath with one of them since then, and so on."""
    known, new = set(ids), set(ids)
    while new:
        baths = set(
            ImplementEvent.objects.filter(
                implement__in=new, kind="immersed", at__gte=since
            ).values_list("agent_id", flat=True)
        )
        found = set(
            ImplementEvent.objects.filter(
                Q(kind="immersed"), agent_id__in=baths, at__gte=since, implement__isnull=False
            ).values_list("implement_id", flat=True)
        )
        new = found - known
        known |= found
    return known


def look_back(ids: set[UUID], now: datetime, by: timedelta) -> datetime:
    """From when events are taken to derive these implements anew.

    `by` before now; of what has lain in store for longer, `by` before it was last washed: nothing
    that was before a way back bears on it.
    """
    washed = ImplementEvent.objects.filter(implement__in=ids, kind="washed", at__lte=now - by)
    last = washed.values("implement").annotate(last=Max("at")).values_list("last", flat=True)
    return min([now, *last]) - by
