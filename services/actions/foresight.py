"""Looking ahead: which booked lines could not go ahead by what is known today, and from when.

Nothing is cancelled or moved: the lines carry a verdict with no day of screening, the desk lists
their visits with the earliest date, and the consultation of the day decides anew.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from itertools import groupby
from operator import attrgetter
from uuid import UUID

from django.db import connection

from clients import queries as client_queries
from clients.queries_people import left_of_each
from clients.rules.cases import Declaration, LineToScreen
from clients.rules.foresight import Foreseen, foresee
from clients.rules.model import PatchTest, RuleSet
from clients.rules.told import KeptItem, standing_declarations
from services.actions.kept_screening import screening_as_kept
from services.models import ForesightDue, ForesightRun
from services.queries import foresight as queries
from services.queries.foresight import ComingLine
from services.queries.own_work import own_work
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.sealing import seal_for_each
from spa_ops.unit.rows import touch
from spa_ops.unit.work import action, current

#: Clients of one transaction.
CLIENTS_AT_ONCE = 500
_NOBODY = UUID(int=0)
# One statement for all: a change of rules may touch hundreds of lines of one batch.
_FORESEEN = """
UPDATE services_line l
SET verdict = f.verdict, earliest_on = f.earliest_on, rules_version = f.rules_version,
    sealed_screening = f.sealed, screened_on = NULL, earliest_at = NULL, overridden_by = NULL,
    overridden_at = NULL
FROM unnest(%s::uuid[], %s::text[], %s::date[], %s::text[], %s::bytea[])
    AS f(id, verdict, earliest_on, rules_version, sealed)
WHERE l.id = f.id AND l.state = 'planned'
"""


@action
def foresee_what_changed(*, actor: Actor, now: datetime) -> int:
    """Look at the coming visits of up to 500 clients for whom something changed; gives how many clients."""
    client_ids = queries.clients_due(CLIENTS_AT_ONCE)
    if client_ids:
        # First: what is told while we read makes them due again.
        ForesightDue.objects.filter(client_id__in=client_ids).delete()
        # The visits of who was merged away are those of the one that is left.
        left = sorted(set(left_of_each(client_ids).values()))
        _look_ahead(actor, now, left, client_queries.rule_set())
    return len(client_ids)


@action
def foresee_under_new_rules(*, actor: Actor, now: datetime) -> int:
    """Go on looking at all coming visits under the rules that hold now; gives how many clients, 0 when done.

    500 clients a call, from where the last one stopped; other rules begin anew. Two at once do not
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
    done = own_work(client_ids, now)
    lines = queries.coming_lines(client_ids, declared.keys() | done.keys(), now)
    refused = queries.refused_by_tests(lines, actor.business_id, now)
    changed: dict[UUID, tuple[ComingLine, Foreseen | None]] = {}
    for client_id, own in groupby(lines, attrgetter("client_id")):
        coming = list(own)
        shut_out = refused.get(client_id, frozenset())
        own_done = done.get(client_id, ())
        found = _foreseen(rules, declared.get(client_id, ()), own_done, coming, shut_out, now)
        changed |= {
            line.line_id: (line, stops)
            for line in coming
            if _differs(line, stops := found.get(line.line_id))
        }
    if changed:
        _write(actor, changed, rules)


def _foreseen(
    rules: RuleSet,
    items: Sequence[KeptItem],
    done: Sequence[tuple[date, Declaration]],
    coming: Sequence[ComingLine],
    shut_out: frozenset[UUID],
    now: datetime,
) -> dict[UUID, Foreseen]:
    """What stops a line, by its id; a line that nothing stops is left out."""
    if not items and not done and not shut_out:
        return {}
    found: dict[UUID, Foreseen] = {}
    for zone, group in groupby(sorted(coming, key=attrgetter("zone")), attrgetter("zone")):
        own = list(group)
        today = local_date(now, zone)
        foreseen = foresee(
            rule_set=rules,
            lines=[
                LineToScreen(
                    key=str(n),
                    area=line.area,
                    method=line.method,
                    on=local_date(line.starts_at, zone),
                    # One that is due can still be made; one that was positive stays so.
                    patch_test=PatchTest.NOT_NEEDED
                    if shut_out.isdisjoint(line.product_ids)
                    else PatchTest.POSITIVE,
                    position=n,
                )
                for n, line in enumerate(own)
            ],
            declarations=[
                *done,
                *(
                    (local_date(at, zone), said)
                    for at, said in standing_declarations(items, rules, today)
                ),
            ],
            today=today,
        )
        found |= {
            line.line_id: one
            for n, line in enumerate(own)
            if not (one := foreseen[str(n)]).verdict.passes
        }
    return found


def _differs(line: ComingLine, stops: Foreseen | None) -> bool:
    """Whether the outcome or its date is another one; what stays keeps the rules it was found under."""
    if stops is None:
        return line.verdict != ""
    return (line.verdict, line.earliest_on) != (stops.verdict.value, stops.earliest_on)


def _write(
    actor: Actor, changed: Mapping[UUID, tuple[ComingLine, Foreseen | None]], rules: RuleSet
) -> None:
    # Locked in order of id; a client who has arrived meanwhile is screened in the room.
    visits = queries.locked_booked({line.visit_id for line, _ in changed.values()})
    found = [(line, stops) for line, stops in changed.values() if line.visit_id in visits]
    texts: dict[UUID, list[bytes]] = defaultdict(list)
    stopped: dict[UUID, list[UUID]] = defaultdict(list)
    for line, stops in found:
        if stops:
            texts[line.client_id].append(json.dumps(screening_as_kept(stops.screening())).encode())
            stopped[line.client_id].append(line.line_id)
        current().evidence(
            "line.foreseen",
            location_id=visits[line.visit_id].location_id,
            subject_id=line.visit_id,
            facts={
                "visit_id": line.visit_id,
                "line_id": line.line_id,
                "verdict": stops.verdict.value if stops else "proceed",
                "earliest_on": stops.earliest_on if stops else None,
                "rules_version": rules.version,
                "rules_digest": rules.digest,
            },
        )
    sealed: dict[UUID, bytes] = {}
    for client_id, each in seal_for_each(actor.business_id, texts).items():
        sealed |= dict(zip(stopped[client_id], each, strict=True))
    with connection.cursor() as cursor:
        cursor.execute(
            _FORESEEN,
            [
                [line.line_id for line, _ in found],
                [stops.verdict.value if stops else "" for _, stops in found],
                [stops.earliest_on if stops else None for _, stops in found],
                [rules.version if stops else "" for _, stops in found],
                [sealed.get(line.line_id) for line, _ in found],
            ],
        )
    touch([visits[i] for i in sorted({line.visit_id for line, _ in found})])
