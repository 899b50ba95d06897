"""manage.py import_clients FILE.csv"""

from typing import Any

from django.core.management.base import CommandParser

from services.imports.client_intake import ClientIntake
from services.imports.dates import DateOrder
from services.management.import_command import ImportCommand


class Command(ImportCommand):
    help = "Import clients from a spreadsheet (CSV). They have consented to no message."
    intake = ClientIntake

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--dates", choices=[order.value for order in DateOrder])
        parser.add_argument("--source", default="", help="where the clients' numbers come from")

    def job_options(self, options: dict[str, Any]) -> dict[str, Any]:
        dates = DateOrder(options["dates"]) if options["dates"] else None
        return {"dates": dates, "source": options["source"]}
