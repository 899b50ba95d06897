"""From imported visits to rows of the business: lines fitted to the price list, kits, claims."""

from bisect import bisect_left, insort
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from services.actions.plans import Doers, span_fields, wanted_claims
from services.imports.jobs import Job, Tally
from services.models import ImportRow, Line, LineState, Service, Visit, VisitChange, VisitState
from services.queries import imports as queries
from services.queries.planning import minutes_of
from services.rules.fitting import fitted_spans
from spa_ops.claims import actions as claims
from spa_ops.claims import actions_many
from spa_ops.claims.models import BookableFacts
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.unit.work import current

BATCH = 500
Plan = tuple[ImportRow, Visit, list[Line]]


class Planner:
    """Makes visits of rows: past ones at once, coming ones when all are known, for they may clash."""

    def __init__(self, job: Job, tally: Tally) -> None:
        self._job, self._tally = job, tally
        self._services = {service.id: service for service in queries.services()}
        self._coming: list[Plan] = []
        self._kits = _Kits(job)
        self._bookables: dict[UUID, BookableFacts] = {}

    def take(self, rows: Sequence[ImportRow]) -> list[Plan]:
        """The past visits among `rows`; the coming ones are kept for `settle`."""
        plans = [self._plan(row) for row in rows]
        self._coming += [plan for plan in plans if plan[1].state == VisitState.BOOKED]
        return [plan for plan in plans if plan[1].state != VisitState.BOOKED]

    def look_up_bookables(self, *, write: bool) -> None:
        """Find what the coming visits need; with `write` locked, in the order of numbers.

        To be called before any other row is locked, and before `settle`.
        """
        wanted = set(self._kits.ids) if self._coming else set()
        for _, visit, lines in self._coming:
            wanted |= {visit.client_id, lines[0].practitioner_id, lines[0].room_id}
        there = queries.bookables(wanted)
        self._bookables = claims.lock_bookables(there) if write else there

    def settle(self, given_back: Collection[UUID], *, write: bool) -> int:
        """Check the coming visits for what they need, and with `write` insert those that can be had.

        `given_back` are visits whose time is free again. Returns how many can be had; each other one
        is an error of its row.
        """
        self._coming.sort(key=lambda plan: (plan[1].starts_at, plan[0].number))
        self._kits.load(given_back)
        ready = [plan for plan in self._coming if self._is_ready(plan)]
        wanted = {visit.id: wanted_claims(visit.client_id, lines) for _, visit, lines in ready}
        clashes = actions_many.clashing(
            wanted, self._bookables, self._job.now, given_back=given_back
        )
        for row, visit, _ in ready:
            if visit.id in clashes:
                self._tally.fail(row, "DTSTART", "clash", self._said(clashes[visit.id], ready))
        free = [plan for plan in ready if plan[1].id not in clashes]
        if write and free:
            plans = {visit.id: wanted[visit.id] for _, visit, _ in free}
            actions_many.claim_many(plans=plans, bookables=self._bookables, now=self._job.now)
            insert(self._job, free)
        return len(free)

    def _is_ready(self, plan: Plan) -> bool:
        """Whether everybody's time can be booked, and a kit of each kind is free; takes the kits."""
        row, visit, lines = plan
        for who in (visit.client_id, lines[0].practitioner_id, lines[0].room_id):
            if who not in self._bookables:
                message = (
                    "The practitioner has neither a skill nor a shift. Enter one first."
                    if who == lines[0].practitioner_id
                    else "The client or the room cannot be booked. Enter it anew."
                )
                self._tally.fail(row, "ORGANIZER", "not-bookable", message)
                return False
        missing = self._kits.give(lines, self._services)
        if missing:
            message = (
                f"No {missing} is free at that time. Add a kit of that kind to the location, or move"
                " the visit."
            )
            self._tally.fail(row, "DTSTART", "kit-missing", message)
        return not missing

    def _plan(self, row: ImportRow) -> Plan:
        content = row.content
        stay = Period(
            datetime.fromisoformat(content["starts_at"]), datetime.fromisoformat(content["ends_at"])
        )
        is_past = stay.end <= self._job.now
        visit = Visit(
            id=UUID(content["id"]),
            business_id=self._job.actor.business_id,
            version=1,
            location_id=self._job.location.id,
            client_id=UUID(content["client_id"]),
            state=VisitState.LEFT if is_past else VisitState.BOOKED,
            starts_at=stay.start,
            booked_at=self._job.now,
            booked_by=self._job.actor.person_id,
            note=content["note"],
            source_id=row.key,
        )
        services = [self._services[UUID(service_id)] for service_id in content["service_ids"]]
        return row, visit, self._lines(visit, content, services, stay)

    def _lines(
        self, visit: Visit, content: Mapping[str, str], services: Sequence[Service], stay: Period
    ) -> list[Line]:
        who = UUID(content["practitioner_id"])
        # No verdict, no start, no finish: the calendar says that they came, and nothing of the work.
        state = LineState.FINISHED if visit.state == VisitState.LEFT else LineState.PLANNED
        # What another calendar says was planned so; a turnover that is too short there is seen on the day.
        spans = fitted_spans([minutes_of(service, least_clean_up=0) for service in services], stay)
        return [
            Line(
                id=uuid7(),
                business_id=visit.business_id,
                visit=visit,
                position=position,
                service=service,
                area=service.area,
                method=service.method,
                practitioner_id=who,
                room_id=UUID(content["room_id"]),
                state=state,
                price_minor=service.price_minor,
                currency=service.currency,
                **span_fields(span, Doers(set_up_by=who, turnover_by=who)),
            )
            for position, (service, span) in enumerate(zip(services, spans, strict=True))
        ]

    def _said(self, clash: actions_many.Clash, ready: Sequence[Plan]) -> str:
        """What is in the way, until when, and what to do."""
        until = datetime.fromisoformat(clash["until"] or "").astimezone(
            ZoneInfo(self._job.location.zone)
        )
        of = {str(visit.id): row.number for row, visit, _ in ready}
        holder = of.get(clash["visit_id"] or "")
        by = f"the visit in row {holder}" if holder else "a visit or an absence that is booked here"
        return (
            f"The {clash['kind']} is taken for {(clash['phase'] or '').replace('_', '-')} until"
            f" {until:%Y-%m-%d %H:%M} by {by}. Move one of the two; set-up and turnover take the"
            " minutes of the price list."
        )


class _Kits:
    """The kits of the location and when each is taken; the calendar does not say which to use."""

    def __init__(self, job: Job) -> None:
        self._now = job.now
        kits = queries.kits_at(job.location.id)
        self.ids = [kit.id for kit in kits]
        self._of_kind: dict[str, list[UUID]] = defaultdict(list)
        for kit in kits:
            self._of_kind[kit.kind].append(kit.id)
        self._taken: dict[UUID, list[tuple[datetime, datetime]]] = defaultdict(list)

    def load(self, given_back: Collection[UUID]) -> None:
        """Read when they are taken: after they were locked."""
        for kit_id, span in queries.spans_taken(self.ids, self._now, given_back=given_back):
            insort(self._taken[kit_id], (span.lower, span.upper))

    def give(self, lines: Sequence[Line], services: Mapping[UUID, Service]) -> str:
        """Give a visit's lines the first free kit of each kind that they need, or say which is missing."""
        start, end = lines[0].set_up_at, lines[-1].turnover_ends_at
        chosen: dict[str, UUID] = {}
        for kind in {services[line.service_id].kit_kind for line in lines} - {""}:
            free = (kit for kit in self._of_kind[kind] if not self._is_taken(kit, start, end))
            kit_id = next(free, None)
            if kit_id is None:
                return kind
            chosen[kind] = kit_id
        for line in lines:
            line.kit_id = chosen.get(services[line.service_id].kit_kind)
        for kit_id in chosen.values():
            insort(self._taken[kit_id], (start, end))
        return ""

    def _is_taken(self, kit_id: UUID, start: datetime, end: datetime) -> bool:
        spans = self._taken[kit_id]
        at = bisect_left(spans, (end,)) - 1
        return at >= 0 and spans[at][1] > start


def insert(job: Job, plans: Sequence[Plan]) -> None:
    """Insert visits with their lines, publish them, and note of the coming ones that they were imported."""
    visits = [visit for _, visit, _ in plans]
    Visit.objects.bulk_create(visits, batch_size=BATCH)
    lines = (line for _, _, its_lines in plans for line in its_lines)
    Line.objects.bulk_create(lines, batch_size=BATCH)
    VisitChange.objects.bulk_create(
        (
            VisitChange(
                business_id=visit.business_id,
                visit=visit,
                kind="imported",
                at=job.now,
                person_id=job.actor.person_id,
                is_at=visit.starts_at,
            )
            for visit in visits
        ),
        batch_size=BATCH,
    )
    for visit in visits:
        current().publish(
            entity=Visit.entity,
            entity_id=visit.id,
            version=visit.version,
            feeds=tuple(visit.feed_ids()),
        )
