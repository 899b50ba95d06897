"""Databases and callers for the tests. A real PostgreSQL always: DATABASE_URL's, or the embedded one.

One template is migrated and given two invented businesses; each worker clones it once, and a test
that needs real commits clones its own (tens of milliseconds): nothing is ever flushed, which the
evidence triggers would refuse.
"""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import hypothesis
import psycopg
import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import connections
from filelock import FileLock

from spa_ops.kernel import clock
from tests import world
from tests.callers import call  # noqa: F401 - a fixture

# A loaded machine is no reason to fail: no deadline. HYPOTHESIS_PROFILE=merge or night for more examples.
for _name, _examples in (("dev", 25), ("merge", 200), ("night", 5000)):
    hypothesis.settings.register_profile(_name, deadline=None, max_examples=_examples)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "dev"))

#: Wednesday noon in Chicago: both locations of the invented business are open.
NOON = datetime(2026, 5, 6, 17, 0, tzinfo=UTC)


@contextmanager
def _server() -> Iterator[psycopg.Connection]:
    """A connection to the server's maintenance database, as the owner."""
    parameters = connections["owner"].get_connection_params()
    names = {k: parameters[k] for k in ("host", "port", "user", "password") if parameters.get(k)}
    with psycopg.connect(
        **names, dbname=os.environ.get("SPA_OPS_MAINTENANCE_DB", "postgres"), autocommit=True
    ) as server:
        yield server


def _point_at(name: str) -> None:
    for alias in ("default", "owner"):
        connections[alias].close()
        connections[alias].settings_dict["NAME"] = name
        settings.DATABASES[alias]["NAME"] = name


def _clone(template: str, prefix: str) -> str:
    name = f"{prefix}_{secrets.token_hex(6)}"
    with _server() as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
    return name


def _drop(name: str) -> None:
    with _server() as server:
        server.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.fixture(scope="session")
def template_database(tmp_path_factory, django_db_blocker) -> Iterator[str]:
    """The migrated and seeded template, made once for all workers; removed by the last to leave."""
    root = tmp_path_factory.getbasetemp()
    shared = root.parent if "PYTEST_XDIST_WORKER" in os.environ else root
    marker, users = shared / "template", shared / "template.users"
    with FileLock(shared / "template.lock"):
        if not marker.exists():
            name = f"spa_test_{secrets.token_hex(6)}"
            with _server() as server:
                server.execute(f'CREATE DATABASE "{name}"')
            _point_at(name)
            with django_db_blocker.unblock():
                call_command("migrate", database="owner", verbosity=0)
                with clock.stopped_at(NOON):
                    world.build()
                connections["default"].close()
                connections["owner"].close()
            marker.write_text(name)
        name = marker.read_text()
        users.write_text(str(int(users.read_text()) + 1 if users.exists() else 1))
    yield name
    with FileLock(shared / "template.lock"):
        left = int(users.read_text()) - 1
        users.write_text(str(left))
        if left == 0:
            _drop(name)
            marker.unlink()


@pytest.fixture(scope="session")
def django_db_setup(template_database) -> Iterator[None]:
    """One clone for this worker's tests that roll back (pytest-django's `db`)."""
    name = _clone(template_database, "spa_test")
    _point_at(name)
    yield
    _point_at(name)
    _drop(name)


@pytest.fixture
def own_database(template_database, django_db_setup, django_db_blocker) -> Iterator[str]:
    """A database of the test's own: real commits, threads and processes."""
    before = settings.DATABASES["default"]["NAME"]
    name = _clone(template_database, "spa_test")
    _point_at(name)
    with django_db_blocker.unblock():
        yield name
        connections.close_all()
    _point_at(before)
    _drop(name)


@pytest.fixture(autouse=True)
def _stopped_clock() -> Iterator[None]:
    """Tests run at NOON unless they say otherwise."""
    with clock.stopped_at(NOON):
        yield


@pytest.fixture
def now() -> datetime:
    return NOON
