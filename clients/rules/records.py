"""A screening as plain data: what is kept with a line and shown to whoever may read it."""

from typing import Any

from clients.rules.cases import Reason, Screening


def as_data(screening: Screening) -> dict[str, Any]:
    """`screening` in words, ISO dates and lists, ready for JSON; it names health answers."""
    return {
        "verdict": screening.verdict.value,
        "earliest_on": screening.earliest_on and screening.earliest_on.isoformat(),
        "is_firm": screening.is_firm,
        "is_vague": screening.is_vague,
        "reasons": [_reason(reason) for reason in screening.reasons],
        "ask_next": [
            {"about": ask.about, "what": ask.what, "text": ask.text} for ask in screening.ask_next
        ],
        "alternatives": list(screening.alternatives),
        "overridable_by": sorted(screening.overridable_by),
        "rules_version": screening.rules_version,
        "rules_digest": screening.rules_digest,
    }


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "rule": reason.rule_id,
        "title": reason.title,
        "verdict": reason.verdict.value,
        "about": list(reason.about),
        "until": reason.until and reason.until.isoformat(),
        "condition": reason.condition,
        "met": reason.met,
        "lifted_by": reason.lifted_by and reason.lifted_by.value,
        "overridable_by": list(reason.overridable_by),
        "unclear": sorted(what.value for what in reason.unclear),
        "caution": reason.caution,
        "sources": [
            {"ref": source.ref, "strength": source.strength.value, "says": source.says}
            for source in reason.sources
        ],
    }
