"""Which times suit who waits, against a plain look at each minute's wall clock."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from services.rules.waiting import Wishes, common, is_over, offer_ends, offer_text, suiting
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import WEEKDAYS

MINUTE = timedelta(minutes=1)
ZONES = ("America/Chicago", "Pacific/Chatham", "UTC")
#: Around both changes of the clocks of 2026 in Chicago and on the Chatham Islands.
FIRST_DAYS = (
    date(2026, 3, 7),
    date(2026, 10, 31),
    date(2026, 4, 4),
    date(2026, 9, 26),
    date(2028, 2, 28),
)
TIMES = st.lists(
    st.tuples(st.integers(0, 95), st.integers(0, 95)).filter(lambda p: p[0] != p[1]), max_size=3
).map(lambda pairs: tuple((time(a // 4, a % 4 * 15), time(b // 4, b % 4 * 15)) for a, b in pairs))


def suits(wishes: Wishes, at: datetime, zone: str, without: set[date]) -> bool:
    local = at.astimezone(ZoneInfo(zone))
    wall, today = local.time().replace(tzinfo=None), local.date()
    evening = today - timedelta(days=1)

    def begins_on(day: date) -> bool:
        return wishes.from_on <= day <= wishes.until_on and (
            not wishes.weekdays or WEEKDAYS[day.weekday()] in wishes.weekdays
        )

    if today in without:
        return False
    if not wishes.times:
        return begins_on(today)
    return any(
        (begins_on(today) and a <= wall and (wall < b or b < a))
        or (begins_on(evening) and b < a and wall < b)
        for a, b in wishes.times
    )


@given(
    day=st.sampled_from(FIRST_DAYS),
    days=st.integers(0, 3),
    weekdays=st.sets(st.sampled_from(WEEKDAYS), max_size=4),
    times=TIMES,
    zone=st.sampled_from(ZONES),
    hours=st.tuples(st.integers(0, 60), st.integers(1, 48)),
    without=st.integers(0, 3),
)
def test_a_minute_suits_if_the_clock_on_the_wall_says_so(
    day, days, weekdays, times, zone, hours, without
):
    wishes = Wishes(
        from_on=day, until_on=day + timedelta(days=days), weekdays=frozenset(weekdays), times=times
    )
    refused = {day + timedelta(days=without)} if without else set()
    start = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=hours[0] - 24)
    within = Period(start, start + timedelta(hours=hours[1]))
    found = suiting(wishes, zone, within, refused)
    for n in range(0, within.minutes, 5):
        at = start + n * MINUTE
        local = at.astimezone(ZoneInfo(zone))
        wall = local.replace(tzinfo=None)
        doubled = local.utcoffset() != local.replace(fold=1 - local.fold).utcoffset()
        # What begins or ends within an hour that is shown twice is the kernel's to say.
        if doubled or any(
            wall.date()
            in {date(2026, 3, 8), date(2026, 11, 1), date(2026, 4, 5), date(2026, 9, 27)}
            and time(0) < t < time(5)
            for pair in times
            for t in pair
        ):
            continue
        assert any(s.start <= at < s.end for s in found) == suits(wishes, at, zone, refused)


@given(
    a=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=4),
    b=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=4),
)
def test_what_two_have_in_common_is_what_is_in_both(a, b):
    base = datetime(2026, 5, 6, tzinfo=UTC)
    spans = [
        tuple(Period(base + s * MINUTE, base + (s + n) * MINUTE) for s, n in x) for x in (a, b)
    ]
    found = common(*spans)
    for n in range(90):
        at = base + n * MINUTE
        within = [any(p.start <= at < p.end for p in x) for x in (*spans, found)]
        assert within[2] == (within[0] and within[1])


@given(minutes=st.integers(5, 240), ahead=st.integers(0, 500))
def test_an_offer_never_runs_into_the_visit(minutes, ahead):
    now = datetime(2026, 5, 6, 17, tzinfo=UTC)
    ends = offer_ends(now, minutes, now + ahead * MINUTE)
    assert ends == min(now + minutes * MINUTE, now + ahead * MINUTE)


def test_the_message_is_in_the_places_wall_time_and_promises_nothing():
    at = datetime(2026, 11, 2, 19, 0, tzinfo=UTC)
    text = offer_text("Lake", "America/Chicago", at, at - timedelta(hours=2))
    assert text == (
        "Lake: a time has come free on 2 November at 13:00. It is kept for you until 11:00. Call us to "
        "take it: nothing is booked before. Reply stop to get no more messages."
    )


def test_a_wish_of_the_last_evening_is_over_when_its_time_past_midnight_is():
    late = Wishes(from_on=date(2026, 5, 6), until_on=date(2026, 5, 6), times=((time(22), time(1)),))
    chicago = ZoneInfo("America/Chicago")
    for hour, over in ((22, False), (24, False), (24.75, False), (25, True), (40, True)):
        at = datetime(2026, 5, 6, tzinfo=chicago) + timedelta(hours=hour)
        assert is_over(late, "America/Chicago", at.astimezone(UTC)) is over
