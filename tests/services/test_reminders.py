"""The reminder job: what it sends, what it settles, and that nothing goes out twice."""

import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection

from compliance.ledger.queries import entries, verification
from services.actions import rebooking
from services.models import LineState
from services.tasks import BEAT, send_due_reminders
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading, run, snapshot
from tests.services import builders as build
from tests.services.carriers import Kept
from tests.services.processes import environment
from tests.services.test_rebooking import proposed
from tests.world import BUSINESS, LAKE

#: 10:00 in Chicago a week before 3 June 2026.
DUE = datetime(2026, 5, 27, 15, tzinfo=UTC)


@pytest.fixture
def carry(settings):
    """Choose the transport by its name in tests.services.carriers; gives what was kept."""
    Kept.messages = []

    def choose(name="Kept"):
        settings.REMINDER_TRANSPORT = f"tests.services.carriers.{name}"
        return Kept.messages

    return choose


def waiting(*, agreed=True, **client):
    """A reminder of 3 June for a client who agreed to text messages, or did not."""
    who = build.client(**client)
    if agreed:
        build.consent(who.id)
    return proposed(client=who)


def log(kind):
    with reading(BUSINESS):
        return [e["facts"] for e in entries(LAKE, kinds=[kind])]


def state(row):
    found = build.fresh(row)
    return found.state, found.outcome


def test_a_due_reminder_is_sent_once_and_is_an_entry(db, carry):
    kept, row = carry(), waiting()
    assert send_due_reminders(now=DUE - timedelta(microseconds=1)) == {}
    assert send_due_reminders(now=DUE) == {"sent": 1}
    (message,) = kept
    assert (message.channel, message.recipient, message.reference) == (
        "sms",
        "+13125550123",
        row.id,
    )
    assert message.text == (
        "Lake: your next visit is due around 3 June 2026. Reply stop to get no more reminders."
    )
    assert state(row) == ("sent", "sms")
    assert build.fresh(row).settled_at == DUE
    assert log("reminder.sent") == [
        {
            "rebooking_id": str(row.id),
            "line_id": str(row.line_id),
            "rebook_on": "2026-06-03",
            "channel": "sms",
        }
    ]
    for later in (timedelta(0), timedelta(minutes=30), timedelta(days=3)):
        assert send_due_reminders(now=DUE + later) == {}
    assert len(kept) == 1
    with snapshot(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole


@pytest.mark.parametrize(
    ("case", "outcome"),
    [
        ({"agreed": False}, "no_consent"),
        ({"phone": ""}, "no_address"),
        ({"phone": "", "email": ""}, "no_address"),
    ],
)
def test_without_consent_or_address_nothing_goes_out_and_the_entry_says_why(
    db, carry, case, outcome
):
    kept, row = carry(), waiting(**case)
    assert send_due_reminders(now=DUE) == {outcome: 1}
    assert (kept, state(row)) == ([], ("not_sent", outcome))
    assert [f["outcome"] for f in log("reminder.not_sent")] == [outcome]
    assert send_due_reminders(now=DUE) == {}


def test_consent_is_asked_when_it_is_sent_not_when_it_was_planned(db, carry, now):
    kept, row = carry(), waiting()
    with build.clock.stopped_at(now + timedelta(days=1)):
        build.consent(row.client_id, given=False)
    assert send_due_reminders(now=DUE) == {"no_consent": 1}
    assert (kept, state(row)) == ([], ("not_sent", "no_consent"))


def test_mail_goes_by_its_own_consent(db, carry):
    kept, row = carry(), waiting(agreed=False)
    build.consent(row.client_id, "email_messages")
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert (kept[0].channel, kept[0].recipient) == ("email", "nora@invented.example")
    assert state(row) == ("sent", "email")


GERDA = {"name": "Invented Gerda", "relation": "mother", "phone": "+13125550199", "email": ""}


@pytest.mark.parametrize(
    ("born", "guardian", "outcome", "sent_to"),
    [
        # 18 on the day before the reminder, and on the day after it (trade-facts 7.27: under 18).
        (date(2008, 5, 26), GERDA, "sent", ["+13125550123"]),
        (date(2008, 5, 28), GERDA, "sent", ["+13125550199"]),
        (date(2008, 5, 28), None, "no_address", []),
    ],
)
def test_a_minors_reminder_goes_to_the_guardian_or_to_nobody(
    db, carry, born, guardian, outcome, sent_to
):
    kept = carry()
    waiting(birth_date=born, guardian=guardian)
    assert send_due_reminders(now=DUE) == {outcome: 1}
    assert [message.recipient for message in kept] == sent_to


def book(row, at, state=LineState.PLANNED, **fields):
    """Another visit of the same client."""
    with reading(BUSINESS):
        client = build.Client.objects.get(id=row.client_id)
    build.visit(state, client=client, starts_at=at, **fields)


@pytest.mark.parametrize(
    ("fields", "at"),
    [
        ({}, DUE + timedelta(days=10)),
        # The same area by another method, and an appointment earlier on the same day.
        ({"name": "Invented brow tint", "method": "tint"}, DUE + timedelta(days=200)),
        ({}, DUE - timedelta(hours=9)),
    ],
)
def test_a_client_who_has_booked_again_is_left_alone(db, carry, fields, at):
    kept, row = carry(), waiting()
    book(row, at, of=build.service(**fields))
    assert send_due_reminders(now=DUE) == {"already_booked": 1}
    assert (kept, state(row)) == ([], ("not_sent", "already_booked"))


def test_the_same_service_booked_by_its_id_counts_whatever_its_area_is_called(db, carry):
    kept, row = carry(), waiting()
    with reading(BUSINESS):
        same = build.Service.objects.get(id=row.service_id)
    book(row, DUE + timedelta(days=3), of=same, line={"area": "full_face"})
    assert send_due_reminders(now=DUE) == {"already_booked": 1}
    assert kept == []


def test_other_areas_cancelled_past_and_other_peoples_visits_are_no_reason(db, carry):
    kept, row, ahead = carry(), waiting(), DUE + timedelta(days=10)
    book(row, ahead, of=build.service(name="Invented facial", area="face", method="facial"))
    book(row, ahead, state=LineState.DROPPED)
    book(row, DUE - timedelta(days=1))
    with reading(BUSINESS):
        client = build.Client.objects.get(id=row.client_id)
    build.visit(LineState.PLANNED, client=client, starts_at=ahead, state="cancelled")
    build.visit(LineState.PLANNED, starts_at=ahead)
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert len(kept) == 1


@pytest.mark.parametrize(
    ("zone", "at", "opens"),
    [
        # Chicago: 21:00:00 is closed (47 CFR 64.1200(c)(1), trade-facts 12.02).
        ("", datetime(2026, 5, 28, 2), datetime(2026, 5, 28, 13)),
        ("", datetime(2026, 5, 28, 12, 59, 59), datetime(2026, 5, 28, 13)),
        # The Chatham Islands, 12 h 45 min ahead: 21:00 there is 08:15 UTC.
        ("Pacific/Chatham", datetime(2026, 5, 28, 8, 15), datetime(2026, 5, 28, 19, 15)),
    ],
)
def test_outside_the_clients_hours_it_waits_for_the_morning(db, carry, zone, at, opens):
    kept, row = carry(), waiting(zone=zone)
    at, opens = at.replace(tzinfo=UTC), opens.replace(tzinfo=UTC)
    assert send_due_reminders(now=at) == {"outside_hours": 1}
    assert (kept, state(row)) == ([], ("waiting", ""))
    assert build.fresh(row).remind_at == opens
    assert send_due_reminders(now=opens - timedelta(seconds=1)) == {}
    assert send_due_reminders(now=opens) == {"sent": 1}
    assert len(kept) == 1


def test_a_late_one_is_sent_up_to_its_date_and_not_after(db, carry):
    kept, row, other = carry(), waiting(), waiting()
    rebooking.change_rebooking(
        actor=system_actor(BUSINESS),
        now=build.clock.now(),
        rebooking_id=other.id,
        rebook_on=datetime(2026, 6, 2).date(),
    )
    # 20:59 in Chicago on 3 June: the last minute for the one, a day late for the other.
    assert send_due_reminders(now=datetime(2026, 6, 4, 1, 59, tzinfo=UTC)) == {
        "sent": 1,
        "too_late": 1,
    }
    assert [m.reference for m in kept] == [row.id]
    assert [f["outcome"] for f in log("reminder.not_sent")] == ["too_late"]


def test_a_withdrawn_date_sends_nothing(db, carry):
    kept, row = carry(), waiting()
    rebooking.withdraw_rebooking(
        actor=system_actor(BUSINESS), now=build.clock.now(), rebooking_id=row.id
    )
    assert send_due_reminders(now=DUE) == {}
    assert kept == []


def test_a_refusal_is_final_and_an_unreachable_transport_is_tried_again(db, carry):
    carry("Refusing")
    refused = waiting()
    assert send_due_reminders(now=DUE) == {"refused": 1}
    assert state(refused) == ("not_sent", "refused")
    carry("Away")
    row = waiting()
    assert send_due_reminders(now=DUE) == {"put_off": 1}
    assert state(row) == ("waiting", "")
    assert build.fresh(row).remind_at == DUE + timedelta(minutes=10)
    kept = carry()
    assert send_due_reminders(now=DUE + timedelta(minutes=10)) == {"sent": 1}
    assert len(kept) == 1
    assert len(log("reminder.sent")) == 1


def test_a_failure_that_leaves_it_open_is_said_to_be_open_and_not_tried_again(db, carry, caplog):
    carry("Broken")
    row = waiting()
    assert send_due_reminders(now=DUE) == {"stopped": 1}
    assert "the line went dead" in caplog.text
    assert state(row) == ("sending", "sms")
    kept = carry()
    assert send_due_reminders(now=DUE + timedelta(minutes=9)) == {}
    assert send_due_reminders(now=DUE + timedelta(minutes=10)) == {"unconfirmed": 1}
    assert (kept, state(row)) == ([], ("unconfirmed", "sms"))
    assert [f["channel"] for f in log("reminder.unconfirmed")] == ["sms"]
    assert send_due_reminders(now=DUE + timedelta(days=2)) == {}


def test_the_console_prints_one_line_with_the_recipient_masked(db, capsys):
    waiting()
    assert send_due_reminders(now=DUE) == {"sent": 1}
    printed = capsys.readouterr().out
    assert printed.count("\n") == 1
    assert printed.startswith("sms to ***23: Lake: your next visit is due around 3 June 2026.")
    assert "5550123" not in printed


def test_nothing_due_costs_one_look_a_business(db, carry):
    carry()
    assert send_due_reminders() == {}
    assert BEAT["send-due-reminders"] == (send_due_reminders.name, 30)


def test_many_due_ones_all_go_out_each_once(db, carry):
    kept, rows = carry(), [waiting() for _ in range(25)]
    assert send_due_reminders(now=DUE) == {"sent": 25}
    assert {m.reference for m in kept} == {r.id for r in rows}
    assert len(kept) == 25


def test_workers_at_once_send_each_message_once(own_database, carry):
    kept, rows = carry("Slow"), [waiting() for _ in range(20)]
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
    assert sorted(m.reference for m in kept) == sorted(r.id for r in rows)
    assert sum(c.get("sent", 0) for c in counts) == 20
    assert not any("stopped" in c for c in counts)
    # More than one had a part in it, else this proves nothing.
    assert sum(1 for c in counts if c) > 1
    assert len(log("reminder.sent")) == 20


CHILD = """
import django
django.setup()
from datetime import datetime
from django.conf import settings
from services.tasks import send_due_reminders
settings.REMINDER_TRANSPORT = "tests.services.carriers.Stuck"
send_due_reminders(now=datetime.fromisoformat("{at}"))
"""


def test_a_worker_killed_while_sending_does_not_make_a_second_message(
    own_database, carry, tmp_path
):
    row = waiting()
    sent_file = tmp_path / "handed over"
    worker = subprocess.Popen(
        [sys.executable, "-c", CHILD.format(at=DUE.isoformat())],
        env=environment(SPA_TEST_STUCK_FILE=str(sent_file)),
        stderr=subprocess.PIPE,
    )
    try:
        give_up = time.monotonic() + 60
        while not sent_file.exists() and worker.poll() is None and time.monotonic() < give_up:
            time.sleep(0.05)
        assert sent_file.exists(), worker.stderr.read() if worker.poll() is not None else "slow"
        assert sent_file.read_text() == str(row.id)
    finally:
        worker.send_signal(signal.SIGKILL)
        worker.communicate()
    # The message had gone out, and whoever could have said so is dead.
    kept = carry()
    assert send_due_reminders(now=DUE + timedelta(minutes=1)) == {}
    assert state(row) == ("sending", "sms")
    assert send_due_reminders(now=DUE + timedelta(minutes=10)) == {"unconfirmed": 1}
    assert send_due_reminders(now=DUE + timedelta(days=1)) == {}
    assert (kept, state(row)) == ([], ("unconfirmed", "sms"))


def test_a_worker_that_dies_before_it_took_the_reminder_leaves_it_to_others(own_database, carry):
    kept, row, worker = carry(), waiting(), system_actor(BUSINESS)

    def dies():
        rebooking.claim_due_reminder(actor=worker, now=DUE)
        raise SystemExit

    with pytest.raises(SystemExit):
        run(dies, actor=worker, now=DUE)
    assert state(row) == ("waiting", "")
    assert send_due_reminders(now=DUE) == {"sent": 1}
    assert len(kept) == 1
