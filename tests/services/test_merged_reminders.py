"""Reminders of a person of several records: none while one of them is hurt, and never two alike."""

import threading
from datetime import timedelta

import pytest
from django.db import connection

from clients.actions import add_client
from services.actions.incident_reports import report_incident
from services.actions.incidents import strike_incident
from services.actions.merging import merge_client, undo_merge
from services.rules.incidents import IncidentKind
from services.tasks import send_due_reminders
from spa_ops.kernel import clock
from spa_ops.kernel.ids import uuid7
from tests.services import builders as build
from tests.services.test_rebooking import proposed
from tests.services.test_reminders import DUE, carry, log, state  # noqa: F401 - a fixture
from tests.world import LAKE, actor


@pytest.fixture
def both(db):
    """Two records of one person, each with a reminder of 3 June for the same service."""
    return alike()


def alike():
    of = build.service()
    return [reminder(of=of), reminder(of=of)]


def reminder(**fields):
    who = add_client(
        actor=actor("olga"), now=clock.now(), id=uuid7(), location_id=LAKE, name="Invented Nora",
        phone="+13125550123",
    )  # fmt: skip
    build.consent(who.id)
    return proposed(client=who, **fields)


def merge(away, left):
    merge_client(actor=actor("olga"), now=clock.now(), client_id=away.client_id, into_id=left.client_id)  # fmt: skip


def hurt(client_id):
    return report_incident(
        actor=actor("petra"), now=clock.now(), location_id=LAKE, kind=IncidentKind.BURN,
        what_happened="wax too hot", client_id=client_id,
    )  # fmt: skip


@pytest.mark.parametrize("which", [0, 1])
def test_an_open_incident_of_one_record_holds_the_reminders_of_the_other(both, carry, which):  # noqa: F811
    kept, (away, left) = carry(), both
    merge(away, left)
    incident = hurt((away, left)[which].client_id)
    reminder()
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert [state(row)[0] for row in both] == ["waiting", "waiting"]
    strike_incident(
        actor=actor("lena"), now=clock.now(), incident_id=incident.id, reason="somebody else"
    )
    assert send_due_reminders(now=DUE) == {"sent": 1, "already_told": 1}
    assert len(kept) == 2


def test_two_who_are_not_merged_do_not_hold_each_other(both, carry):  # noqa: F811
    kept, (one, other) = carry(), both
    merge(one, other)
    undo_merge(actor=actor("olga"), now=clock.now(), client_id=one.client_id)
    hurt(one.client_id)
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert [m.reference for m in kept] == [other.id]


def test_of_two_reminders_of_one_service_and_day_one_goes_out(both, carry):  # noqa: F811
    kept = carry()
    merge(*both)
    assert send_due_reminders(now=DUE) == {"sent": 1, "already_told": 1}
    assert len(kept) == 1
    assert sorted(state(row)[0] for row in both) == ["not_sent", "sent"]
    assert [f["outcome"] for f in log("reminder.not_sent")] == ["already_told"]
    assert send_due_reminders(now=DUE + timedelta(days=1)) == {}


def test_another_service_or_day_is_another_reminder(db, carry):  # noqa: F811
    kept = carry()
    merge(reminder(), reminder(of=build.service(name="Invented lip wax")))
    assert send_due_reminders(now=DUE) == {"sent": 2}
    assert len(kept) == 2


def test_two_workers_at_once_tell_a_person_once(own_database, carry):  # noqa: F811
    kept, pairs = carry("Slow"), [alike() for _ in range(8)]
    for pair in pairs:
        merge(*pair)
    barrier, counts = threading.Barrier(4), []

    def work():
        try:
            barrier.wait(20)
            counts.append(send_due_reminders(now=DUE))
        finally:
            connection.close()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(kept) == 8
    assert sum(c.get("already_told", 0) for c in counts) == 8
    assert sum(1 for c in counts if c) > 1
    assert {frozenset(state(row)[0] for row in pair) for pair in pairs} == {
        frozenset({"sent", "not_sent"})
    }
