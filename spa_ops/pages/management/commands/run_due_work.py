"""Do one round of all background work here and now, with no queue and no worker."""

from typing import Any

from django.core.management.base import BaseCommand

from spa_ops.celery import app, collected_schedule


class Command(BaseCommand):
    """For a machine without a queue, for a cron line, and for whoever wants to see it happen."""

    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        for name, entry in sorted(collected_schedule().items()):
            self.stdout.write(f"{name}: {app.tasks[entry['task']]()}")
