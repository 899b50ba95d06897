"""What the three import commands share: their options, what they print, and how they end."""

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any, ClassVar
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import InterfaceError, InternalError, OperationalError, connection
from tqdm import tqdm

from services.imports.cells import fold
from services.imports.importing import Ending, Result, import_file
from services.imports.jobs import Intake, Job
from services.imports.rows import FileRefused, Report, RowError
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Auth, Role, system_actor
from spa_ops.kernel.problems import Problem
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Business, Location, Person
from spa_ops.unit.work import reading

#: Errors printed unless all are asked for; the others are counted by their code.
SHOWN = 50


class Screen:
    """Prints what goes on: the report to standard output, errors and the bar to standard error."""

    def __init__(self, command: BaseCommand, *, all_errors: bool) -> None:
        self._command, self._all = command, all_errors
        self._left = SHOWN
        self.hidden: Counter[str] = Counter()

    def survey(self, report: Report) -> None:
        for sentence in report.sentences():
            self._command.stdout.write(sentence)

    def resumed(self, row: int) -> None:
        self._command.stdout.write(f"Going on behind row {row}, where it was stopped.")

    @contextmanager
    def progress(self, total: int, doing: str) -> Iterator[Callable[[], object]]:
        # On a terminal only; the total counts events, of which a series makes several rows.
        with tqdm(total=total, desc=doing, unit=" rows", disable=None) as bar:
            yield bar.update

    def errors(self, errors: Iterator[RowError]) -> None:
        for error in errors:
            if not self._all and self._left <= 0:
                self.hidden[error.code] += 1
                continue
            self._left -= 1
            self._command.stderr.write(str(error), self._command.style.WARNING)


class ImportCommand(BaseCommand):
    """A dry run, all or nothing, `--skip-bad`; stopped and started again it goes on."""

    intake: ClassVar[Callable[[], Intake]]
    requires_system_checks: ClassVar[list[str]] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--location", default="", help="its name or id")
        parser.add_argument(
            "--business", default="", help="its name or id; needed if there are several"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would happen, change nothing"
        )
        parser.add_argument("--skip-bad", action="store_true", help="leave rows with errors out")
        parser.add_argument("--all-errors", action="store_true", help=f"not only the first {SHOWN}")
        parser.add_argument("--encoding", default="", help="where the file's own is not found out")
        parser.add_argument(
            "--as", dest="login", default="", help="login of the person who imports"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        screen = Screen(self, all_errors=options["all_errors"])
        try:
            be_patient()
            job = self._job(options)
            result = import_file(job, self.intake(), screen)
        except FileRefused as refused:
            raise CommandError(f"{refused.message} [{refused.code}]") from refused
        except Problem as problem:
            raise CommandError(f"Nothing was imported. {problem.detail}") from problem
        except (OperationalError, InterfaceError, InternalError) as error:
            raise CommandError(sentence_for(error)) from error
        except KeyboardInterrupt:
            text = "Stopped; nothing was imported. Run the same command again and it goes on from here."
            raise CommandError(text, returncode=130) from None
        self._summary(job, result, screen)

    def job_options(self, options: dict[str, Any]) -> dict[str, Any]:
        """What this kind of import takes besides the common options."""
        return {}

    def _job(self, options: dict[str, Any]) -> Job:
        business_id = _business(options["business"])
        with reading(business_id):
            place = _location(options["location"])
            actor = _actor(business_id, options["login"], place)
        return Job(
            actor=actor,
            location=place,
            path=options["file"],
            now=clock.now(),
            encoding=options["encoding"],
            skip_bad=options["skip_bad"],
            dry_run=options["dry_run"],
            **self.job_options(options),
        )

    def _summary(self, job: Job, result: Result, screen: Screen) -> None:
        tally = result.tally
        for code, count in sorted(screen.hidden.items()):
            self.stderr.write(f"Not shown: {count} more of [{code}]. --all-errors shows them.")
        for remark in tally.remarks[: None if screen.hidden else SHOWN]:
            self.stdout.write(remark)
        for what, count in sorted(tally.noted.items()):
            if count:
                self.stdout.write(f"{count} x {what}.")
        would = "" if result.ending is Ending.IMPORTED else "would be "
        self.stdout.write(
            f"{tally.rows} rows: {tally.added} {would}added, {tally.already_there} here already,"
            f" {tally.linked} {would}linked to {job.location.name}, {tally.cancelled} {would}cancelled,"
            f" {tally.left_out} with errors."
        )
        if result.ending is Ending.REFUSED:
            raise CommandError(
                "Refused; nothing was changed. Correct the rows above, or leave them out with --skip-bad."
            )
        if result.ending is Ending.TRIED:
            self.stdout.write("Dry run: nothing was changed.")
        else:
            self.stdout.write(self.style.SUCCESS(f"Imported {job.path.name}."))


def be_patient() -> None:
    """Let this session think for a minute between two statements: it is nobody's web request."""
    with connection.cursor() as cursor:
        cursor.execute("SET idle_in_transaction_session_timeout = '60s'")


def sentence_for(error: Exception) -> str:
    """What a failure of the database means to whoever imports, and what to do."""
    state = getattr(error.__cause__, "sqlstate", None) or ""
    if state.startswith("53"):
        return (
            "The database has no room left (disk, memory or connections); nothing was imported. Make"
            " room and run the same command again: what is staged is kept."
        )
    if state == "57014":
        return "The database stopped the statement as too long; nothing was imported. Try again."
    return (
        "The connection to the database was lost; nothing was imported. When the server is back, run"
        " the same command again: what is staged is kept, and nothing comes twice."
    )


def _business(wanted: str) -> UUID:
    names: dict[UUID, str] = {}
    for business_id in tenancy.business_ids():
        with reading(business_id):
            names[business_id] = Business.objects.values_list("name", flat=True).get(id=business_id)
    return _one("business", names, wanted)


def _location(wanted: str) -> Location:
    places = {place.id: place for place in Location.objects.order_by("name")}
    return places[_one("location", {i: place.name for i, place in places.items()}, wanted)]


def _one(what: str, names: dict[UUID, str], wanted: str) -> UUID:
    """The only one, or the one that is called or numbered as wanted."""
    if not names:
        raise CommandError(f"There is no {what} yet. Set one up first.")
    found = [i for i, name in names.items() if wanted == str(i) or fold(name) == fold(wanted)]
    if not wanted:
        found = list(names)
    if len(found) == 1:
        return found[0]
    known = ", ".join(sorted(f"{name} ({i})" for i, name in names.items()))
    said = f"{len(found)} are called so" if found and wanted else "Say which"
    raise CommandError(f"{said} with --{what}. Known: {known}.")


def _actor(business_id: UUID, login: str, place: Location) -> Actor:
    """The system, or the person named, who must be an owner or a lead there."""
    if not login:
        return system_actor(business_id)
    person = Person.objects.filter(login=login, active=True).first()
    held = tenancy.memberships(person.id, clock.now()) if person else []
    for row in held:
        may_import = row.role in {Role.OWNER, Role.LEAD}
        if person and may_import and (row.location_id is None or row.location_id == place.id):
            return Actor(
                business_id=business_id,
                role=Role(row.role),
                auth=Auth.SYSTEM,
                person_id=person.id,
                location_id=row.location_id,
            )
    raise CommandError(f"{login!r} is not the login of an owner or lead of {place.name}.")


def day(text: str) -> date:
    """A day as an option's value."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day such as 2026-03-31") from None
