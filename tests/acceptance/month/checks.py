"""What must hold after the month, asked of the stored rows and apart from the program's own rules."""

from collections import defaultdict
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connection

from compliance.ledger.queries import verification
from rooms.models import StockLot
from services.queries.stock_forecast import past_errors
from services.queries.tracing import Things, Window, visits_sharing, ways_of
from services.rules.stock_forecast import mean_error_percent
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import snapshot
from tests.acceptance.month import scene as at
from tests.acceptance.month.days import Month
from tests.acceptance.month.scene import PLACE
from tests.acceptance.month.shelf import Shelf
from tests.world import BUSINESS

#: Rows that must not be there, by what one would mean. Written down without the program's rules.
FLAWS = {
    "two claims of one thing overlap": (
        "SELECT a.bookable_id FROM claims_claim a JOIN claims_claim b "
        "ON a.bookable_id = b.bookable_id AND a.id < b.id AND a.span && b.span"
    ),
    "a line began without a passing verdict of its day": (
        "SELECT id FROM services_line WHERE started_at IS NOT NULL AND (verdict NOT IN "
        "('proceed', 'proceed_with_care') OR screened_on <> (started_at AT TIME ZONE 'America/Chicago')::date)"
    ),
    "a line began with a kit that was not cleared": (
        "SELECT l.id FROM services_line l WHERE l.started_at IS NOT NULL AND l.kit_id IS NOT NULL AND NOT EXISTS "
        "(SELECT FROM disinfection_kit_use k WHERE k.visit_id = l.visit_id AND k.kit_id = l.kit_id AND k.cleared "
        "AND k.opened_at <= l.started_at)"
    ),
    "a room was taken without a turnover since the last client": (
        "SELECT b.id FROM services_visit a JOIN services_visit b ON a.room_id = b.room_id AND b.seated_at > a.left_at "
        "WHERE a.left_at IS NOT NULL AND NOT EXISTS (SELECT FROM rooms_turnover t WHERE t.room_id = a.room_id "
        "AND t.visit_id = a.id AND t.begun_at >= a.left_at AND t.finished_at <= b.seated_at)"
    ),
    "two clients were in one room at once": (
        "SELECT a.id FROM services_visit a JOIN services_visit b ON a.room_id = b.room_id AND a.id < b.id "
        "AND tstzrange(a.seated_at, a.left_at) && tstzrange(b.seated_at, b.left_at) "
        "WHERE a.seated_at IS NOT NULL AND b.seated_at IS NOT NULL"
    ),
    "a turnover was finished though its surface was not wet for the label's time": (
        f"SELECT t.id FROM rooms_turnover t WHERE t.finished_at IS NOT NULL AND t.visit_id IS NOT NULL "
        f"AND t.finished_at - t.begun_at < interval '{at.WET} seconds'"
    ),
    "a bath outlived the day it was mixed on": (
        "SELECT id FROM disinfection_solution WHERE ended_at IS NULL OR (ended_at AT TIME ZONE 'America/Chicago')::date "
        "<> (mixed_at AT TIME ZONE 'America/Chicago')::date"
    ),
    "a client paid other than the price": (
        "SELECT v.id FROM services_visit v JOIN services_line l ON l.visit_id = v.id "
        "WHERE v.checked_out_at IS NOT NULL GROUP BY v.id HAVING sum(l.price_minor) <> "
        "(SELECT sum(p.amount_minor) FROM services_payment p WHERE p.visit_id = v.id)"
    ),
    "a feed has a hole": (
        "SELECT f.id FROM sync_feed f LEFT JOIN sync_change c ON c.feed_id = f.id GROUP BY f.id, f.head "
        "HAVING f.head <> count(c.seq) OR f.head <> coalesce(max(c.seq), 0)"
    ),
}
_LIVES = """
SELECT i.kit_id, e.implement_id, e.kind, e.at, e.agent_id, e.visit_id FROM disinfection_event e
JOIN disinfection_implement i ON i.id = e.implement_id WHERE e.location_id = %s
ORDER BY e.implement_id, e.at, e.recorded_at, e.id
"""
_WAY = ["washed", "rinsed", "dried", "immersed", "lifted", "rinsed", "dried", "stored"]


def flaws() -> list[tuple[str, Any]]:
    """Everything that is wrong with what is stored; nothing where all is well."""
    found: list[tuple[str, Any]] = []
    with snapshot(BUSINESS), connection.cursor() as cursor:
        for meaning, statement in FLAWS.items():
            cursor.execute(statement)
            found += [(meaning, row) for row in cursor.fetchmany(5)]
        checked = verification(BUSINESS, PLACE)
        if not checked.is_whole:
            found.append(("a chain is broken", checked.failure))
    return found


def uses_against_their_past() -> tuple[int, int]:
    """How many kit uses were called cleared, and how many were not; each is checked by reading its events.

    Cleared must be exactly what had every step of the way back in order since its last use, the
    last soak as long as the label says counted from whatever went into that bath last.
    """
    lives: dict[UUID, list[tuple[str, datetime, UUID | None]]] = defaultdict(list)
    into_bath: dict[UUID, list[datetime]] = defaultdict(list)
    said: dict[tuple[UUID, UUID], bool] = {}
    shown: dict[tuple[UUID, UUID], bool] = {}
    with snapshot(BUSINESS), connection.cursor() as cursor:
        cursor.execute("SELECT kit_id, visit_id, cleared FROM disinfection_kit_use")
        said = {(kit, visit): cleared for kit, visit, cleared in cursor.fetchall()}
        cursor.execute(_LIVES, [PLACE])
        rows = cursor.fetchall()
    for _, _, kind, when, agent, _ in rows:
        if kind == "immersed":
            into_bath[agent].append(when)
    for kit, implement, kind, when, agent, visit in rows:
        past = lives[implement]
        if kind == "used":
            key = (kit, visit)
            shown[key] = shown.get(key, True) and _was_cleared(past, into_bath)
            past.clear()
        elif kind != "blood_seen":
            # The soak is a hospital disinfectant, so blood asks for nothing more than the whole way.
            past.append((kind, when, agent))
    assert shown == said
    return sum(said.values()), len(said) - sum(said.values())


def _was_cleared(
    past: list[tuple[str, datetime, UUID | None]], into_bath: dict[UUID, list[datetime]]
) -> bool:
    kinds = [kind for kind, _, _ in past]
    # A soak that was cut short is begun again from the dried implement.
    while kinds[3:6] == ["immersed", "lifted", "dried"] and kinds[6:7] == ["immersed"]:
        del kinds[3:6]
        past = past[:3] + past[6:]
    if kinds != _WAY:
        return False
    (_, start, bath), (_, lifted, _) = past[3], past[4]
    assert bath is not None
    last_in = max(when for when in into_bath[bath] if start <= when <= lifted)
    return lifted - last_in >= timedelta(seconds=at.SOAK)


def traces_differing(month: Month) -> list[Any]:
    """Kits, baths and visits whose trace is not what the simulation did with them."""
    window = Window(start=at.EVE, end=month.ends_at + timedelta(days=1))
    found: list[Any] = []
    by_bath: dict[UUID, set[UUID]] = defaultdict(set)
    for kit, story in month.stories.items():
        opened = {thing for what, thing in story if what == "visit"}
        if _sharing(Things(kits=frozenset({kit})), window) != opened:
            found.append(("kit", kit))
        for i, (what, thing) in enumerate(story):
            if what == "bath":
                # Whoever it was used on last before it lay there, and first after.
                by_bath[thing] |= set([t for w, t in story[:i] if w == "visit"][-1:])
                by_bath[thing] |= set([t for w, t in story[i + 1 :] if w == "visit"][:1])
            else:
                baths = {t for w, t in _since_last_visit(story[:i])}
                with snapshot(BUSINESS):
                    ways = ways_of(thing)
                told = {before["agent_id"] for way in ways for before in way["before"]}
                if len(ways) != len(at.TOOLS) or told != baths:
                    found.append(("visit", thing))
    found += [
        ("bath", bath)
        for bath, visits in by_bath.items()
        if _sharing(Things(baths=frozenset({bath})), window) != visits
    ]
    return found


def _since_last_visit(story: list[tuple[str, UUID]]) -> list[tuple[str, UUID]]:
    opened = [i for i, (what, _) in enumerate(story) if what == "visit"]
    return story[opened[-1] + 1 :] if opened else story


_MOVED = """
SELECT i.name, m.kind, sum(m.quantity)::int FROM rooms_stock_movement m JOIN rooms_stock_item i ON i.id = m.item_id
WHERE m.location_id = %s AND m.kind IN ('used', 'counted', 'received') GROUP BY 1, 2
"""
#: Each use of a line is booked once: the movements of a line and an item add up to what stands.
_TWICE = """
SELECT m.line_id, m.item_id, -sum(m.quantity), (SELECT sum(u.quantity) FROM services_line_use u
WHERE u.line_id = m.line_id AND u.item_id = m.item_id AND u.stands) FROM rooms_stock_movement m
WHERE m.line_id IS NOT NULL GROUP BY 1, 2 HAVING -sum(m.quantity) IS DISTINCT FROM
(SELECT sum(u.quantity) FROM services_line_use u WHERE u.line_id = m.line_id AND u.item_id = m.item_id AND u.stands)
"""


def stock_differing(shelf: Shelf) -> list[Any]:
    """Where the books are not what was really used, wasted, thrown away and left."""
    with snapshot(BUSINESS), connection.cursor() as cursor:
        cursor.execute(_TWICE)
        found: list[Any] = [("booked other than once", row) for row in cursor.fetchall()]
        cursor.execute(_MOVED, [PLACE])
        moved = {(name, kind): quantity for name, kind, quantity in cursor.fetchall()}
    for name, (usable, there) in shelf.books().items():
        gone = shelf.wasted[name] + shelf.used[f"{name} thrown away"]
        if usable != there:
            found.append((name, "left", usable, there))
        if -moved.get((f"invented {name}", "used"), 0) != shelf.used[name]:
            found.append((name, "used", moved.get((f"invented {name}", "used")), shelf.used[name]))
        if -moved.get((f"invented {name}", "counted"), 0) != gone:
            found.append((name, "counted", moved.get((f"invented {name}", "counted")), gone))
    return found


def _sharing(things: Things, window: Window) -> set[UUID]:
    found: set[UUID] = set()
    place: tuple[datetime, UUID] | None = None
    while True:
        with snapshot(BUSINESS):
            page, place = visits_sharing(
                things, window, actor=system_actor(BUSINESS), not_of=None, after=place, limit=200
            )
        found |= {one["visit_id"] for one in page}
        if place is None:
            return found


def lots_differing(month: Month) -> list[Any]:
    """Lots whose trace is not the visits in whose room a box of them stood during the work."""
    window = Window(start=at.EVE, end=month.ends_at + timedelta(days=1))
    with snapshot(BUSINESS):
        lots = dict(StockLot.objects.filter(location_id=PLACE).values_list("number", "id"))
    return [
        number
        for number, lot in lots.items()
        if _sharing(Things(lots=frozenset({lot})), window) != month.shelf.touched.get(number, set())
    ]


def stock_forecast_errors(days: int) -> list[str]:
    """In words, how far the forecast of each item's weekly use was off in the weeks that were over."""
    with snapshot(BUSINESS):
        place = Location.objects.get(id=PLACE)
        found = past_errors(place, at.FIRST_DAY + timedelta(days=days))
    return [
        f"{one.item.name} {mean_error_percent(one.weeks)} %, "
        f"{sum(week.within for week in one.weeks)} of {len(one.weeks)} weeks between low and high"
        for one in found
    ]
