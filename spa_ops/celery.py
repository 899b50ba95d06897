"""Background work: the Celery application, its schedule, and a beat that survives a clock set back.

A message only wakes. The rows are the queue: each task is one action call that is safe to run twice,
and its sweep, on beat, finds what no message announced.
"""

import os
import time
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from celery import Celery
from celery.beat import Scheduler
from celery.utils.log import get_logger
from django.apps import AppConfig, apps

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "spa_ops.settings")
app = Celery("spa_ops")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()

log = get_logger(__name__)
#: Time servers slew or step by less; a person or a resumed machine sets it back by more.
JUMP_SECONDS = 5.0


class Background(AppConfig):
    """Among the installed apps, so that whatever starts Django sends its tasks to our broker."""

    name = "spa_ops"
    label = "spa_ops"


def collected_schedule() -> dict[str, dict[str, Any]]:
    """What beat announces: `BEAT` of each app's `tasks`, a name to (task name, seconds between)."""
    schedule: dict[str, dict[str, Any]] = {}
    for config in apps.get_app_configs():
        if find_spec(f"{config.name}.tasks") is None:
            continue
        beats = getattr(import_module(f"{config.name}.tasks"), "BEAT", {})
        for name, (task, seconds) in beats.items():
            # While no worker runs, messages would pile up: an old one says nothing that a new one doesn't.
            options = {"expires": 2 * seconds}
            schedule[f"{config.label}.{name}"] = {
                "task": task,
                "schedule": seconds,
                "options": options,
            }
    return schedule


class WallClockScheduler(Scheduler):
    """Beat's schedule in memory, begun anew when the wall clock is set back.

    Beat plans by the wall clock: after it went back an hour, the next run would be an hour away.
    """

    wall: Callable[[], float] = staticmethod(time.time)
    monotonic: Callable[[], float] = staticmethod(time.monotonic)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._ahead = self.wall() - self.monotonic()
        super().__init__(*args, **kwargs)

    def setup_schedule(self) -> None:
        self.app.conf.beat_schedule = collected_schedule()
        super().setup_schedule()

    def tick(self, *args: Any, **kwargs: Any) -> float:
        ahead = self.wall() - self.monotonic()
        if ahead < self._ahead - JUMP_SECONDS:
            log.warning(
                "The clock went back %.0f s: the schedule begins anew.", self._ahead - ahead
            )
            self.begin_anew()
        self._ahead = ahead
        show_life()
        return float(super().tick(*args, **kwargs))

    def begin_anew(self) -> None:
        """Count each interval from now, as after a restart."""
        for entry in self.schedule.values():
            entry.last_run_at = entry.default_now()
        self._heap = None


def show_life() -> None:
    """Touch the file that a health check looks at, where one is named."""
    if name := os.environ.get("SPA_OPS_BEAT_FILE"):
        Path(name).touch()
