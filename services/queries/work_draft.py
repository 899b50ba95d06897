"""A line's work record as a draft, prefilled from its set-up list; and records that are owed. Never writes."""

from datetime import datetime, timedelta
from typing import Any

from rooms.queries.equipment import pots_in_room
from services.models import Line, LineState, Visit, WorkRecord
from services.queries import set_up
from services.rules.hygiene import WAX_METHODS
from services.rules.set_up import Count, SetUpItem
from services.rules.work_record import ASKED_WITH_GLOVES_ON, applicators_of
from services.set_up_files import shipped_set_up
from spa_ops.kernel.clock import rfc3339
from spa_ops.tenancy.models import Location

#: How long ago a line may have ended for its record to be asked for at a hand-over.
_OWED_FOR = timedelta(days=2)
#: What nothing on file can tell.
_ASKED = ("reaction", "aftercare", "client_content", "note")


def is_owed(line: Line) -> bool:
    """Whether the line ended and nothing was recorded of it: it was finished with gloves on."""
    return line.state == LineState.FINISHED and not WorkRecord.objects.filter(line=line).exists()


def records_owed(place: Location, now: datetime) -> int:
    """How many lines of the last two days ended at a location and have no record yet."""
    rows = Line.objects.filter(
        visit__location=place, state=LineState.FINISHED, finished_at__gte=now - _OWED_FOR
    )
    recorded = WorkRecord.objects.filter(line__in=rows).values("line_id")
    return rows.exclude(id__in=recorded).count()


def draft_of(visit: Visit, line: Line, place: Location, now: datetime) -> dict[str, Any]:
    """What a line's record will say, by the set-up list; to be confirmed, never kept by itself.

    Whoever shows it records the read: what is struck out tells what was declared. Raises `Erased`.
    """
    book = shipped_set_up()
    most = book.applications.get(line.method)
    parts = book.parts[line.area]
    items = set_up.items_of_line(visit, line, place)
    return {
        "line_id": line.id,
        "visit_id": visit.id,
        "asked_with_gloves_on": list(ASKED_WITH_GLOVES_ON),
        "owed": is_owed(line),
        "set_up_version": book.version,
        "notice": book.notice,
        "most_passes": most,
        "happened_at": rfc3339(line.finished_at or now),
        "to_confirm": ["gloves_off", "hands_washed", *_ASKED],
        "record": {
            "method": line.method,
            "areas": [line.area],
            "sections": sum(part.sections for part in parts),
            "applicators": applicators_of({i.code: i.count for i in items}),
            "products": [*_products(items), *_wax(line, place, now)],
            "passes": [{"section": line.area, "passes": 1}] if most else [],
        },
    }


def _products(items: tuple[SetUpItem, ...]) -> list[str]:
    named = {entry.code for entry in shipped_set_up().entries if entry.count is Count.PRODUCT}
    return [item.title for item in items if item.code in named and not item.is_struck]


def _wax(line: Line, place: Location, now: datetime) -> list[str]:
    """What the pot held that the line started from, as far as one may be used."""
    if line.method not in WAX_METHODS:
        return []
    at = line.started_at or now
    states = pots_in_room(line.room_id, line.method, place.zone, at)
    good = [s.pot.filling for s in states if s.why_not is None and s.pot.filling]
    return [f"{f.product}, lot {f.lot}" if f.lot else f.product for f in good[:1]]
