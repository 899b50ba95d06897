"""Calendars as RFC 5545 text. Times are in UTC, so that no clock change can move them."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from icalendar import Calendar
from icalendar import Event as Component

from services.rules.calendars import Event

#: How often a calendar program should ask (RFC 7986 5.7).
REFRESH = timedelta(minutes=15)


def calendar_text(*, name: str, place: str, found: Iterable[Event], made_at: datetime) -> bytes:
    """A VCALENDAR with one VEVENT for each event; text in UTF-8, lines folded and ended as RFC 5545 3.1 says."""
    calendar = Calendar()
    calendar.add("prodid", "-//spa_ops//calendars//EN")
    calendar.add("version", "2.0")
    # RFC 7986 5.1 and 5.7.
    calendar.add("name", name)
    calendar.add("refresh-interval", REFRESH, parameters={"value": "DURATION"})
    for event in found:
        calendar.add_component(_component(event, place, made_at))
    return calendar.to_ical()


def _component(event: Event, place: str, made_at: datetime) -> Component:
    entry = Component()
    changed_at = event.changed_at or made_at
    entry.add("uid", event.uid)
    entry.add("dtstamp", changed_at)
    entry.add("last-modified", changed_at)
    entry.add("sequence", event.version)
    entry.add("dtstart", event.period.start)
    entry.add("dtend", event.period.end)
    entry.add("summary", event.summary)
    entry.add("location", place)
    entry.add("class", "PRIVATE")
    entry.add("transp", "OPAQUE")
    if event.expected_at is not None and event.expected_at != event.period.start:
        minutes = int((event.expected_at - event.period.start).total_seconds()) // 60
        entry.add("description", f"The client comes {minutes} minutes after this begins.")
    return entry
