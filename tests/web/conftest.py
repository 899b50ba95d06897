"""The database of a busy day, for tests that go through the whole API."""

from collections.abc import Iterator

import pytest
from django.conf import settings
from django.db import connections

from spa_ops.kernel import clock
from tests.conftest import NOON, _clone, _drop, _point_at
from tests.web import busy_day


@pytest.fixture(scope="session")
def busy_template(template_database, django_db_setup, django_db_blocker) -> Iterator[str]:
    """A clone of the template on which `busy_day` has happened."""
    before = settings.DATABASES["default"]["NAME"]
    name = _clone(template_database, "spa_test")
    _point_at(name)
    with django_db_blocker.unblock(), clock.stopped_at(NOON):
        busy_day.build()
        connections.close_all()
    _point_at(before)
    yield name
    _drop(name)


@pytest.fixture(scope="module")
def busy_database(busy_template) -> Iterator[str]:
    """What this module's tests roll back to."""
    before = settings.DATABASES["default"]["NAME"]
    _point_at(busy_template)
    yield busy_template
    _point_at(before)
