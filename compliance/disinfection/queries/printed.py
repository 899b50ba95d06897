"""What is printed: a bath's label, a kit's tag."""

from datetime import datetime
from typing import Any

from compliance.disinfection import queries
from compliance.disinfection.models import Kit, Solution
from compliance.disinfection.rules.labels import Family, cautions_for, initials, ratio_in_words
from compliance.disinfection.rules.reprocessing import ImplementClass
from spa_ops.tenancy.models import Person

_WAYS_BACK = {
    ImplementClass.IMMERSIBLE: "wash, immerse",
    ImplementClass.NOT_IMMERSIBLE: "wipe clean, wipe wet; never immerse",
    ImplementClass.ELECTRICAL_WITH_REMOVABLE_PARTS: "take parts off, wipe clean, wipe wet",
    ImplementClass.MUST_BE_STERILISED: "wash, sterilise",
}


def label_of(solution: Solution, now: datetime) -> dict[str, Any]:
    """Everything that a bath's container says at `now`, for the template; times as instants."""
    product = solution.product
    ppm = queries.target_ppm(product)
    mixer = Person.objects.filter(id=solution.mixed_by).first() if solution.mixed_by else None
    return {
        "solution": solution,
        "product": product,
        "ratio": ratio_in_words(queries.dilution_of(product)),
        "ppm": f"{ppm:.0f}" if ppm is not None else "",
        "contact": minutes_of(solution.contact_seconds),
        "initials": initials(mixer.name) if mixer else "",
        "cautions": cautions_for(Family(product.family)),
        "zone": solution.location.zone,
        "stop": _why_stop(solution, now),
    }


def _why_stop(solution: Solution, now: datetime) -> str:
    """Why nothing may be put into the bath now, whether or not a sweep has seen it; nothing: it may."""
    if solution.ended_at is not None:
        return solution.end_reason.replace("_", " ")
    if now >= solution.discard_at:
        return "its time is over"
    if solution.uses_allowed is not None and solution.uses >= solution.uses_allowed:
        return "used as often as its label allows"
    return ""


def minutes_of(seconds: int | None) -> str:
    """A contact time as people read it; nothing where none is on file."""
    if seconds is None:
        return ""
    minutes, rest = divmod(seconds, 60)
    said = [f"{minutes} min"] if minutes else []
    return " ".join([*said, f"{rest} s"] if rest or not minutes else said)


def tag_of(kit: Kit) -> dict[str, Any]:
    """Everything that a kit's tag says, for the template; `urn` is what its code holds (RFC 9562)."""
    return {
        "kit": kit,
        "place": kit.location,
        "urn": kit.id.urn,
        "implements": [
            {"tag": row.tag, "name": row.name, "way_back": _WAYS_BACK[ImplementClass(row.kind)]}
            for row in queries.implements_in(kit.id)
        ],
    }
