"""Looking ahead: which booked lines could not go ahead by what is known today, and from when.

Nothing is cancelled or moved: the lines carry a verdict with no day of screening, the desk lists
their visits with the earliest date, and the consultation of the day decides anew.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from operator import attrgetter
from uuid import UUID

from clients import queries as client_queries
from clients.rules.cases import LineToScreen, Screening
from clients.rules.foresight import foresee
from clients.rules.model import RuleSet
from clients.rules.told import KeptItem, standing_declarations
from services.actions.consultation import screening_as_kept
from services.models import ForesightDue, ForesightRun, Line, LineState, Visit, VisitState
from services.queries import foresight as queries
from services.queries.foresight import ComingLine
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.sealing import seal_for_each
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: Clients of one transaction.
CLIENTS_AT_ONCE = 250
_NOBODY = UUID(int=0)


@action
def foresee_what_changed(*, actor: Actor, now: datetime) -> int:
    """Look at the coming visits of up to 250 clients for whom something changed; gives how many clients."""
    client_ids = queries.clients_due(CLIENTS_AT_ONCE)
    if client_ids:
        # First: what is told while we read makes them due again.
        ForesightDue.objects.filter(client_id__in=client_ids).delete()
        _look_ahead(actor, now, client_ids, client_queries.rule_set())
    return len(client_ids)


@action
def foresee_under_new_rules(*, actor: Actor, now: datetime) -> int:
    """Go on looking at all coming visits under the rules that hold now; gives how many clients, 0 when done.

    250 clients a call, from where the last one stopped; other rules begin anew. Two at once do not
    do the same: the second finds nothing to do.
    """
    rules = client_queries.rule_set()
    run = ForesightRun.objects.select_for_update(
        of=("self",), no_key=True, skip_locked=True
    ).first()
    if run is None:
        if ForesightRun.objects.exists():
            return 0
        run = ForesightRun(business_id=actor.business_id)
    if run.rules_digest != rules.digest:
        run.rules_digest, run.after, run.begun_at, run.completed_at = (
            rules.digest, _NOBODY, now, None,
        )  # fmt: skip
    elif run.completed_at is not None:
        return 0
    client_ids = queries.clients_behind(run.after, now, CLIENTS_AT_ONCE)
    if client_ids:
        run.after = client_ids[-1]
        _look_ahead(actor, now, client_ids, rules)
    else:
        run.completed_at = now
    run.save()
    return len(client_ids)


def _look_ahead(actor: Actor, now: datetime, client_ids: Collection[UUID], rules: RuleSet) -> None:
    declared = client_queries.declared_by_each(client_ids)
    lines = queries.coming_lines(client_ids, now)
    changed: dict[UUID, tuple[ComingLine, Screening | None]] = {}
    for client_id, own in groupby(lines, attrgetter("client_id")):
        coming = list(own)
        found = _foreseen(rules, declared.get(client_id, ()), coming, now)
        changed |= {
            line.line_id: (line, stops)
            for line in coming
            if _differs(line, stops := found.get(line.line_id), rules)
        }
    if changed:
        _write(actor, changed, rules)


def _foreseen(
    rules: RuleSet, items: Sequence[KeptItem], coming: Sequence[ComingLine], now: datetime
) -> dict[UUID, Screening]:
    """What stops a line, by its id; a line that nothing stops is left out."""
    if not items:
        return {}
    found: dict[UUID, Screening] = {}
    for zone, own in groupby(sorted(coming, key=attrgetter("zone")), attrgetter("zone")):
        screenings = foresee(
            rule_set=rules,
            lines=[
                LineToScreen(
                    key=str(line.line_id),
                    area=line.area,
                    method=line.method,
                    on=local_date(line.starts_at, zone),
                    patch_test=line.patch_test,
                    position=n,
                )
                for n, line in enumerate(own)
            ],
            declarations=[
                (local_date(at, zone), said)
                for at, said in standing_declarations(items, rules, local_date(now, zone))
            ],
            today=local_date(now, zone),
        )
        found |= {UUID(key): one for key, one in screenings.items() if not one.verdict.passes}
    return found


def _differs(line: ComingLine, stops: Screening | None, rules: RuleSet) -> bool:
    if stops is None:
        return line.verdict != ""
    was = (line.verdict, line.earliest_on, line.rules_version)
    return was != (stops.verdict.value, stops.earliest_on, rules.version)


def _write(
    actor: Actor, changed: Mapping[UUID, tuple[ComingLine, Screening | None]], rules: RuleSet
) -> None:
    # Locked in order of id; a client who has arrived meanwhile is screened in the room.
    visit_ids = {line.visit_id for line, _ in changed.values()}
    visits = {
        visit.id: visit
        for visit in Visit.objects.select_for_update(of=("self",), no_key=True)
        .filter(id__in=visit_ids, state=VisitState.BOOKED)
        .order_by("id")
    }
    rows = [
        row
        for row in Line.objects.filter(id__in=list(changed), state=LineState.PLANNED)
        if row.visit_id in visits
    ]
    texts: dict[UUID, list[bytes]] = defaultdict(list)
    stopped: dict[UUID, list[Line]] = defaultdict(list)
    for row in rows:
        stops = changed[row.id][1]
        row.verdict = stops.verdict.value if stops else ""
        row.screened_on, row.earliest_on = None, stops.earliest_on if stops else None
        row.rules_version = stops.rules_version if stops else ""
        row.sealed_screening = None
        row.overridden_by = row.overridden_at = None
        visit = visits[row.visit_id]
        if stops:
            texts[visit.client_id].append(json.dumps(screening_as_kept(stops)).encode())
            stopped[visit.client_id].append(row)
        current().evidence(
            "line.foreseen",
            location_id=visit.location_id,
            subject_id=visit.id,
            facts={
                "visit_id": visit.id,
                "line_id": row.id,
                "verdict": row.verdict or "proceed",
                "earliest_on": row.earliest_on,
                "rules_version": rules.version,
                "rules_digest": rules.digest,
            },
        )
    for client_id, sealed in seal_for_each(actor.business_id, texts).items():
        for row, each in zip(stopped[client_id], sealed, strict=True):
            row.sealed_screening = each
    Line.objects.bulk_update(
        rows,
        ["verdict", "screened_on", "earliest_on", "rules_version", "sealed_screening",
         "overridden_by", "overridden_at"],
        batch_size=500,
    )  # fmt: skip
    for visit_id in sorted({row.visit_id for row in rows}):
        put(visits[visit_id], fields=[])
