"""manage.py import_visits FILE.ics"""

from typing import Any

from django.core.management.base import CommandParser

from services.imports.visit_intake import DAYS_AHEAD, DAYS_BACK, VisitIntake
from services.management.import_command import ImportCommand, day


class Command(ImportCommand):
    help = (
        "Import visits from a calendar (iCalendar): past ones as history, coming ones with the time"
        " they take of everybody and everything."
    )
    intake = VisitIntake

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument(
            "--ignore-word", action="append", default=[], metavar="WORD",
            help="a label in the calendar that names nobody and nothing, such as a colour",
        )  # fmt: skip
        parser.add_argument(
            "--from", dest="read_from", type=day, help=f"default: {DAYS_BACK} days back"
        )
        parser.add_argument(
            "--until", dest="read_until", type=day, help=f"default: {DAYS_AHEAD} days on"
        )

    def job_options(self, options: dict[str, Any]) -> dict[str, Any]:
        names = ("read_from", "read_until")
        return {name: options[name] for name in names} | {
            "ignored_words": tuple(options["ignore_word"])
        }
