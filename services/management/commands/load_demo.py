"""manage.py load_demo: the invented business, loaded through the same import commands as anybody's."""

import json
import os
import tempfile
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any, ClassVar

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from services.imports import demo_business, demo_loading, demo_upkeep
from services.imports.make_demo_files import demo_files
from services.management.import_command import be_patient
from services.models import ImportRun, RunState
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Role, system_actor
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy import queries
from spa_ops.unit.work import reading

SIGN_INS = "demo-sign-ins.json"
#: Command, file and location, in the order in which they need each other.
IMPORTS = (
    ("import_services", "services.csv", demo_business.LAKESIDE.name),
    ("import_clients", "clients-lakeside.csv", demo_business.LAKESIDE.name),
    ("import_clients", "clients-harborside.csv", demo_business.HARBORSIDE.name),
    ("import_visits", "visits-lakeside.ics", demo_business.LAKESIDE.name),
)


class Command(BaseCommand):
    help = "Load the invented demo business, for trying the program out. Never in production."
    requires_system_checks: ClassVar[list[str]] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--if-empty", action="store_true", help="do nothing if there is a business"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.ENV == "production":
            raise CommandError("The demo business is never loaded in production (SPA_OPS_ENV).")
        be_patient()
        there = queries.business_ids()
        is_ours = demo_loading.BUSINESS_ID in there
        # A load that was stopped goes on; whatever else is there is left alone.
        if there and (not is_ours or (_is_complete() and sign_ins_path().exists())):
            if options["if_empty"]:
                return
            raise CommandError(
                "There is a business already; the demo is loaded into an empty program."
            )
        now = clock.now()
        files = demo_files(_monday(now))
        demo = json.loads(files["business.json"])
        self.stdout.write(f"Setting up {demo['business']} (invented).")
        demo_loading.set_up(demo, now)
        demo_upkeep.live_a_day(demo_loading.BUSINESS_ID, demo_loading.demo_id, now)
        demo_loading.stock_up(demo, now)
        self._import(files)
        demo_loading.grant_skills(demo, now)
        demo_upkeep.use_a_kit(demo_loading.BUSINESS_ID, demo_loading.demo_id, now)
        path = _write_sign_ins(demo, now)
        self.stdout.write(f"The demo business is loaded; its sign-ins are in {path}.")

    def _import(self, files: dict[str, bytes]) -> None:
        with tempfile.TemporaryDirectory() as folder:
            for name, content in files.items():
                Path(folder, name).write_bytes(content)
            for command, name, place in IMPORTS:
                said = StringIO()
                call_command(
                    command,
                    str(Path(folder, name)),
                    business=str(demo_loading.BUSINESS_ID),
                    location=place,
                    skip_bad=True,
                    stdout=said,
                    # What is wrong with these rows is the files' own joke; the commands show it.
                    stderr=StringIO(),
                )
                self.stdout.write(f"{name}: {said.getvalue().splitlines()[-2]}")


def _monday(now: datetime) -> Any:
    today = clock.local_date(now, demo_business.LAKESIDE.zone)
    return today - timedelta(days=today.weekday())


def _is_complete() -> bool:
    """Whether the last of the imports has ended; the skills follow in a moment, and are granted again."""
    with reading(demo_loading.BUSINESS_ID):
        return ImportRun.objects.filter(what="visits", state=RunState.COMPLETED).exists()


def sign_ins_path() -> Path:
    """Where the sign-ins of the demo are written."""
    # SPA_OPS_DATA is what the launcher calls the folder in which an instance keeps everything.
    folder = os.environ.get("SPA_OPS_DATA_DIR") or os.environ.get("SPA_OPS_DATA")
    return Path(folder or settings.BASE_DIR / ".data", SIGN_INS)


def _write_sign_ins(demo: dict[str, Any], now: datetime) -> Path:
    place = demo["locations"][0]
    location_id = demo_loading.demo_id(place["name"])
    with reading(demo_loading.BUSINESS_ID):
        people = demo_loading.people()
    rows = [
        {
            "role": role.value,
            "name": name,
            "login": people[name].login,
            "password": demo_loading.PASSWORDS[role],
            "pin": "" if role is Role.INSPECTOR else demo_loading.PIN,
            "location": place["name"],
            "location_id": str(location_id),
            "person_id": str(people[name].id),
        }
        for role, name in sorted(demo_loading.sign_ins(demo).items())
    ]
    device = tenancy.register_device(
        actor=system_actor(demo_loading.BUSINESS_ID),
        now=now,
        location_id=location_id,
        name="Tablet at the desk",
    )
    rows.append(
        {
            "role": Role.DEVICE.value,
            "name": "Tablet at the desk",
            "login": "",
            "password": "",
            "pin": "",
            "location": place["name"],
            "location_id": str(location_id),
            "token": device.secret,
        }
    )
    path = sign_ins_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(rows, indent=2) + "\n", encoding="utf-8")
    path.chmod(0o600)
    return path
