"""The forecast over HTTP and as due checks: from booked visits and this house's past weeks."""

from datetime import date, timedelta
from decimal import Decimal

from django.db import connection
from django.test.utils import CaptureQueriesContext

from rooms.actions.stock_moves import moved, movement
from rooms.models import MovementKind
from services.models import DueCheck
from services.queries.stock_forecast import _visits_kept, due_stock, outlooks
from services.rules.stock_spread import Kept
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.rooms.stock import GEL, add, balance, done, receive
from tests.services import builders as build
from tests.services.day import book, line
from tests.services.test_stock_use import APPLICATORS
from tests.world import BUSINESS, LAKE, actor

STOCK = f"locations/{LAKE}/stock"


def past(now, item, amounts, weeks=12):
    """Use on past days: `amounts` a weekday (Monday is 0), every week."""

    def make():
        rows = [movement(actor("lena"), now, LAKE, item, MovementKind.RECEIVED, Decimal(0), at=now - timedelta(days=7 * weeks))]  # fmt: skip
        for back in range(1, 7 * weeks + 1):
            at = now - timedelta(days=back)
            if amount := amounts.get(at.weekday()):
                rows.append(movement(actor("lena"), now, LAKE, item, MovementKind.USED, -Decimal(amount), at=at))  # fmt: skip
        moved(rows)

    build.written(make)


def forecast(call, item):
    found = done(call("lena").get(f"{STOCK}/forecast"))["items"]
    return next(one for one in found if one["item_id"] == item)


def test_weeks_that_were_all_alike_tell_the_day(call, now):
    gel = add(call, GEL)
    # Ten a day from Monday to Friday; now is a Wednesday.
    past(now, gel, dict.fromkeys(range(5), "10"))
    receive(call, gel, str(12 * 50 + 105))
    found = forecast(call, gel)
    assert (found["usable"], found["weeks"]) == ("105", 12)
    # Five uses of ten a week: twelve weeks alike make chance less likely, but no certainty.
    week = found["next_week"]
    assert week["likely"] == "50" and 25 < int(week["low"]) < 40 and 60 < int(week["high"]) < 75
    assert found["spread_from"] == "weeks"
    # 6, 7, 8, then 11 to 15 and 18, 19: after ten working days five are left, and the eleventh is the 20th.
    assert found["runs_out"] == "2026-05-20"
    assert found["runs_out_early"] < "2026-05-20" < found["runs_out_late"]
    # A week before the early day.
    assert date.fromisoformat(found["order_by"]) + timedelta(days=7) == date.fromisoformat(found["runs_out_early"])  # fmt: skip
    # 20 working days in the 28 beyond the early day, and those until then: less what is there, one pack of 250.
    assert (found["order_packs"], found["order_quantity"]) == (1, "250")


def test_with_no_whole_week_known_it_is_from_what_is_booked_alone(call, now):
    applicators = add(call, APPLICATORS)
    receive(call, applicators, "15")
    assert forecast(call, applicators)["runs_out"] is None
    for minutes in (60, 240):
        done(book(call, now, line(now, minutes=minutes)))
    found = forecast(call, applicators)
    # Two brows of eight each, today; nothing is known of the past.
    assert (found["next_week"]["likely"], found["runs_out"], found["weeks"]) == ("16", "2026-05-06", 0)  # fmt: skip
    assert (found["next_week"]["high"], found["spread_from"]) == (None, "booked")
    assert int(found["next_week"]["low"]) < 16


def test_the_spread_is_that_of_past_weeks(call, now):
    gel = add(call, GEL)

    def make():
        at = now - timedelta(days=7 * 12)
        rows = [movement(actor("lena"), now, LAKE, gel, MovementKind.RECEIVED, Decimal(900), at=at)]
        rows += [
            movement(actor("lena"), now, LAKE, gel, MovementKind.USED, -Decimal(10 * week), at=now - timedelta(days=7 * week - 1))
            for week in range(1, 13)
        ]  # fmt: skip
        moved(rows)

    build.written(make)
    found = forecast(call, gel)
    # Each Thursday took 10 to 120, the last the least; recent weeks count more.
    week = {name: int(amount) for name, amount in found["next_week"].items()}
    assert week["low"] < 10 < week["likely"] < 60 < week["high"]
    assert found["runs_out_early"] < found["runs_out"]


def test_visits_that_are_kept_and_booked_ahead_tell_the_coming_ones(call, now):
    """What stands booked counts as far as such visits were kept, and what is booked later besides."""
    item = add(call, APPLICATORS)
    receive(call, item, "900")
    visits = [done(book(call, now, line(now, minutes=60 + 90 * n))) for n in range(2)]
    with reading(BUSINESS):
        place = Location.objects.get(id=LAKE)
        today = now.date()
        (one,) = [x for x in outlooks(place, today) if str(x.item.id) == item]
        assert _visits_kept(place, today + timedelta(days=1), 1) == []
    assert one.week.likely == 16
    done(call("freya").post(f"visits/{visits[1]['id']}/cancel", {"reason": "invented"}))
    with clock.stopped_at(now + timedelta(hours=2)):
        done(call("freya").post(f"visits/{visits[0]['id']}/no-show", {}))
    with reading(BUSINESS):
        found = _visits_kept(place, today + timedelta(days=1), 1)
    # Booked on the day itself, and none of them done.
    assert found == [(today, Kept(ahead=0, off=0, lines=2))]


def test_the_error_on_past_weeks_can_be_seen(call, now):
    gel = add(call, GEL)
    past(now, gel, dict.fromkeys(range(5), "10"))
    (found,) = done(call("lena").get(f"{STOCK}/forecast-errors"))["items"]
    assert found["mean_error_percent"] == "0.0"
    assert (found["within"], len(found["weeks"])) == (8, 8)
    assert {w["actual"] for w in found["weeks"]} == {"50"}


def test_shortages_are_due_once_for_as_long_as_they_last(call, now):
    gel = add(call, GEL)
    past(now, gel, dict.fromkeys(range(7), "10"))
    receive(call, gel, str(12 * 70 + 35))
    with reading(BUSINESS):
        kinds = [d.kind for d in due_stock(Location.objects.get(id=LAKE), now.date())]
    assert kinds == ["runs_out", "order", "uncounted"]
    shown = done(call("freya").get(f"{STOCK}/due"))["items"]
    assert [one["kind"] for one in shown] == kinds

    def raised():
        with reading(BUSINESS):
            rows = DueCheck.objects.filter(kind="stock", location_id=LAKE).order_by(
                "raised_at", "id"
            )
            return [(row.what.partition(": ")[2], row.cleared_at is None) for row in rows]

    sweep_due_checks()
    with clock.stopped_at(now + timedelta(days=1)):
        sweep_due_checks()
    assert sorted(raised()) == [("runs out", True), ("to count", True)]
    # Between forecasts what was found stands, though nobody looks.
    with clock.stopped_at(now + timedelta(days=1, minutes=30)):
        sweep_due_checks()
    assert sorted(raised()) == [("runs out", True), ("to count", True)]
    receive(call, gel, "5000")
    assert balance(call, gel)["total"] == "5035"
    with clock.stopped_at(now + timedelta(days=1, hours=1)):
        sweep_due_checks()
    assert sorted(raised()) == [("runs out", False), ("to count", True)]


def test_nothing_is_forecast_where_nothing_is_kept(call):
    assert done(call("lena").get(f"{STOCK}/forecast"))["items"] == []
    assert done(call("lena").get(f"{STOCK}/forecast-errors"))["items"] == []
    assert done(call("freya").get(f"{STOCK}/due"))["items"] == []


def test_less_than_nothing_is_raised_at_once_and_cleared_by_counting(call, now):
    gel = add(call, GEL)
    done(call("petra").post(f"{STOCK}/uses", {"item_id": gel, "quantity": "4"}))

    def open_checks():
        with reading(BUSINESS):
            rows = DueCheck.objects.filter(kind="stock", location_id=LAKE, cleared_at=None)
            return [row.what for row in rows]

    with clock.stopped_at(now + timedelta(minutes=31)):
        sweep_due_checks()
        assert open_checks() == ["Invented gel: less than nothing in stock: count it"]
    with clock.stopped_at(now + timedelta(minutes=32)):
        done(call("petra").post(f"{STOCK}/counts", {"item_id": gel, "counted": "0"}))
        sweep_due_checks()
        assert open_checks() == []


def test_a_forecast_takes_as_many_statements_for_many_visits_as_for_one(call, now):
    receive(call, add(call, APPLICATORS), "500")
    counts = []
    for minutes in (60, 150, 240):
        done(book(call, now, line(now, minutes=minutes)))
        with CaptureQueriesContext(connection) as captured:
            for path in ("forecast", "forecast-errors", "due"):
                done(call("lena").get(f"{STOCK}/{path}"))
        counts.append(len(captured))
    assert len(set(counts)) == 1
