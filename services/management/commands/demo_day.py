"""Play the demonstration day against a running private instance and give an account of it."""

import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from services.demo_day.callers import Refused
from services.demo_day.story import DayFailed, play


class Command(BaseCommand):
    """`make demo` starts a private instance, then runs this."""

    help = __doc__
    requires_system_checks: list[str] = []

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.ENV == "production":
            raise CommandError("The demonstration day is played in development only.")
        try:
            base_url = os.environ["SPA_OPS_BASE_URL"]
            clock_file = Path(os.environ["SPA_OPS_CLOCK_OFFSET_FILE"])
        except KeyError as missing:
            raise CommandError(f"{missing} is not set: start this with `make demo`.") from missing
        sign_ins = clock_file.parent / "demo-sign-ins.json"
        try:
            play(base_url, sign_ins, clock_file, self.stdout.write)
        except (DayFailed, Refused) as error:
            raise CommandError(f"The day did not go as told: {error}") from error
