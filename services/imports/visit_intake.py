"""Visits from a calendar into the business: past ones as history, coming ones as plans with claims."""

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, time, timedelta
from uuid import UUID

from services.actions.booking import cancel_visit
from services.imports.directory import Directory, Known, directory
from services.imports.jobs import Job, Staged, Tally
from services.imports.rows import CellError
from services.imports.visit_files import CancelledVisit, VisitRow, Visits, open_visits
from services.imports.visit_plans import Planner, insert
from services.models import ImportRow, Visit, VisitState
from services.queries import imports as queries
from services.rules.fitting import is_long_enough
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period, at_local
from spa_ops.unit.work import reading

#: What is read of a calendar unless the command says otherwise (house policy).
DAYS_BACK, DAYS_AHEAD = 730, 366


class VisitIntake:
    """See `jobs.Intake`. Past visits hold no claims and were screened by nobody; coming ones hold all."""

    what, of_location = "visits", True

    def __init__(self) -> None:
        self._read_by: tuple[str, ...] = ()
        self._passed_over: Counter[str] = Counter()

    def open(self, job: Job) -> Visits:
        window = _window(job)
        with reading(job.actor.business_id):
            known = _Known(job)
        self._read_by = (known.digest, str(window.start), str(window.end))
        visits = open_visits(
            job.path,
            place=job.place,
            directory=known.directory,
            window=window,
            now=job.now,
            encoding=job.encoding,
            ignored_words=job.ignored_words,
        )
        self._passed_over = visits.passed_over
        return visits

    def read_by(self, job: Job) -> tuple[str, ...]:
        # Somebody added the missing client meanwhile: rows that were refused are read anew.
        return self._read_by

    def staged(self, value: VisitRow | CancelledVisit, job: Job) -> Staged:
        if isinstance(value, CancelledVisit):
            return Staged(key=value.external_id, content={"cancelled": True})
        if not is_long_enough(len(value.service_ids), Period(value.starts_at, value.ends_at)):
            raise CellError(
                "length-too-short", "The event is shorter than a minute a service. Correct its end."
            )
        content = {
            "id": str(uuid7()),
            "starts_at": value.starts_at.isoformat(),
            "ends_at": value.ends_at.isoformat(),
            "client_id": str(value.client_id),
            "service_ids": [str(service_id) for service_id in value.service_ids],
            "practitioner_id": str(value.practitioner_id),
            "room_id": str(value.room_id),
            "note": value.notes,
        }
        return Staged(key=value.external_id, content=content)

    def settle(
        self, job: Job, pages: Iterator[list[ImportRow]], tally: Tally, *, write: bool
    ) -> None:
        planner = Planner(job, tally)
        tally.noted.update({k: n for k, n in self._passed_over.items() if k != "cancelled visits"})
        called_off: list[Visit] = []
        seen: set[str] = set()
        for page in pages:
            there = queries.visits_from({row.key for row in page})
            new = [row for row in page if _is_new(row, there, seen, tally)]
            called_off += _called_off(page, there, tally)
            _compare([r for r in page if r.key in there and "id" in r.content], there, tally)
            past = planner.take(new)
            if write:
                insert(job, past)
            tally.added += len(past)
        planner.look_up_bookables(write=write)
        for visit in called_off if write else ():
            reason = "called off in the imported calendar"
            cancel_visit(actor=job.actor, now=job.now, visit_id=visit.id, reason=reason)
        tally.added += planner.settle({visit.id for visit in called_off}, write=write)


def _window(job: Job) -> Period:
    first = job.read_from or job.today - timedelta(days=DAYS_BACK)
    last = job.read_until or job.today + timedelta(days=DAYS_AHEAD)
    zone = job.location.zone
    return Period(
        at_local(first, time(0), zone),
        at_local(max(last, first + timedelta(days=1)), time(0), zone),
    )


def _is_new(row: ImportRow, there: dict[str, Visit], seen: set[str], tally: Tally) -> bool:
    if row.key in there or "id" not in row.content:
        return False
    if row.key in seen:
        tally.fail(row, "UID", "row-repeated", "The same event stands above. Delete one of them.")
        return False
    seen.add(row.key)
    return True


def _called_off(page: Sequence[ImportRow], there: dict[str, Visit], tally: Tally) -> list[Visit]:
    """The booked visits that the calendar has called off since it was imported before."""
    rows = [row for row in page if "cancelled" in row.content and row.key in there]
    found = {there[row.key].id: there[row.key] for row in rows}
    booked = [visit for visit in found.values() if visit.state == VisitState.BOOKED]
    tally.cancelled += len(booked)
    nothing = sum("cancelled" in row.content for row in page) - len(booked)
    tally.noted["called off in the calendar, and not booked here"] += nothing
    return booked


def _compare(rows: Sequence[ImportRow], there: dict[str, Visit], tally: Tally) -> None:
    """Visits imported before stay as they are here; the report says where the calendar differs."""
    tally.already_there += len(rows)
    for row in rows:
        visit = there[row.key]
        if visit.starts_at != datetime.fromisoformat(row.content["starts_at"]):
            tally.remarks.append(
                f"Row {row.number}: this visit was imported before, with another start, which"
                " stays. Move it in the program if the calendar is right."
            )


class _Known:
    """The directory of a location, and a digest that changes with anything in it."""

    def __init__(self, job: Job) -> None:
        self._hash = hashlib.sha256()
        place = job.location.id
        people = queries.performers_at(place, job.now)
        self.directory: Directory = directory(
            clients=self._known(queries.clients_at(place)),
            services=self._known((s.id, s.name, "", "") for s in queries.services() if s.active),
            # A login is often the address that a calendar knows people by.
            team=self._known((p.id, p.name, _address(p.login), "") for p in people),
            rooms=self._known((r.id, r.name, "", "") for r in queries.rooms_at(place)),
        )
        self.digest = self._hash.hexdigest()

    def _known(self, rows: Iterable[tuple[UUID, str, str, str]]) -> Iterator[Known]:
        for row in rows:
            self._hash.update(repr(row).encode())
            known_id, name, email, phone = row
            yield Known(id=known_id, names=[name], email=email, phone=phone)


def _address(login: str | None) -> str:
    return login if login and "@" in login else ""
