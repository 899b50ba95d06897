"""A visit from somebody else's calendar, fitted to the price list's parts. Pure.

The calendar says from when to when the client is there, the price list what that time is made of.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from services.rules.phases import LineSpans, Minutes
from spa_ops.kernel.intervals import Period

#: House policy: less than a minute for a service is a slip in the calendar.
SHORTEST_LINE = timedelta(minutes=1)


def is_long_enough(lines: int, stay: Period) -> bool:
    """Whether the stay has at least a minute for each of its lines."""
    return stay.end - stay.start >= lines * SHORTEST_LINE


def fitted_spans(lines: Sequence[Minutes], stay: Period) -> list[LineSpans]:
    """The spans of one or more lines with one practitioner in one room, filling exactly `stay`.

    One consultation before the first line, one aftercare after the last, each as long as the
    longest that the lines ask for; the hands-on times share the rest in proportion. Where the rest
    is too short, everything shrinks alike. The longest set-up lies before the stay, the longest
    clean-up behind it.
    """
    consultation = max(m.consultation for m in lines)
    aftercare = max(m.aftercare for m in lines)
    hands_on = [max(m.hands_on, 1) for m in lines]
    whole = stay.end - stay.start
    rest = whole - timedelta(minutes=consultation + aftercare)
    if rest < len(lines) * SHORTEST_LINE:
        rest = whole * sum(hands_on) / (consultation + sum(hands_on) + aftercare)
        first = stay.start + (whole - rest) * consultation / max(consultation + aftercare, 1)
    else:
        first = stay.start + timedelta(minutes=consultation)
    cuts = [first + rest * sum(hands_on[:n]) / sum(hands_on) for n in range(len(lines) + 1)]
    set_up = timedelta(minutes=max(m.set_up for m in lines))
    clean_up = timedelta(minutes=max(m.clean_up for m in lines))
    return [_span(n, cuts, stay, set_up, clean_up) for n in range(len(lines))]


def _span(
    n: int, cuts: Sequence[datetime], stay: Period, set_up: timedelta, clean_up: timedelta
) -> LineSpans:
    is_first, is_last = n == 0, n == len(cuts) - 2
    starts_at = stay.start if is_first else cuts[n]
    ends_at = stay.end if is_last else cuts[n + 1]
    return LineSpans(
        set_up_at=starts_at - set_up if is_first else starts_at,
        starts_at=starts_at,
        hands_on_at=cuts[n],
        aftercare_at=cuts[n + 1],
        ends_at=ends_at,
        turnover_ends_at=ends_at + clean_up if is_last else ends_at,
    )
