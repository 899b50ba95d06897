"""Reads of rooms, turnovers and flags."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

from compliance.disinfection.queries.counting import searches_of
from compliance.disinfection.rules.use_window import closing_of_day, end_of_business_day
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import CAUTION, ParameterName
from rooms.models import Flag, Room, StepReport, StepStrike, Turnover
from rooms.problems import RoomNotReady
from rooms.rules import forecast
from rooms.rules import turnover as rules
from rooms.rules.forecast import shortest_seconds
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods


def effective_state(room: Room, now: datetime) -> rules.RoomState:
    """The state that counts at `now`: ready lapses at closing whether or not a sweep has seen it."""
    return rules.state_at(rules.RoomState(room.state), lapses_at=room.ready_until, now=now)


def check_in_service(*, room_id: UUID, visit_id: UUID, now: datetime) -> None:
    """The room is in service by this visit; raises `RoomNotReady`."""
    room = Room.objects.get(id=room_id)
    if room.state != rules.RoomState.IN_SERVICE or room.visit_id != visit_id:
        raise RoomNotReady(state=effective_state(room, now).value)


def ready_until(place: Location, made_ready_at: datetime) -> datetime:
    """Closing of the business day that ran then; midnight for a room made ready after closing."""
    closing_at = closing_of_day(
        made_ready_at,
        open_on=lambda day: open_periods(place.opening_hours, place.zone, day),
        zone=place.zone,
    )
    return end_of_business_day(made_ready_at, closing_at=closing_at, zone=place.zone)


def plan_for(place: Location, on: date, features: Collection[str] = ()) -> rules.TurnoverPlan:
    """The turnover steps of a room with these features at a location on a day: its jurisdiction's, else the house's."""
    return rules.plan_of_room(_plan_in(place.jurisdiction, on), features)


def _plan_in(jurisdiction: str, on: date) -> rules.TurnoverPlan:
    found = parameters(jurisdiction, on)[ParameterName.TURNOVER_STEPS]
    return rules.plan_from(found.value, version=found.pack)


@lru_cache(maxsize=256)
def shortest_turnover_minutes(jurisdiction: str, on: date, wet_seconds: int | None) -> int:
    """Whole minutes within which no turnover can be done there on that day: the steps of every room and wet time."""
    plan = rules.plan_of_room(_plan_in(jurisdiction, on), ())
    return -(-shortest_seconds(plan, wet_seconds) // 60)


def open_turnover(room_id: UUID) -> Turnover | None:
    """The turnover that this room still needs."""
    return Turnover.objects.filter(room_id=room_id, finished_at=None).first()


def left_at_of(room_ids: Collection[UUID]) -> dict[UUID, datetime | None]:
    """For each room with an open turnover when the client left it; None where nobody had."""
    rows = Turnover.objects.filter(room__in=room_ids, finished_at=None)
    return dict(rows.values_list("room_id", "left_at"))


def standing_reports(turnover: Turnover) -> list[StepReport]:
    """The steps reported and not struck out, in the order they happened."""
    rows = StepReport.objects.filter(turnover=turnover).exclude(
        id__in=StepStrike.objects.values("report_id")
    )
    return list(rows.order_by("at", "id"))


def reports_of(turnovers: Collection[Turnover]) -> dict[UUID, list[StepReport]]:
    """The standing reports of several turnovers, by turnover. One statement."""
    struck = StepStrike.objects.values("report_id")
    rows = StepReport.objects.filter(turnover__in=turnovers).exclude(id__in=struck)
    found: dict[UUID, list[StepReport]] = defaultdict(list)
    for row in rows.order_by("at", "id"):
        found[row.turnover_id].append(row)
    return found


def left_of(
    turnover: Turnover, plan: rules.TurnoverPlan, reports: Iterable[StepReport]
) -> forecast.Left | None:
    """What is left of a turnover that has begun, by its reports alone; None for one that has not."""
    if turnover.begun_at is None:
        return None
    terms = rules.TurnoverTerms(plan=plan, blood_seen=turnover.blood_seen)
    progress = rules.progress(terms, _reported(reports), began_at=turnover.begun_at)
    since = progress.counted[-1].at if progress.counted else turnover.begun_at
    return forecast.Left(open_required=progress.open_required, since=since)


def _reported(reports: Iterable[StepReport]) -> list[rules.StepDone]:
    return [
        rules.StepDone(
            code=r.code,
            at=r.at,
            wet_from=r.wet_from,
            wet_seconds=r.wet_seconds,
            hospital_type=r.hospital_type,
        )
        for r in reports
    ]


def progress_of(turnover: Turnover, plan: rules.TurnoverPlan) -> rules.TurnoverProgress:
    """Which reported steps count and what is open."""
    reported = _reported(standing_reports(turnover))
    terms = rules.TurnoverTerms(
        plan=plan,
        blood_seen=turnover.blood_seen,
        searches=searches_of(turnover.visit_id),
    )
    return rules.progress(terms, reported, began_at=turnover.begun_at or turnover.due_since)


def turnover_view(turnover: Turnover, plan: rules.TurnoverPlan) -> dict[str, Any]:
    """A turnover for whoever does it: the steps in order, which are done, what did not count and why."""
    progress = progress_of(turnover, plan)
    reports = standing_reports(turnover)
    done = {step.code: step.at for step in progress.counted}
    by = {(r.code, r.at): r.person_id for r in reports}
    names = tenancy.person_names({r.person_id for r in reports if r.person_id})
    return {
        "caution": CAUTION,
        "room_id": turnover.room_id,
        "visit_id": turnover.visit_id,
        "due_since": turnover.due_since,
        "begun_at": turnover.begun_at,
        "blood_seen": turnover.blood_seen,
        "wet_seconds": turnover.wet_seconds,
        "next_step": progress.next_step,
        "may_be_ready": progress.may_be_ready,
        "missing": list(progress.missing),
        "steps": [
            {"code": s.code, "title": s.title, "required": s.required, "wet": s.wet, "citation": s.citation,
             "done_at": done.get(s.code), **_who(by.get((s.code, done.get(s.code))), names)}
            for s in plan.steps
        ],
        "reports": [{"id": r.id, "code": r.code, "at": r.at, **_who(r.person_id, names)} for r in reports],
        "not_counted": [
            {"code": u.done.code, "at": u.done.at, "reason": u.reason.value,
             "what_to_do": rules.WHAT_TO_DO[u.reason], "open_before": list(u.open_before)}
            for u in progress.uncounted
        ],
    }  # fmt: skip


def _who(person_id: UUID | None, names: Mapping[UUID, str]) -> dict[str, Any]:
    return {"done_by": person_id, "done_by_name": names.get(person_id, "") if person_id else ""}


def locked_rooms(location_id: UUID) -> list[Room]:
    """The rooms of a location, locked by id."""
    rows = Room.objects.select_for_update(of=("self",), no_key=True)
    return list(rows.filter(location_id=location_id).order_by("id"))


def rooms_of(location_id: UUID) -> list[Room]:
    """The rooms of a location by name."""
    return list(Room.objects.filter(location_id=location_id).order_by("name"))


def open_flags(location_id: UUID) -> list[Flag]:
    """What is late now, oldest first."""
    return list(
        Flag.objects.filter(location_id=location_id, cleared_at=None).order_by("due_at", "id")
    )
