"""A new database for one benchmark, on the server of DATABASE_URL or on an embedded one; dropped after."""

import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from psycopg import sql

from spa_ops.launch import databases, logins
from spa_ops.launch.processes import Stopped, stop_on_signals


@contextmanager
def server() -> Iterator[databases.Database]:
    """The server that the benchmarks use, with fsync as it stands there (the embedded one: on)."""
    stop_on_signals()
    try:
        with tempfile.TemporaryDirectory(prefix="spa-bench-") as folder:
            with databases.database(Path(folder), durable=True) as given:
                yield given
    except Stopped:
        raise SystemExit("Stopped.") from None


@contextmanager
def new_database(given: databases.Database) -> Iterator[databases.Database]:
    """An empty database on that server for the length of the block."""
    name = f"spa_bench_{secrets.token_hex(6)}"
    quoted = sql.Identifier(name)
    with logins.connect(given.owner_url) as owner:
        owner.execute(sql.SQL("CREATE DATABASE {}").format(quoted))
        try:
            yield databases.Database(
                app_url=databases.with_name(given.app_url, name),
                owner_url=databases.with_name(given.owner_url, name),
                source=given.source,
            )
        finally:
            owner.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(quoted))


@contextmanager
def program(given: databases.Database) -> Iterator[databases.Database]:
    """Our program set up in this process over a new, migrated database."""
    with new_database(given) as own:
        os.environ.update(own.environment, SPA_OPS_ENV="test")
        os.environ["DJANGO_SETTINGS_MODULE"] = "spa_ops.settings"
        import django
        from django.core.management import call_command
        from django.db import connections

        django.setup()
        call_command("migrate", database="owner", verbosity=0)
        try:
            yield own
        finally:
            connections.close_all()
