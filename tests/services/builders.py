"""Visits in any state, put into the tables directly: for tests of what comes after the work.

Rows are written inside an action, as the program's own role and under row-level security.
"""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from clients.models import Client, Consent
from rooms.models import Room
from services.models import Line, LineState, Rebooking, Service, Visit, VisitState
from spa_ops.kernel import clock
from spa_ops.kernel.ids import uuid7
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import current, reading, run
from tests import world
from tests.world import BUSINESS, LAKE, actor

OVER = (LineState.FINISHED, LineState.STOPPED)


def written(make: Any, who: str = "olga") -> Any:
    """Run `make()` as one action of the owner and give what it returns."""
    return run(make, actor=actor(who), now=clock.now())


def client(**fields: Any) -> Client:
    """A client who can be reached both ways and agreed to nothing."""
    given = {"name": "Invented Nora", "phone": "+13125550123", "email": "nora@invented.example"}

    def make() -> Client:
        row = Client(
            business_id=BUSINESS,
            sort_name="invented nora",
            location_ids=[LAKE],
            created_at=clock.now(),
            **(given | fields),
        )
        put(row)
        return row

    return written(make)


def consent(client_id: UUID, purpose: str = "sms_messages", *, given: bool = True) -> None:
    """The client says yes or no to one purpose, now."""

    def make() -> None:
        Consent(
            business_id=current().actor.business_id,
            client_id=client_id,
            purpose=purpose,
            given=given,
            recorded_at=clock.now(),
        ).save(force_insert=True)

    written(make)


def service(**fields: Any) -> Service:
    """A facial waxing service of the price list: 45.00, again in four weeks."""
    given = {"name": "Invented brow wax", "area": "brow", "method": "soft_wax", "rebook_weeks": 4}
    minutes = {f"{part}_minutes": 5 for part in ("set_up", "consultation", "aftercare", "clean_up")}

    def make() -> Service:
        row = Service(
            business_id=BUSINESS,
            hands_on_minutes=20,
            price_minor=4500,
            currency="USD",
            **minutes,
            **(given | fields),
        )
        put(row)
        return row

    return written(make)


def visit(*states: LineState, **fields: Any) -> Visit:
    """A visit with one line in each of these states; without any, one finished line."""
    asked = states or (LineState.FINISHED,)
    of = fields.pop("of", None) or service()
    line_fields = fields.pop("line", {})
    who = fields.pop("client", None) or client()
    at = fields.pop("starts_at", clock.now() - timedelta(hours=1))

    def make() -> Visit:
        state = VisitState.LEFT if set(asked) <= {*OVER, LineState.DROPPED} else VisitState.BOOKED
        place = fields.pop("location_id", LAKE)
        row = Visit(
            business_id=BUSINESS,
            location_id=place,
            client=who,
            starts_at=at,
            booked_at=clock.now(),
            **({"state": state} | fields),
        )
        put(row)
        room = _room(place)
        for i, line_state in enumerate(asked):
            _line(row, room, of, i, line_state, at + timedelta(minutes=40 * i), line_fields)
        return row

    return written(make)


def _room(place: UUID) -> Room:
    room = Room(
        id=uuid7(),
        business_id=BUSINESS,
        location_id=place,
        name=f"Room {uuid7()}",
        state_since=clock.now(),
    )
    put(room)
    return room


def _line(
    of_visit: Visit,
    room: Room,
    of: Service,
    position: int,
    state: LineState,
    at: datetime,
    fields: dict[str, Any],
) -> None:
    minutes = [timedelta(minutes=m) for m in (-5, 0, 5, 25, 30, 35)]
    names = ("set_up_at", "starts_at", "hands_on_at", "aftercare_at", "ends_at", "turnover_ends_at")
    usual = {
        "practitioner_id": world.uid("petra"),
        "price_minor": of.price_minor,
        "currency": of.currency,
        "finished_at": clock.now() if state in OVER else None,
        "area": of.area,
        "set_up_by": world.uid("petra"),
        "turnover_by": world.uid("petra"),
    }
    Line(
        business_id=BUSINESS,
        visit=of_visit,
        position=position,
        service=of,
        method=of.method,
        room=room,
        state=state,
        **dict(zip(names, (at + m for m in minutes), strict=True)),
        **(usual | fields),
    ).save(force_insert=True)


def lines_of(row: Visit) -> list[Line]:
    """A visit's lines in order."""
    with reading(BUSINESS):
        return list(Line.objects.filter(visit_id=row.id).order_by("position"))


def fresh(row: Any) -> Any:
    """The row as it is stored now."""
    with reading(BUSINESS):
        return type(row).objects.get(id=row.id)


def rebookings(**conditions: Any) -> list[Rebooking]:
    """Rebooking dates that meet the conditions, oldest first."""
    with reading(BUSINESS):
        return list(Rebooking.objects.filter(**conditions).order_by("id"))


def house_policy(location_id: UUID = LAKE, **policies: Any) -> None:
    """Give a location its own house policy."""

    def make() -> None:
        place = Location.objects.get(id=location_id)
        place.policies = policies
        put(place, fields=["policies"])

    written(make)
