"""A bath in its container: what is wrong with how it was made, what topping up does, when to warn."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from enum import StrEnum

from compliance.disinfection.rules.labels import Family, may_not_meet
from compliance.disinfection.rules.mixing import Amounts, Dilution, Pour, PourJudgement, judge_pour

#: House policy where a label says nothing: so long after its contact time a soak is too long.
SOAK_TOO_LONG_AFTER = timedelta(hours=1)
#: A container's capacity is kept to so much: what was poured is not.
_KEPT_TO_ML = Decimal("0.01")


class Finding(StrEnum):
    """What is wrong with a bath, on record from its mixing on."""

    WEAKER = "weaker"
    OVER = "over"
    OVERFILLED = "overfilled"
    NOT_CHANGED_OVER = "container_not_changed_over"
    MUST_NOT_MEET = "must_not_meet_what_was_in_it"
    NO_DATA_SHEET = "no_safety_data_sheet_on_site"
    NO_LABELLED_BOTTLE = "no_labelled_bottle_on_site"


#: With these the bath must not be used; the others are to be put right beside it.
UNUSABLE = frozenset(
    {
        Finding.WEAKER,
        Finding.OVER,
        Finding.OVERFILLED,
        Finding.NOT_CHANGED_OVER,
        Finding.MUST_NOT_MEET,
    }
)

WHAT_TO_DO: Mapping[Finding, str] = {
    Finding.WEAKER: "Weaker than the label: do not use it. Discard it and mix again.",
    Finding.OVER: "Stronger than house policy allows over the label: discard it and mix again.",
    Finding.OVERFILLED: (
        "More than the container holds with implements in it: nothing in it is cleared. "
        "Discard it and mix less, or use a larger container."
    ),
    Finding.NOT_CHANGED_OVER: (
        "Another product was in this container: empty it, wash it, label it anew, then mix again."
    ),
    Finding.MUST_NOT_MEET: (
        "What was in this container must never meet what was poured in: poisonous gas can form. Leave it, air "
        "the room, and follow the safety data sheets."
    ),
    Finding.NO_DATA_SHEET: "Get the product's safety data sheet and keep it at hand.",
    Finding.NO_LABELLED_BOTTLE: (
        "Keep the maker's labelled bottle on site, even when empty, until it is replaced."
    ),
}

#: Beside what is too weak or too strong only because a ratio was read the other way.
OTHER_READING = " It fits the ratio read the other way: this label counts parts of concentrate added to parts of water."


def what_to_do(finding: Finding, judged: PourJudgement) -> str:
    """What to do about it, and where the amounts fit the label's numbers read the other way, that."""
    is_of_pour = finding in {Finding.WEAKER, Finding.OVER}
    return WHAT_TO_DO[finding] + (OTHER_READING if is_of_pour and judged.other_reading else "")


#: What each finding rests on.
BASIS: Mapping[Finding, str] = {
    Finding.WEAKER: "product label",
    Finding.OVER: "house policy",
    Finding.OVERFILLED: "16 CCR 978(a)(4)-(5); house policy",
    Finding.NOT_CHANGED_OVER: "common practice, no source",
    Finding.MUST_NOT_MEET: "common practice, no source; product label",
    Finding.NO_DATA_SHEET: "common practice, no source",
    Finding.NO_LABELLED_BOTTLE: "16 CCR 978(c); OAC 4713-15-03 (C); Okla. 175:10-7-6 (g)-(h)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """What was in the container last, and what was done to it since. Nothing said: not done."""

    is_same_product: bool
    family: Family
    emptied: bool = False
    washed: bool = False
    labelled_anew: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OnSite:
    """The last look for the papers of a product at a location; nobody looked: not there."""

    data_sheet: bool = False
    labelled_bottle: bool = False


def findings_on(
    *,
    label: Dilution,
    family: Family,
    poured: Amounts,
    capacity_ml: Decimal | None,
    before: Before | None,
    on_site: OnSite,
) -> tuple[Finding, ...]:
    """Everything wrong with a fresh bath, the worst first."""
    found = []
    if before is not None and not before.is_same_product:
        if not (before.emptied and before.washed) and may_not_meet(before.family, family):
            found.append(Finding.MUST_NOT_MEET)
        if not (before.emptied and before.washed and before.labelled_anew):
            found.append(Finding.NOT_CHANGED_OVER)
    pour = judge_pour(label, poured).pour
    if pour is not Pour.OK:
        found.append(Finding.WEAKER if pour is Pour.WEAKER else Finding.OVER)
    if is_overfilled(poured, capacity_ml):
        found.append(Finding.OVERFILLED)
    if not on_site.data_sheet:
        found.append(Finding.NO_DATA_SHEET)
    if not on_site.labelled_bottle:
        found.append(Finding.NO_LABELLED_BOTTLE)
    return tuple(found)


def is_overfilled(poured: Amounts, capacity_ml: Decimal | None) -> bool:
    """Whether more was poured than the container takes; an unknown capacity says nothing."""
    return capacity_ml is not None and poured.finished_ml >= capacity_ml + _KEPT_TO_ML


def warn_at(*, mixed_at: datetime, discard_at: datetime, before: timedelta) -> datetime:
    """From when on a bath is announced as ending soon: so long before, but in its last quarter only."""
    return max(discard_at - before, mixed_at + (discard_at - mixed_at) * 3 / 4)


def soak_too_long_at(
    *, contact_from: datetime, due_at: datetime, label_seconds: int | None
) -> datetime:
    """From when on a soak is too long: the label's longest time, else house policy.

    Long soaks corrode, and some labels forbid them; it stays cleared, and is warned of.
    """
    if label_seconds is None:
        return due_at + SOAK_TOO_LONG_AFTER
    return max(due_at, contact_from + timedelta(seconds=label_seconds))
