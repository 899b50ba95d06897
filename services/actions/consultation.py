"""The consultation on the day: what was said and seen is kept, and each line gets its verdict."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import Any
from uuid import UUID

from clients import actions as clients
from clients import queries as client_queries
from clients.problems import POLICY_UNFIT
from clients.rules.cases import LineToScreen, Screening
from clients.rules.engine import screen
from clients.rules.model import PASSING, PatchTest
from clients.rules.patch_tests import Standing
from services.actions.booking import foresight_due, visit_evidence
from services.actions.checking import check_covered
from services.actions.kept_screening import kept_screening, screening_as_kept, standing_rules
from services.models import Line, LineState, SkinProduct, Visit, VisitState
from services.problems import NotCovered, NotOverridable, NotScreened, ScreeningForbids
from services.queries import patch_tests as test_queries
from services.queries import visits as queries
from services.queries.own_work import own_work
from services.rules.protected import flags_of, years_old
from services.rules.stays import still_speaks
from spa_ops.kernel.actor import Actor, Auth
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.problems import Problem, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action, current

_SCREENED_STATES = (VisitState.ARRIVED, VisitState.IN_ROOM)


@dataclass(frozen=True, slots=True, kw_only=True)
class Met:
    """A rule whose condition is met for one line: released by a doctor, or seen to be over today."""

    line_id: UUID
    rule_id: str
    #: Who released it, when and for what; None for what was checked by sight.
    release: dict[str, str] | None = None


@action
def hold_consultation(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    answers: Sequence[dict[str, Any]] = (),
    declarations: Sequence[dict[str, Any]] = (),
    findings: Sequence[dict[str, Any]] = (),
    met: Sequence[Met] = (),
    told: Sequence[client_queries.HealthItem] = (),
    match: int | None = None,
) -> Visit:
    """Keep what was said and seen, and decide every open line of the visit anew.

    `told` was checked when it was told, and is kept before the rest: the newer answer counts. May
    be called as often as something is said or seen: nothing recorded is replaced. Raises
    `InvalidInput` with pointers for unknown words or impossible dates, `WrongState` unless the
    client is here.
    """
    visit = queries.locked_visit(visit_id, actor, match=match)
    if visit.state not in _SCREENED_STATES:
        raise WrongState(thing="visit", state=visit.state, needed="the client to be here")
    place = tenancy.location(visit.location_id, actor)
    today = local_date(now, place.zone)
    said = client_queries.items_from(
        answers=answers, declarations=declarations, findings=findings, today=today
    )
    items = [*told, *said]
    lines = queries.lines_of(visit.id)
    items += _met_items(met, {line.id for line in lines})
    if items:
        clients.record_health(
            actor=actor,
            now=now,
            client_id=visit.client_id,
            visit_id=visit.id,
            location_id=visit.location_id,
            items=items,
        )
        insert([foresight_due(visit, now)])
    screen_lines(visit, place, lines, now)
    put(visit, fields=[])
    return visit


@action
def strike_answer(
    *, actor: Actor, now: datetime, visit_id: UUID, item_id: UUID, reason: str
) -> Visit:
    """Something said or seen at this visit was recorded wrongly: struck out, kept, and judged anew.

    Raises `NotFound` for an item that is not this client's, `WrongState` unless the client is here.
    """
    visit = queries.locked_visit(visit_id, actor)
    if visit.state not in _SCREENED_STATES:
        raise WrongState(thing="visit", state=visit.state, needed="the client to be here")
    place = tenancy.location(visit.location_id, actor)
    clients.strike_out(
        actor=actor,
        now=now,
        client_id=visit.client_id,
        item_id=item_id,
        location_id=visit.location_id,
        reason=reason,
    )
    insert([foresight_due(visit, now)])
    screen_lines(visit, place, queries.lines_of(visit.id), now)
    put(visit, fields=[])
    return visit


def _met_items(met: Sequence[Met], line_ids: set[UUID]) -> list[Any]:
    known = {rule.id for rule in client_queries.rule_set().rules} if met else set()
    items = []
    for i, one in enumerate(met):
        if one.line_id not in line_ids:
            raise invalid(f"/met/{i}/line_id", "is not a line of this visit")
        if one.rule_id not in known:
            raise invalid(f"/met/{i}/rule_id", "is not a rule", "unknown")
        content = {"line_id": str(one.line_id), "rule_id": one.rule_id, "release": one.release}
        items.append(client_queries.HealthItem(kind="met", content=content))
    return items


def screen_lines(visit: Visit, place: Location, lines: Sequence[Line], now: datetime) -> None:
    """Decide each open line by all that is known; write verdicts, evidence for each that is decided."""
    today = local_date(now, place.zone)
    subject = client_queries.case_of(visit.client_id, visit.id, today)
    done_here = own_work([visit.client_id], now, without=[visit.id])
    flags = _flags(visit, place, today)
    open_lines = [line for line in lines if line.state in queries.OPEN]
    # What was done already today is judged with the rest: a tint after waxing is not.
    done = [line for line in lines if line.state != LineState.DROPPED]
    products = test_queries.products_of(done)
    tests = _patch_tests(visit, place, done, products, now)
    found = screen(
        rule_set=client_queries.rule_set(),
        lines=[
            LineToScreen(
                key=str(line.id),
                area=line.area,
                method=line.method,
                on=today,
                patch_test=tests[line.id].status,
                patch_test_on=_day(tests[line.id].readable_at, place),
                position=line.position,
                flags=flags(line.area),
                ingredients=test_queries.ingredients_of(line, products),
                met=subject.met.get(line.id, frozenset()),
            )
            for line in done
        ],
        answers=subject.answers,
        declarations=(*subject.declarations, *(said for _, said in done_here[visit.client_id])),
        findings=subject.findings,
        today=today,
    )
    for line in open_lines:
        screening = found[str(line.id)]
        line.earliest_at = _to_the_hour(tests[line.id], screening, place, now)
        _write_verdict(visit, line, screening, today)
    Line.objects.bulk_update(
        open_lines,
        [
            "verdict",
            "screened_on",
            "earliest_on",
            "earliest_at",
            "rules_version",
            "sealed_screening",
            "overridden_by",
            "overridden_at",
        ],
    )


def is_screened(visit: Visit, line: Line, place: Location, now: datetime) -> bool:
    """Whether the line was decided in a consultation that speaks for the visit at this moment."""
    return still_speaks(line.screened_on, arrived_at=visit.arrived_at, now=now, zone=place.zone)


def line_of_today(visit: Visit, line: Line, place: Location, now: datetime) -> Line:
    """The line with its verdict of today: decided anew where midnight came since the consultation.

    Raises `NotScreened` where no consultation speaks for the visit any more.
    """
    if not is_screened(visit, line, place, now):
        raise NotScreened
    if line.screened_on == local_date(now, place.zone):
        return line
    lines = queries.lines_of(visit.id)
    screen_lines(visit, place, lines, now)
    return next(x for x in lines if x.id == line.id)


def screen_after_a_fact(
    visit: Visit, place: Location, lines: Sequence[Line], now: datetime
) -> None:
    """`screen_lines` after something that happened, which is kept whatever the house's policy is.

    Under a policy that the rules no longer know nothing can be decided: then no open line counts as
    screened today, and none starts before it is.
    """
    try:
        screen_lines(visit, place, lines, now)
    except POLICY_UNFIT:
        open_ids = [line.id for line in lines if line.state in queries.OPEN]
        Line.objects.filter(id__in=open_ids).update(screened_on=None)


def _patch_tests(
    visit: Visit,
    place: Location,
    lines: Sequence[Line],
    products: Mapping[UUID, SkinProduct],
    now: datetime,
) -> dict[UUID, Standing]:
    """Where the patch tests for each line stand, read once for all of them."""
    kept = test_queries.tests_of(visit.client_id, visit.business_id, place.zone)
    return {x.id: test_queries.standing_for(x, products, kept, now) for x in lines}


def _day(at: datetime | None, place: Location) -> date | None:
    return None if at is None else local_date(at, place.zone)


def _to_the_hour(
    test: Standing, screening: Screening, place: Location, now: datetime
) -> datetime | None:
    """When a patch test can be read, unless something else is waited for longer, or it can be now."""
    at = test.readable_at
    if test.status is not PatchTest.DUE or at is None or at <= now:
        return None
    longer = screening.earliest_on is not None and screening.earliest_on > local_date(
        at, place.zone
    )
    return None if longer else at


def check_flags(visit: Visit, line: Line, place: Location, now: datetime) -> None:
    """Age, guardian and consents hold at this very moment; raises `ScreeningForbids`.

    Nobody overrides these, and a consent may be withdrawn after the consultation.
    """
    standing = _flags(visit, place, local_date(now, place.zone))(line.area)
    bearing = client_queries.rule_set().bearing_on(line.method, line.area).by_flag
    verdicts = [rule.verdict for flag in standing for rule in bearing.get(flag, ())]
    if verdicts:
        raise ScreeningForbids(verdict=max(verdicts).value, earliest_on=None, earliest_at=None)


def check_patch_tests(visit: Visit, line: Line, place: Location, now: datetime) -> None:
    """The line's patch tests hold at this very moment; raises `ScreeningForbids`.

    Asked at the start, not only in the consultation: a test ends, and a reaction may be told
    elsewhere, in between.
    """
    products = test_queries.products_of([line])
    test = _patch_tests(visit, place, [line], products, now)[line.id]
    if test.status is PatchTest.POSITIVE:
        raise ScreeningForbids(verdict="do_not_treat", earliest_on=None, earliest_at=None)
    if test.status is PatchTest.DUE:
        at = test.readable_at
        raise ScreeningForbids(
            verdict="patch_test_first",
            earliest_on=str(_day(at, place)) if at else None,
            earliest_at=rfc3339(at) if at else None,
        )


def _flags(visit: Visit, place: Location, today: date) -> Callable[[str], frozenset[str]]:
    """What stands against a line on an area, by age, guardian and consents as they are now."""
    born, consents = client_queries.age_and_consents(visit.client_id)
    return partial(
        _flags_on,
        years=None if born is None else years_old(born, today),
        consents=consents,
        guardian_is_here=visit.guardian_present_at is not None,
        age_floor=tenancy.policy_of(place).intimate_age_floor,
    )


def _flags_on(area: str, **known: Any) -> frozenset[str]:
    return flags_of(area=area, **known)


def _write_verdict(visit: Visit, line: Line, screening: Screening, today: date) -> None:
    before = standing_rules(visit, line)
    now_standing = sorted({r.rule_id for r in screening.standing})
    if not set(now_standing) <= set(before):
        # An override was for the reasons of then; a new one needs a new decision.
        line.overridden_by = line.overridden_at = None
    line.verdict, line.screened_on = str(screening.verdict.value), today
    line.earliest_on, line.rules_version = screening.earliest_on, screening.rules_version
    line.sealed_screening = seal(
        visit.business_id, visit.client_id, json.dumps(screening_as_kept(screening)).encode()
    )
    current().evidence(
        "line.screened",
        location_id=visit.location_id,
        subject_id=visit.id,
        facts={
            "visit_id": visit.id,
            "line_id": line.id,
            "screened_on": today,
            "verdict": line.verdict,
            "earliest_on": line.earliest_on,
            "rules_version": screening.rules_version,
            "rules_digest": screening.rules_digest[:64],
        },
        personal={"rules": sorted({r.rule_id for r in screening.reasons})},
        client_id=visit.client_id,
    )


@action
def override_verdict(*, actor: Actor, now: datetime, line_id: UUID, reason: str) -> Visit:
    """Let a line start against its verdict, once, by someone whose own licence and skill cover it.

    Raises `NotOverridable` when a standing reason may be overridden by nobody or not in this role,
    `NotCovered`, `WrongState` when there is nothing to override.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    place = tenancy.location(visit.location_id, actor)
    if line.state not in {LineState.PLANNED, LineState.PAUSED} or not is_screened(
        visit, line, place, now
    ):
        raise WrongState(
            thing="line", state=line.state, needed="a verdict of today and work not running"
        )
    line = line_of_today(visit, line, place, now)
    if line.verdict in PASSING:
        raise WrongState(thing="line", state=line.verdict, needed="a verdict to override")
    check_own_cover(actor, place, line, now)
    kept = kept_screening(visit, line)
    if (
        actor.role is None
        or actor.role.value not in kept["overridable_by"]
        or actor.auth is Auth.DEVICE_CLAIM
    ):
        raise NotOverridable
    line.overridden_by, line.overridden_at = actor.person_id, now
    line.save(update_fields=["overridden_by", "overridden_at"])
    visit_evidence(
        "line.overridden",
        visit,
        {"line_id": line.id, "verdict": line.verdict, "rules_version": line.rules_version},
        personal={"reason": reason, "rules": kept["standing"]},
    )
    put(visit, fields=[])
    return visit


def check_own_cover(actor: Actor, place: Location, line: Line, now: datetime) -> None:
    """The acting person's own licence and skill cover the line's service today; raises `NotCovered`."""
    if actor.person_id is None:
        raise NotCovered
    try:
        check_covered(place, actor.person_id, line.service, now)
    except Problem as problem:
        raise NotCovered(
            reason=problem.slug, detail_text=problem.detail, at=rfc3339(now)
        ) from problem
