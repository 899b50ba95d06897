"""How often each screening rule stood in the way, and how often it was overridden: a figure of the house.

A rule that is overridden nearly every time is one that nobody believes; one that never stands may be
asked for nothing. Counts only: no client, no line and no day.
"""

import json
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from clients.rules.model import PASSING
from services.models import Line, Visit
from spa_ops.tenancy.sealing import unseal_for_each


@dataclass(frozen=True, slots=True, kw_only=True)
class OverrideRate:
    """Of `stood` lines that the rule kept from starting when last decided, `overridden` were let start."""

    rule_id: str
    stood: int
    overridden: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OverrideRates:
    """The rates of one location, the most often overridden first; erased clients' lines are not in them."""

    lines: int
    rates: tuple[OverrideRate, ...]


def override_rates(location_id: UUID, first: date, last: date) -> OverrideRates:
    """Of the lines screened on these local days. Two statements.

    By the last decision of each line: what was answered or met in between stands in nobody's way.
    """
    rows = (
        Line.objects.filter(
            visit__in=Visit.objects.filter(location_id=location_id),
            screened_on__range=(first, last),
            sealed_screening__isnull=False,
        )
        .exclude(verdict__in=PASSING)
        .values_list("visit__client_id", "sealed_screening", "overridden_at")
    )
    sealed: dict[UUID, list[bytes]] = defaultdict(list)
    overridden: dict[UUID, list[bool]] = defaultdict(list)
    for client_id, text, at in rows:
        sealed[client_id].append(text)
        overridden[client_id].append(at is not None)
    stood: Counter[str] = Counter()
    let_start: Counter[str] = Counter()
    lines = 0
    for client_id, texts in unseal_for_each(sealed).items():
        for text, was_overridden in zip(texts, overridden[client_id], strict=True):
            rules = json.loads(text)["standing"]
            lines += 1
            stood.update(rules)
            let_start.update(rules if was_overridden else ())
    rates = [OverrideRate(rule_id=r, stood=n, overridden=let_start[r]) for r, n in stood.items()]
    return OverrideRates(
        lines=lines,
        rates=tuple(
            sorted(rates, key=lambda one: (-one.overridden / one.stood, -one.stood, one.rule_id))
        ),
    )
