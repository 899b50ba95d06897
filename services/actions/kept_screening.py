"""A line's screening with its reasons as it is sealed beside the line, and read back."""

import json
from typing import Any

from clients.rules.cases import Reason, Screening
from services.models import Line, Visit
from spa_ops.tenancy.sealing import unseal


def screening_as_kept(screening: Screening) -> dict[str, Any]:
    """A screening as JSON values, to be sealed beside its line."""
    return {
        "verdict": screening.verdict.value,
        "earliest_on": str(screening.earliest_on) if screening.earliest_on else None,
        "is_vague": screening.is_vague,
        "is_firm": screening.is_firm,
        "alternatives": list(screening.alternatives),
        "ask_next": [
            {"about": a.about, "what": a.what, "text": a.text} for a in screening.ask_next
        ],
        "reasons": [_reason(r) for r in screening.reasons],
        "standing": sorted({r.rule_id for r in screening.standing}),
        "overridable_by": sorted(screening.overridable_by),
    }


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "rule_id": reason.rule_id,
        "title": reason.title,
        "verdict": reason.stands_as.value,
        "about": list(reason.about),
        "caution": reason.caution,
        "until": str(reason.until) if reason.until else None,
        "condition": reason.condition,
        "met": reason.met,
        "unclear": sorted(u.value for u in reason.unclear),
        "overridable_by": list(reason.overridable_by),
        "sources": [
            {"ref": s.ref, "strength": s.strength.value, "says": s.says} for s in reason.sources
        ],
    }


def kept_screening(visit: Visit, line: Line) -> dict[str, Any]:
    """The last screening of a line with its reasons; empty if there was none."""
    if line.sealed_screening is None:
        return {}
    found: dict[str, Any] = json.loads(
        unseal(visit.business_id, visit.client_id, bytes(line.sealed_screening))
    )
    return found


def standing_rules(visit: Visit, line: Line) -> list[str]:
    """The rules that kept a line from starting when it was last decided."""
    return list(kept_screening(visit, line).get("standing", []))
