"""A day that can't go on as planned: proposals for it, and carrying one out."""

from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT
from services.actions import rearranging as actions
from services.api.visits import PLANNING
from services.models import Rearrangement
from services.problems import DayChanged
from services.queries import rearranging as queries
from services.rules.rearranging.model import Cost, Proposal
from services.rules.rearranging.solving import propose
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import DESK, ApiView, Command, Strict, answer

MOST_OUTAGES = 20
MOST_AHEAD = timedelta(days=366)
_LINE = object_schema(
    line_id="uuid", practitioner_id="uuid", room_id="uuid", kit_id="uuid?", set_up_by="uuid",
    turnover_by="uuid", starts_at="datetime", ends_at="datetime",
)  # fmt: skip
_VISIT = object_schema(
    visit_id="uuid", is_left="bool", before=array_of(_LINE),
    after={"type": ["array", "null"], "items": _LINE},
)  # fmt: skip
_BODY = object_schema(
    id="uuid", location_id="uuid", day="date", proposed_at="datetime", applied_at="datetime?",
    is_best="bool", cost=object_schema(**dict.fromkeys(asdict(Cost()), "int")), unchanged="int",
    visits=array_of(_VISIT),
)  # fmt: skip


class OutageShape(Strict):
    id = s.UUIDField(help_text="a person, a room or a kit")
    until = s.DateTimeField()

    def get_fields(self) -> dict[str, Any]:
        # A keyword of the language cannot be written as an attribute.
        return {**super().get_fields(), "from": s.DateTimeField()}


class ProposeShape(Strict):
    day = s.DateField(
        required=False, allow_null=True, help_text="none: when the first outage begins, or today"
    )
    outages = OutageShape(many=True, required=False, help_text="who or what is away when")
    most_minutes = s.IntegerField(
        min_value=0, max_value=720, required=False, help_text="how far a visit may move; 120"
    )
    seconds = s.IntegerField(
        min_value=1, max_value=20, required=False, help_text="how long to look at most; 5"
    )


def _body(row: Rearrangement) -> dict[str, Any]:
    shown = [v for v in row.visits if v["after"] or v["is_left"]]
    names = ("visit_id", "is_left", "before", "after")
    return {
        "id": row.id,
        "location_id": row.location_id,
        "day": row.day,
        "proposed_at": row.proposed_at,
        "applied_at": row.applied_at,
        "is_best": row.is_best,
        "cost": row.cost,
        "unchanged": len(row.visits) - len(shown),
        "visits": [{name: v[name] for name in names} for v in shown],
    }


class _OnRearrangement(Command):
    tag = "visits"
    output = _BODY

    def render(self, entity_id: UUID | None) -> bytes:
        if entity_id is None:
            return b"{}"
        row = tenancy.loaded(Rearrangement, entity_id, self.actor)
        return orjson.dumps(_body(row), default=str)


class ProposeRearrangement(_OnRearrangement):
    """Who could move where and when, if these people, rooms or kits are away on that day.

    Booked visits move; who is here stays, and what runs late holds its people and things longer.
    Every rule of booking is kept. Fewest visits are left without a place, then fewest clients moved,
    by fewest minutes, then practitioners kept, then rooms and kits. `is_best`: proven that none costs
    less. A visit with `is_left` has no place: it stays as it is until somebody settles it with the
    client. Nothing is changed by this; ask the clients, then carry it out.
    """

    access = {"POST": DESK}
    input = ProposeShape
    status = 201
    problems = (NotFound, *POLICY_UNFIT)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        asked = self.parsed(request)
        # No transaction is open while the solver works: it may take long.
        self.proposed = self._proposed(path["id"], asked)
        return self._command(request, location_id=path["id"])

    def _proposed(
        self, location_id: UUID, asked: dict[str, Any]
    ) -> tuple[date, list[queries.Outage], list[dict[str, Any]], Proposal]:
        outages = [_outage(n, given) for n, given in enumerate(asked.get("outages", ()))]
        if len(outages) > MOST_OUTAGES:
            raise invalid("/outages", f"must be up to {MOST_OUTAGES}")
        with reading(self.actor.business_id):
            place = tenancy.location(location_id, self.actor)
            today = local_date(self.now, place.zone)
            begins = min((o.start for o in outages), default=self.now)
            on = asked.get("day") or max(today, local_date(begins, place.zone))
            if not today <= on <= today + MOST_AHEAD:
                raise invalid("/day", f"must be today or up to {MOST_AHEAD.days} days from now")
            day = queries.day_to_rearrange(
                actor=self.actor,
                now=self.now,
                location_id=location_id,
                day=on,
                outages=outages,
                most_minutes=asked.get("most_minutes", 120),
            )
        found = propose(day.visits, seconds=asked.get("seconds", 5), bath=day.bath)
        found = queries.settled(day, found)
        return on, outages, queries.outcome(day, found), found

    def handle(self, *, actor: Any, now: datetime, location_id: UUID, **_: Any) -> Rearrangement:
        on, outages, visits, found = self.proposed
        return actions.keep_proposal(
            actor=actor,
            now=now,
            location_id=location_id,
            day=on,
            outages=outages,
            visits=visits,
            cost=found.cost,
            is_best=found.is_best,
        )


def _outage(n: int, given: dict[str, Any]) -> queries.Outage:
    if given["until"] <= given["from"]:
        raise invalid(f"/outages/{n}/until", "must be later than from")
    return queries.Outage(id=given["id"], start=given["from"], end=given["until"])


class ReadRearrangement(ApiView):
    """One proposal: what would move, before and after, and what has no place."""

    access = {"GET": DESK}
    tag = "visits"
    problems = (NotFound,)
    output = _BODY

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            row = tenancy.loaded(Rearrangement, id, self.actor)
        return answer(_body(row))


class ApplyRearrangement(_OnRearrangement):
    """Carry a proposal out: everybody moves as it says, or nobody if the day has changed since."""

    access = {"POST": DESK}
    problems = (*PLANNING, DayChanged, WrongState)

    def handle(self, *, id: UUID, **given: Any) -> Rearrangement:
        return actions.apply_proposal(rearrangement_id=id, **given)
