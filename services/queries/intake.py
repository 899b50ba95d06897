"""Reads of intake links and of what was told before a visit (unsealed)."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients import queries as clients
from services.models import Intake, IntakeConfirmation, IntakeLink, LineState, Visit, VisitState
from services.problems import IntakeLinkOver, IntakeSentAlready
from services.queries import visits
from services.rules.intake import Form, ends_at, form_for
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import under_present_key, unseal_each

#: House policy, as for consents: who is a minor.
ADULT_AT = 18
_AHEAD = frozenset({VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM})


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """An open link with what it asks; `today` is the location's date."""

    link: IntakeLink
    visit: Visit
    place: Location
    today: date
    adult_from: date
    form: Form


def link_with(secret_hash: bytes, *, lock: bool = False) -> IntakeLink:
    """The link with that secret; raises `NotFound`."""
    rows = IntakeLink.objects.filter(secret_hash=secret_hash)
    if lock:
        rows = rows.select_for_update(of=("self",), no_key=True)
    found = rows.first()
    if found is None:
        raise NotFound
    return found


def newest_link(visit_id: UUID) -> IntakeLink | None:
    """The last link made for a visit, whatever became of it."""
    return IntakeLink.objects.filter(visit_id=visit_id).order_by("-created_at", "-id").first()


def state_of(link: IntakeLink, visit: Visit, now: datetime) -> str:
    """sent, revoked, over or open."""
    if link.submitted_at is not None:
        return "sent"
    if link.revoked_at is not None:
        return "revoked"
    is_over = visit.state not in _AHEAD or now >= ends_at(link.created_at, visit.starts_at)
    return "over" if is_over else "open"


def open_page(link: IntakeLink, now: datetime) -> Page:
    """What an open link asks; raises `IntakeSentAlready`, `IntakeLinkOver`."""
    visit = Visit.objects.select_related("location").get(id=link.visit_id)
    state = state_of(link, visit, now)
    if state == "sent":
        raise IntakeSentAlready
    if state != "open":
        raise IntakeLinkOver
    today = local_date(now, visit.location.zone)
    # A birthday on 29 February comes of age on 1 March.
    adult_from = _years_before(today, ADULT_AT)
    born, _ = clients.age_and_consents(visit.client_id)
    lines = [line for line in visits.lines_of(visit.id) if line.state != LineState.DROPPED]
    form = form_for(
        rule_set=clients.rule_set(),
        lines=[(line.method, line.area) for line in lines],
        changes_only=clients.was_asked_before(visit.client_id),
        born=born,
        adult_from=adult_from,
    )
    return Page(
        link=link, visit=visit, place=visit.location, today=today, adult_from=adult_from, form=form
    )


def _years_before(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldBefore:
    """One intake, unsealed, and which of its items were confirmed."""

    intake: Intake
    content: dict[str, Any]
    confirmed: frozenset[UUID]


def told_before(visit: Visit) -> list[ToldBefore]:
    """What was told before a visit, oldest first. Not itself a recorded read. Raises `Erased`."""
    return _unsealed(visit.business_id, visit.client_id, Intake.objects.filter(visit=visit))


def unconfirmed(visit: Visit) -> list[dict[str, Any]]:
    """The items of the newest intake that were not confirmed yet. Raises `Erased`."""
    newest = told_before(visit)[-1:]
    return [i for t in newest for i in t.content["items"] if UUID(i["id"]) not in t.confirmed]


def _unsealed(business_id: UUID, client_id: UUID, rows: Any) -> list[ToldBefore]:
    intakes: list[Intake] = list(
        under_present_key(rows, "submitted_at").order_by("submitted_at", "id")
    )
    if not intakes:
        return []
    confirmed: dict[UUID, set[UUID]] = {intake.id: set() for intake in intakes}
    for intake_id, item_ids in IntakeConfirmation.objects.filter(
        intake_id__in=confirmed
    ).values_list("intake_id", "item_ids"):
        confirmed[intake_id] |= set(item_ids)
    plain = unseal_each(business_id, client_id, (row.sealed for row in intakes))
    return [
        ToldBefore(intake=row, content=json.loads(text), confirmed=frozenset(confirmed[row.id]))
        for row, text in zip(intakes, plain, strict=True)
    ]


def links_of_client(client_id: UUID) -> list[dict[str, Any]]:
    """For a client's export: when links were made for them, and what became of them."""
    names = ("id", "visit_id", "created_at", "created_by", "revoked_at", "submitted_at")
    return _plain(IntakeLink.objects.filter(client_id=client_id).order_by("id").values(*names))


def intakes_of_client(client_id: UUID) -> list[dict[str, Any]]:
    """For a client's export: everything that they told before visits."""
    first = Intake.objects.filter(client_id=client_id).first()
    if first is None:
        return []
    found = _unsealed(first.business_id, client_id, Intake.objects.filter(client_id=client_id))
    return _plain({"id": t.intake.id, "visit_id": t.intake.visit_id,
                   "submitted_at": t.intake.submitted_at, "told": t.content} for t in found)  # fmt: skip


def _plain(rows: Any) -> list[dict[str, Any]]:
    as_text: Callable[[Any], Any] = lambda v: v if isinstance(v, dict | None) else str(v)
    return [{name: as_text(value) for name, value in row.items()} for row in rows]
