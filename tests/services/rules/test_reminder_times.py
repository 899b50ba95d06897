"""When a reminder is due and what then happens, against dateutil's clocks and calendars."""

from datetime import UTC, date, datetime, time, timedelta
from uuid import UUID

import pytest
from dateutil import tz
from dateutil.relativedelta import relativedelta
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from compliance.requirements.rules.sending_hours import SendingHours
from services.rules.reminders import (
    CONSENT_FOR,
    REMIND_AT,
    Channel,
    Message,
    NotSent,
    Send,
    WaitUntil,
    decide,
    masked,
    rebooking_date,
    remind_at,
    reminder_text,
)

#: 47 CFR 64.1200(c)(1), trade-facts 12.01 and 12.02: 8 am to 9 pm, 21:00:00 itself closed.
HOURS = SendingHours(opens=time(8), closes=time(21))
#: Whole, half and three-quarter hours, both hemispheres, with and without summer time.
ZONES = [
    "America/Chicago", "America/New_York", "America/St_Johns", "America/Phoenix", "Europe/London",
    "Europe/Berlin", "Asia/Kathmandu", "Asia/Kolkata", "Asia/Tokyo", "Australia/Lord_Howe",
    "Australia/Sydney", "Pacific/Apia", "Pacific/Auckland", "Pacific/Chatham", "UTC",
]  # fmt: skip
zones = st.sampled_from(ZONES)
days = st.dates(date(2005, 1, 1), date(2036, 12, 31))
instants = st.datetimes(datetime(2005, 1, 1), datetime(2036, 12, 31), timezones=st.just(UTC))
BOTH = dict.fromkeys(CONSENT_FOR.values(), True)
REACHED = {Channel.SMS: "+13125550123", Channel.EMAIL: "nora@invented.example"}


def wall(at, zone):
    """What a clock on the wall shows, by dateutil."""
    return at.astimezone(tz.gettz(zone)).replace(tzinfo=None)


@given(days, zones)
def test_a_reminder_is_due_seven_days_before_at_ten(day, zone):
    shown = wall(remind_at(day, zone, HOURS), zone)
    missing = zone == "Pacific/Apia" and day - timedelta(days=7) == date(2011, 12, 30)
    assert shown == datetime.combine(day - timedelta(days=6 if missing else 7), time(10))


# An opening at night may fall into the hour that a clock change leaves out; nobody opens then.
@given(days, zones, st.integers(5, 22), st.integers(1, 18))
def test_it_is_always_due_within_the_sending_hours(day, zone, opens, length):
    assume(opens + length < 24)
    hours = SendingHours(opens=time(opens), closes=time(opens + length))
    due = remind_at(day, zone, hours)
    assert hours.opens <= wall(due, zone).time() < hours.closes
    assert due >= remind_at(day, zone, SendingHours(opens=time(0), closes=time.max))


@pytest.mark.parametrize(
    ("rebook_on", "zone", "utc"),
    [
        # US daylight saving starts 2026-03-08 and ends 2026-11-01 (15 USC 260a).
        (date(2026, 3, 14), "America/Chicago", datetime(2026, 3, 7, 16)),
        (date(2026, 3, 15), "America/Chicago", datetime(2026, 3, 8, 15)),
        (date(2026, 11, 8), "America/Chicago", datetime(2026, 11, 1, 16)),
        # The Chatham Islands are 45 minutes off: +12:45, from 2026-09-27 +13:45.
        (date(2026, 10, 3), "Pacific/Chatham", datetime(2026, 9, 25, 21, 15)),
        (date(2026, 10, 4), "Pacific/Chatham", datetime(2026, 9, 26, 20, 15)),
        (date(2026, 4, 12), "Pacific/Chatham", datetime(2026, 4, 4, 21, 15)),
        # Samoa had no 30 December 2011: ten o'clock of that day was ten o'clock of the next.
        (date(2012, 1, 6), "Pacific/Apia", datetime(2011, 12, 30, 20)),
    ],
)
def test_due_times_on_days_when_clocks_change(rebook_on, zone, utc):
    assert remind_at(rebook_on, zone, HOURS) == utc.replace(tzinfo=UTC)


@given(instants, zones, st.integers(1, 52))
def test_the_rebooking_date_counts_from_the_local_day(finished_at, zone, weeks):
    found = rebooking_date(finished_at, zone, weeks)
    assert found == wall(finished_at, zone).date() + relativedelta(weeks=weeks)


def test_a_late_finish_counts_from_the_local_day_not_from_utcs():
    # 23:30 on 5 May in Chicago is 6 May in UTC. Facial waxing: 4 weeks (common practice, no source).
    at = datetime(2026, 5, 6, 4, 30, tzinfo=UTC)
    assert rebooking_date(at, "America/Chicago", 4) == date(2026, 6, 2)


def decided(now, zone="UTC", rebook_on=date(2026, 6, 3), **case):
    usual = {"consents": BOTH, "addresses": REACHED, "is_booked": False, "is_told": False}
    return decide(now=now, zone=zone, rebook_on=rebook_on, hours=HOURS, **(usual | case))


@pytest.mark.parametrize(
    ("clock_time", "sends"),
    [
        (time(7, 59, 59), False),
        (time(8), True),
        (time(20, 59, 59, 999999), True),
        (time(21), False),
        (time(23, 59), False),
    ],
)
@pytest.mark.parametrize("zone", ["America/Chicago", "Pacific/Chatham", "Asia/Kathmandu"])
def test_nothing_goes_out_outside_the_hours(zone, clock_time, sends):
    # The edges of 47 CFR 64.1200(c)(1); 21:00:00 is closed.
    now = datetime.combine(date(2026, 5, 27), clock_time, tz.gettz(zone)).astimezone(UTC)
    assert isinstance(decided(now, zone), Send) is sends


consents = st.fixed_dictionaries(
    {}, optional={purpose: st.booleans() for purpose in ("sms_messages", "email_messages")}
)
addresses = st.fixed_dictionaries(
    {channel: st.sampled_from(["", REACHED[channel]]) for channel in Channel}
)


@settings(deadline=None)
@given(instants, zones, st.integers(-3, 20), consents, addresses, st.booleans(), st.booleans())
def test_what_is_sent_was_agreed_is_in_time_and_neither_booked_nor_told(
    now, zone, ahead, agreed, where, booked, told
):
    rebook_on = wall(now, zone).date() + timedelta(days=ahead)
    given = {"consents": agreed, "addresses": where, "is_booked": booked, "is_told": told}
    found = decided(now, zone, rebook_on, **given)
    open_now = HOURS.opens <= wall(now, zone).time() < HOURS.closes
    if isinstance(found, Send):
        assert open_now
        assert ahead >= 0
        assert not booked
        assert not told
        assert agreed[CONSENT_FOR[found.channel]]
        assert found.recipient == where[found.channel] != ""
    elif isinstance(found, WaitUntil):
        assert not open_now
        assert now < found.at <= now + timedelta(hours=36)
        # Looked at again then, it goes out: waiting ends.
        again = decided(found.at, zone, rebook_on, **given)
        assert isinstance(again, Send)
    else:
        reasons = {
            NotSent.TOO_LATE: ahead < 0 or (ahead == 0 and wall(now, zone).time() >= HOURS.closes),
            NotSent.ALREADY_BOOKED: booked,
            NotSent.ALREADY_TOLD: told,
            NotSent.NO_CONSENT: not any(agreed.values()),
            NotSent.NO_ADDRESS: not any(
                where[c] for c in Channel if agreed.get(CONSENT_FOR[c], False)
            ),
        }
        assert reasons[found]


def test_a_text_goes_before_a_letter_and_only_by_its_own_consent():
    noon = datetime(2026, 5, 27, 12, tzinfo=UTC)
    assert decided(noon).channel is Channel.SMS
    assert decided(noon, consents={"email_messages": True}).channel is Channel.EMAIL
    only_mail = {Channel.SMS: "", Channel.EMAIL: REACHED[Channel.EMAIL]}
    assert decided(noon, addresses=only_mail).channel is Channel.EMAIL
    # Consent is per channel (UK ICO guidance on electronic mail, trade-facts 12.14).
    withdrawn = {"sms_messages": False, "email_messages": True}
    assert decided(noon, consents=withdrawn).channel is Channel.EMAIL
    assert decided(noon, consents={"health_answers": True}) is NotSent.NO_CONSENT


def test_it_may_still_go_on_the_date_itself_and_not_after_it():
    on = date(2026, 6, 3)
    assert isinstance(decided(datetime(2026, 6, 3, 20, 59, tzinfo=UTC), rebook_on=on), Send)
    late = datetime(2026, 6, 3, 21, tzinfo=UTC)
    assert decided(late, rebook_on=on) is NotSent.TOO_LATE
    early = decided(datetime(2026, 6, 3, 2, tzinfo=UTC), rebook_on=on)
    assert early == WaitUntil(at=datetime(2026, 6, 3, 8, tzinfo=UTC))


def test_the_text_is_a_neutral_service_message_that_says_how_to_stop():
    text = reminder_text("Invented Lake Rooms", date(2026, 6, 3))
    assert "3 June 2026" in text
    # "stop" is one of the words that always count (note on 47 CFR 64.1200(a)(10), trade-facts 12.05).
    assert "reply stop" in text.lower()
    # An offer would make it marketing (note on UK PECR, trade-facts 12.13); one text of 160 characters.
    assert not any(word in text.lower() for word in ("%", "offer", "discount", "free", "sale"))
    assert len(text) <= 160


@given(st.from_regex(r"\+[1-9][0-9]{7,14}", fullmatch=True))
def test_a_masked_number_shows_two_digits(number):
    assert sum(c.isdigit() for c in masked(number)) == 2


def test_a_masked_address_shows_the_domain_and_one_letter():
    assert masked("nora.invented@mail.example") == "n***@mail.example"
    assert masked("") == "***"


def test_values_are_frozen():
    message = Message(reference=UUID(int=1), channel=Channel.SMS, recipient="x", text="y")
    with pytest.raises(AttributeError):
        message.text = "z"
    assert time(10) == REMIND_AT
