"""Visits from a calendar file."""

from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from uuid import UUID

from services.imports import calendars
from services.imports.cells import fold, shown
from services.imports.contacts import parse_zone
from services.imports.directory import Directory
from services.imports.matching import Entry, match_entry
from services.imports.recurrences import Frame, Instance, NotAVisit, instances, learn_zones
from services.imports.rows import CellError, FileRefused, ReadRow, Report, RowError
from services.imports.sheets import Place
from spa_ops.kernel.intervals import Period


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitRow:
    """One visit as imported. `holds_claims` is false once it has ended: history, never screened.

    `external_id` is the calendar's UID, with the original start for an instance of a series.
    """

    external_id: str
    starts_at: datetime
    ends_at: datetime
    client_id: UUID
    service_ids: tuple[UUID, ...]
    practitioner_id: UUID
    room_id: UUID
    holds_claims: bool
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CancelledVisit:
    """A visit that the calendar calls off; it matters only if an earlier import brought it in."""

    external_id: str
    starts_at: datetime
    ends_at: datetime


class Visits:
    """A surveyed calendar. `passed_over` counts, while rows are read, what was no visit to import."""

    def __init__(
        self,
        *,
        index: calendars.EventIndex,
        report: Report,
        frame: Frame,
        directory: Directory,
        place: Place,
        now: datetime,
        ignored_words: Collection[str],
    ) -> None:
        self._index, self._report, self._frame = index, report, frame
        self._directory, self._place, self._now = directory, place, now
        self._ignored_words = frozenset(ignored_words)
        self.passed_over: Counter[str] = Counter()

    @property
    def report(self) -> Report:
        return self._report

    def rows(self, after: int = 0) -> Iterator[ReadRow[VisitRow | CancelledVisit]]:
        """One row for each visit in the window; those of a series share the number of its first event.

        Resume after a number only once all rows with it were kept.
        """
        # The library's zones are the process's: another file may have been read meanwhile.
        learn_zones(self._index.zones)
        self.passed_over.clear()
        for number, group in self._index.groups(after):
            yield from self._group(number, group)

    def _group(
        self, number: int, group: list[tuple[int, bytes]]
    ) -> Iterator[ReadRow[VisitRow | CancelledVisit]]:
        count = 0
        try:
            for instance in instances(group, self._frame):
                count += 1
                yield self._row(number, instance)
        except NotAVisit:
            self.passed_over["whole-day entries"] += 1
            return
        except CellError as error:
            # One event that cannot be read must not hide the others.
            wrong = RowError(row=number, column="VEVENT", code=error.code, message=error.message)
            yield ReadRow(number=number, line=group[0][0], value=None, errors=(wrong,))
            return
        if not count:
            self.passed_over["events outside the window"] += 1

    def _row(self, number: int, instance: Instance) -> ReadRow[VisitRow | CancelledVisit]:
        if instance.is_cancelled:
            # Whom it was for no longer matters, and has often been removed from the entry.
            self.passed_over["cancelled visits"] += 1
            gone = CancelledVisit(
                external_id=instance.external_id,
                starts_at=instance.starts_at,
                ends_at=instance.ends_at,
            )
            return ReadRow(number=number, line=instance.line, value=gone, notes=instance.notes)
        entry = match_entry(
            instance.event, self._directory, self._place.country, self._ignored_words
        )
        errors = tuple(
            RowError(row=number, column=t.column, code=t.code, message=t.message)
            for t in entry.troubles
        )
        return ReadRow(
            number=number,
            line=instance.line,
            value=None if errors else self._visit(instance, entry),
            errors=errors,
            notes=(*instance.notes, *entry.remarks),
        )

    def _visit(self, instance: Instance, entry: Entry) -> VisitRow | None:
        # All three are there when there was no trouble; the type checker wants to see it.
        client_id, practitioner_id, room_id = entry.client_id, entry.practitioner_id, entry.room_id
        if client_id is None or practitioner_id is None or room_id is None:
            return None
        return VisitRow(
            external_id=instance.external_id,
            starts_at=instance.starts_at,
            ends_at=instance.ends_at,
            client_id=client_id,
            service_ids=entry.service_ids,
            practitioner_id=practitioner_id,
            room_id=room_id,
            holds_claims=instance.ends_at > self._now,
            notes=entry.notes,
        )


def open_visits(
    path: Path,
    *,
    place: Place,
    directory: Directory,
    window: Period,
    now: datetime,
    encoding: str = "",
    ignored_words: Collection[str] = (),
) -> Visits:
    """Survey a calendar; only what starts in `window` will be read, series are spread out in it.

    Raises FileRefused, with what to do, if the file cannot be imported.
    """
    index = calendars.index_events(path, encoding=encoding)
    if not len(index):
        raise FileRefused("no-rows", f"{path.name} is a calendar without events.")
    frame, said = _frame(index, place, window)
    return Visits(
        index=index,
        report=Report(
            file_name=path.name,
            sha256=index.sha256,
            size_bytes=index.size_bytes,
            rows=len(index),
            encoding=index.encoding.name,
            decisions=(index.encoding.decision, *said),
        ),
        frame=frame,
        directory=directory,
        place=place,
        now=now,
        ignored_words=[fold(word) for word in ignored_words],
    )


def _frame(index: calendars.EventIndex, place: Place, window: Period) -> tuple[Frame, list[str]]:
    """How the calendar's times are meant, and the sentences that say so."""
    said = [_clocks(index, place.zone)]
    failed = learn_zones(index.zones)
    if failed:
        said.append(f"Zone definitions that cannot be read: {', '.join(map(shown, failed))}.")
    said.append(
        f"Read from {window.start:%Y-%m-%d %H:%M} UTC up to {window.end:%Y-%m-%d %H:%M} UTC;"
        " series are spread out in it."
    )
    display_zone = _display_zone(index, place.zone, said)
    cancels = index.properties.get("METHOD", "").upper() == "CANCEL"
    if cancels:
        said.append(
            "The calendar is a cancellation (METHOD:CANCEL): all its events are called off."
        )
    others = [f"{count} {kind}" for kind, count in sorted(index.others.items()) if count]
    if others:
        said.append(f"Not visits and not read: {', '.join(others)}.")
    frame = Frame(
        zone=place.zone,
        window=window,
        codec=index.encoding.codec,
        display_zone=display_zone,
        cancels=cancels,
    )
    return frame, said


def _clocks(index: calendars.EventIndex, zone: str) -> str:
    parts = [
        f"{count} floating (without a zone: read as {zone}, the location's)"
        if kind == "floating"
        else f"{count} {kind}"
        for kind, count in sorted(index.starts.items())
    ]
    return f"Events by clock: {', '.join(parts)}."


def _display_zone(index: calendars.EventIndex, zone: str, said: list[str]) -> str:
    """The zone by which series in UTC repeat: the calendar's own where it names a real one."""
    named = index.properties.get("X-WR-TIMEZONE", "")
    if not named:
        return ""
    try:
        display_zone = parse_zone(named)
    except CellError:
        said.append(f"The calendar's own zone {shown(named)} is not known and was left out.")
        return ""
    if display_zone != zone:
        said.append(
            f"The calendar's own zone is {display_zone}, the location's {zone}: series in UTC"
            f" repeat by {display_zone}, floating times are {zone}."
        )
    return display_zone
