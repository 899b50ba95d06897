"""The rows of a file on their way in: kept in batches, so that a stopped import goes on where it was."""

import hashlib
import json
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import Error, connection

from services.imports.jobs import Intake, Job, Staged
from services.imports.rows import CellError, FileRefused, ReadRow, RowError, Source
from services.models import ImportRow, ImportRun, RunState
from services.queries import imports as queries
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy.sealing import seal_each
from spa_ops.unit.work import action

#: Rows that a kill can cost at most; read again when the import goes on.
BATCH = 500
#: A rise makes every staged row stale: for changes to how rows are kept.
_FORM = 1
# The server notices that a killed command is gone within moments.
_WAIT_SECONDS, _WAIT_STEP = 5.0, 0.2


@contextmanager
def alone(job: Job, what: str) -> Iterator[None]:
    """Only one import of a kind at a location; raises FileRefused while another one runs."""
    name = f"import/{job.actor.business_id}/{job.location.id}/{what}"
    key = int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest(), signed=True)
    if not _locked(key):
        raise FileRefused(
            "import-running",
            f"Another import of {what} for {job.location.name} is running. Wait until it has ended.",
        )
    try:
        yield
    finally:
        # A lost connection has given the lock back already.
        with suppress(Error), connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_unlock(%s)", [key])


def _locked(key: int) -> bool:
    give_up_at = time.monotonic() + _WAIT_SECONDS
    while True:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_lock(%s)", [key])
            if cursor.fetchone()[0]:
                return True
        if time.monotonic() > give_up_at:
            return False
        time.sleep(_WAIT_STEP)


def read_as(job: Job, intake: Intake) -> str:
    """A digest of everything but the file that decides how its rows are read."""
    place = job.place
    parts = [
        _FORM, place.country, place.zone, place.currency, str(job.today), job.dates or "", job.encoding,
        sorted(job.ignored_words), str(job.read_from), str(job.read_until), *intake.read_by(job),
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


@action
def begin(
    *, actor: Actor, now: datetime, location_id: UUID, what: str, file_sha256: str, read_as: str
) -> ImportRun:
    """The run that a stopped command left behind, if file and reading are the same; else a new one.

    A run of another file, or one that would be read differently today, is discarded.
    """
    run = queries.open_run(location_id, what)
    if run is not None and (run.file_sha256, run.read_as) == (file_sha256, read_as):
        return run
    if run is not None:
        end(run, RunState.DISCARDED, now)
    run = ImportRun(
        business_id=actor.business_id,
        location_id=location_id,
        what=what,
        file_sha256=file_sha256,
        read_as=read_as,
        started_at=now,
        person_id=actor.person_id,
    )
    run.save(force_insert=True)
    return run


def end(
    run: ImportRun, state: RunState, now: datetime, counts: dict[str, int] | None = None
) -> None:
    """The run has ended and its rows go: they repeat what stands in the file."""
    ImportRow.objects.filter(run_id=run.id).delete()
    run.state, run.ended_at, run.counts = state, now, counts or {}
    run.save(update_fields=["state", "ended_at", "counts"])


@action
def discard(*, actor: Actor, now: datetime, run_id: UUID) -> None:
    """End a run that shall change nothing; one that has ended stays as it is."""
    run = ImportRun.objects.select_for_update(of=("self",), no_key=True).get(id=run_id)
    if run.state in {RunState.STAGING, RunState.STAGED}:
        end(run, RunState.DISCARDED, now)


def fill(
    job: Job, intake: Intake, source: Source[Any], run: ImportRun, tick: Callable[[], object]
) -> None:
    """Stage every row that is not staged yet, `BATCH` at a time; `tick` is called for each row."""
    if run.state == RunState.STAGED:
        return
    batch: list[tuple[ImportRow, str]] = []
    for read in source.rows(after=run.read_through):
        # Rows of one number stay together: reading goes on behind a number, never within one.
        if len(batch) >= BATCH and read.number != batch[-1][0].number:
            _keep(job, run, batch)
            batch = []
        is_same = bool(batch) and batch[-1][0].number == read.number
        batch.append(_row(job, intake, run, read, batch[-1][0].part + 1 if is_same else 0))
        tick()
    _keep(job, run, batch, is_last=True)


def _row(
    job: Job, intake: Intake, run: ImportRun, read: ReadRow[Any], part: int
) -> tuple[ImportRow, str]:
    errors = list(read.errors)
    staged = Staged(key="", content={})
    try:
        if read.value is not None:
            staged = intake.staged(read.value, job)
    except CellError as error:
        errors.append(RowError(row=read.number, column="", code=error.code, message=error.message))
    row = ImportRow(
        business_id=run.business_id,
        run_id=run.id,
        number=read.number,
        part=part,
        key=staged.key,
        content=None if errors else staged.content,
        errors=[[error.column, error.code, error.message] for error in errors],
        notes=list(read.notes),
    )
    return row, "" if errors else staged.health


def _keep(
    job: Job, run: ImportRun, batch: Sequence[tuple[ImportRow, str]], *, is_last: bool = False
) -> None:
    keep_rows(actor=job.actor, now=job.now, run=run, batch=batch, is_last=is_last)


@action
def keep_rows(
    *,
    actor: Actor,
    now: datetime,
    run: ImportRun,
    batch: Sequence[tuple[ImportRow, str]],
    is_last: bool,
) -> None:
    """Commit a batch of rows, with their allergy text sealed, and how far the file is read."""
    told = [(row, health) for row, health in batch if health]
    if told:
        plain = (health.encode() for _, health in told)
        for (row, _), sealed in zip(told, seal_each(run.business_id, run.id, plain), strict=True):
            row.sealed_health = sealed
    rows = [row for row, _ in batch]
    ImportRow.objects.bulk_create(rows)
    run.read_through = rows[-1].number if rows else run.read_through
    run.state = RunState.STAGED if is_last else RunState.STAGING
    run.save(update_fields=["read_through", "state"])


def errors_of(row: ImportRow) -> list[RowError]:
    """A staged row's errors as they were found."""
    return [
        RowError(row=row.number, column=column, code=code, message=message)
        for column, code, message in row.errors
    ]
