"""Who needs protecting: minors, and everybody in an intimate service. Pure.

No statute was found (trade-facts 7.27): customs ask a parent's written consent and presence under
18, some presence under 16, and put the floor for intimate waxing at 16 or 18. House policy chooses
among them, the strictest by default, and nobody overrides it.
"""

from collections.abc import Mapping
from datetime import date

INTIMATE = frozenset({"bikini", "intimate", "buttocks"})
ADULT_AT = 18
#: Under this age the guardian is here for every service, not only an intimate one.
GUARDIAN_HERE_UNDER = 16


def years_old(born: date, today: date) -> int:
    """Full years; who was born on 29 February is a year older on 1 March of other years."""
    return today.year - born.year - ((today.month, today.day) < (born.month, born.day))


def is_minor(born: date | None, today: date) -> bool:
    """Whether the client is known to be under 18."""
    return born is not None and years_old(born, today) < ADULT_AT


def flags_of(
    *,
    area: str,
    years: int | None,
    consents: Mapping[str, bool],
    guardian_is_here: bool,
    age_floor: int,
) -> frozenset[str]:
    """What stands against a line on `area` by the client's age (None: unknown) and consents."""
    intimate = area in INTIMATE
    found = set()
    if years is None:
        found.add("age_unknown")
    elif years < ADULT_AT:
        if not consents.get("guardian_service"):
            found.add("guardian_consent_missing")
        if not guardian_is_here and (intimate or years < GUARDIAN_HERE_UNDER):
            found.add("guardian_not_present")
    if intimate and years is not None and years < age_floor:
        found.add("under_age_floor")
    if intimate and not consents.get("intimate_service"):
        found.add("intimate_consent_missing")
    return frozenset(found)
