"""A Celery application of its own for trying the queue: each task leaves a row behind.

Its broker has the program's own settings but for the time after which a lost message comes back.
"""

import os
import time

import psycopg
from celery import Celery
from django.conf import settings
from psycopg.conninfo import conninfo_to_dict, make_conninfo

LOST_AFTER_SECONDS = 5
database = os.environ.get("TRIAL_DATABASE_URL", "")
words = {k: v for k, v in conninfo_to_dict(database).items() if v is not None}

app = Celery("trial", broker="pgmq://", set_as_current=False)
app.config_from_object("django.conf:settings", namespace="CELERY")
app.conf.broker_url = "pgmq://"
app.conf.broker_transport_options = {
    "init_extension": False,
    "pool_size": 4,
    "wait_time_seconds": 0,
    "polling_interval": 0.2,
    **settings.CELERY_BROKER_TRANSPORT_OPTIONS,
    "visibility_timeout": LOST_AFTER_SECONDS,
    "conn_string": make_conninfo(**words),
}
app.conf.worker_enable_remote_control = False
app.conf.task_time_limit = 4
app.conf.task_soft_time_limit = 3


@app.task(name="trial.work")
def work(number: int) -> None:
    """Take a moment, then note the number."""
    time.sleep(0.03)
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("INSERT INTO done (number) VALUES (%s)", [number])
