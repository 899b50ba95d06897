"""An import from survey to evidence: stage, compare, and apply in one transaction, or say why not."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from operator import attrgetter
from typing import Protocol
from uuid import UUID

from services.imports import staging
from services.imports.jobs import Intake, Job, Tally
from services.imports.rows import Report, RowError
from services.models import ImportRow, ImportRun, RunState
from services.queries import imports as queries
from spa_ops.kernel.actor import Actor
from spa_ops.unit.work import action, current, reading


class Ending(StrEnum):
    """How an import ended."""

    IMPORTED = "imported"
    #: A dry run: what would have happened, had it been one in earnest.
    TRIED = "tried"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a command has to say at the end."""

    ending: Ending
    tally: Tally


class Watch(Protocol):
    """Who looks on: the terminal, or nobody."""

    def survey(self, report: Report) -> None: ...

    def resumed(self, row: int) -> None: ...

    def progress(self, total: int, doing: str) -> AbstractContextManager[Callable[[], object]]:
        """A bar; what it gives is called for each row."""
        ...

    def errors(self, errors: Iterator[RowError]) -> None: ...


class ImportRefused(Exception):
    """Rows turned out to be wrong while they were applied, and all or nothing was wanted."""

    def __init__(self, tally: Tally) -> None:
        super().__init__("nothing was imported")
        self.tally = tally


def import_file(job: Job, intake: Intake, watch: Watch) -> Result:
    """Take a file in. Raises FileRefused; whatever stops it, running it again goes on or starts over.

    Without `skip_bad`, one wrong row refuses all: every error is told, and nothing is changed.
    """
    source = intake.open(job)
    watch.survey(source.report)
    with staging.alone(job, intake.what):
        run = staging.begin(
            actor=job.actor,
            now=job.now,
            location_id=job.location.id,
            what=intake.what,
            file_sha256=source.report.sha256,
            read_as=staging.read_as(job, intake),
        )
        if run.read_through:
            watch.resumed(run.read_through)
        with watch.progress(source.report.rows, "reading") as tick:
            staging.fill(job, intake, source, run, tick)
        return _decided(job, intake, run, watch)


def _decided(job: Job, intake: Intake, run: ImportRun, watch: Watch) -> Result:
    # Told first: a run that is applied takes its rows with it.
    with reading(job.actor.business_id):
        bad = queries.bad_count(run.id)
        watch.errors(_read_errors(run.id))
    try:
        if job.dry_run or (bad and not job.skip_bad):
            with reading(job.actor.business_id):
                tally = _settled(job, intake, run.id, watch, write=False)
            is_refused = bool(tally.left_out) and not job.skip_bad
            ending = Ending.REFUSED if is_refused else Ending.TRIED
        else:
            tally = apply(
                actor=job.actor, now=job.now, job=job, intake=intake, run_id=run.id, watch=watch
            )
            ending = Ending.IMPORTED
    except ImportRefused as refused:
        tally, ending = refused.tally, Ending.REFUSED
    watch.errors(iter(sorted(tally.errors, key=attrgetter("row"))))
    if ending is not Ending.IMPORTED:
        staging.discard(actor=job.actor, now=job.now, run_id=run.id)
    return Result(ending=ending, tally=tally)


def _read_errors(run_id: UUID) -> Iterator[RowError]:
    return (
        error
        for page in queries.bad_pages(run_id)
        for row in page
        for error in staging.errors_of(row)
    )


def _settled(job: Job, intake: Intake, run_id: UUID, watch: Watch, *, write: bool) -> Tally:
    bad = queries.bad_count(run_id)
    tally = Tally(rows=bad, left_out=bad)
    total = ImportRow.objects.filter(run_id=run_id).count() - bad
    with watch.progress(total, "importing" if write else "comparing") as tick:
        intake.settle(job, _counted(run_id, tally, tick), tally, write=write)
    return tally


def _counted(run_id: UUID, tally: Tally, tick: Callable[[], object]) -> Iterator[list[ImportRow]]:
    """The pages of good rows, counted with the notes on them while they pass."""
    for page in queries.good_pages(run_id):
        yield page
        for row in page:
            tally.rows += 1
            tally.noted.update(note.partition(":")[0] for note in row.notes)
            tick()


@action
def apply(
    *, actor: Actor, now: datetime, job: Job, intake: Intake, run_id: UUID, watch: Watch
) -> Tally:
    """Apply a staged run in this one transaction, with its feed changes and one evidence entry.

    Raises ImportRefused, having changed nothing, when a row is wrong after all and none may be left
    out. The run ends with it: its rows go in the same transaction.
    """
    run = ImportRun.objects.select_for_update(of=("self",), no_key=True).get(id=run_id)
    if run.state != RunState.STAGED:
        raise RuntimeError(f"the run is {run.state}")
    tally = _settled(job, intake, run.id, watch, write=True)
    if tally.errors and not job.skip_bad:
        raise ImportRefused(tally)
    staging.end(run, RunState.COMPLETED, now, tally.counts())
    current().evidence(
        "import.completed",
        location_id=job.location.id if intake.of_location else None,
        subject_id=run.id,
        facts={
            "import_id": run.id,
            "what": intake.what,
            "file_sha256": run.file_sha256,
            **tally.counts(),
        },
    )
    return tally
