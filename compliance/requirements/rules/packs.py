"""Requirement packs as values, and the one look-up: what holds in a jurisdiction on a date.

A pack is parsed data; reading files is `compliance.requirements.pack_files`. Nothing is guessed: where a
jurisdiction has no pack, or its pack is silent, the house default holds and the answer says so.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import pairwise
from typing import Any

HOUSE_DEFAULT = "house-default"

#: Shown wherever parameters are shown.
CAUTION = "Rules change and this is not legal advice: your local board and the product's label come first."


class Strength(StrEnum):
    """How well a value is known."""

    READ = "read"
    SECONDARY = "secondary"
    ARITHMETIC = "arithmetic"
    MEMORY = "memory"
    COMMON_PRACTICE = "common_practice"
    HOUSE_POLICY = "house_policy"


class ParameterName(StrEnum):
    """What a pack may state. `house-default` states them all."""

    SOLUTION_USE_LIMITS = "solution_use_limits"
    CONTACT_FLOORS = "contact_floors"
    TURNOVER_STEPS = "turnover_steps"
    SENDING_HOURS = "sending_hours"
    RETENTION = "retention"
    WAX_DRAWING = "wax_drawing"
    LINEN_WASH = "linen_wash"
    EQUIPMENT_CARE = "equipment_care"
    OPENING_LIST = "opening_list"
    CLOSING_LIST = "closing_list"
    SPORE_TEST_DAYS = "spore_test_days"
    SPORE_TEST_OCCASIONS = "spore_test_occasions"
    GOOD_SPORE_TESTS_AFTER_FAILURE = "good_spore_tests_after_failure"
    STERILISING_SETTINGS = "sterilising_settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One stated value with where it comes from; `pack` is the edition, such as `us-tx@1`."""

    name: ParameterName
    value: Any
    citation: str
    strength: Strength
    pack: str
    note: str = ""

    @property
    def is_house(self) -> bool:
        """Whether it comes from the house default, not from the jurisdiction's own pack."""
        return self.pack.partition("@")[0] == HOUSE_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """One edition of one jurisdiction's pack, in force from `applies_from` up to `applies_until`.

    The dates are local dates, the last one exclusive; None is "until further notice".
    """

    code: str
    edition: int
    title: str
    applies_from: date
    applies_until: date | None
    parameters: Mapping[ParameterName, Parameter]

    @property
    def name(self) -> str:
        return f"{self.code}@{self.edition}"

    def is_in_force(self, on: date) -> bool:
        return self.applies_from <= on and (self.applies_until is None or on < self.applies_until)


class PackConflict(ValueError):
    """Two editions of one pack hold on the same day, or the house default leaves a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """What holds in `jurisdiction` on a date. `notes` say what was filled from the house default.

    `packs` are the editions used: keep them with whatever is decided on these values.
    """

    jurisdiction: str
    on: date
    values: Mapping[ParameterName, Parameter]
    packs: tuple[str, ...]
    notes: tuple[str, ...]

    def __getitem__(self, name: ParameterName) -> Parameter:
        return self.values[name]


def parameters_in(packs: Iterable[Pack], jurisdiction: str, on: date) -> Parameters:
    """What holds in `jurisdiction` (lower case, such as `us-tx`) on the local date `on`.

    Raises PackConflict where the packs contradict themselves or no house default covers the date.
    """
    known = tuple(packs)
    house = _in_force(known, HOUSE_DEFAULT, on)
    if house is None:
        raise PackConflict(f"no edition of {HOUSE_DEFAULT} is in force on {on}")
    own = _in_force(known, jurisdiction, on) if jurisdiction != HOUSE_DEFAULT else None
    values = {**house.parameters, **(own.parameters if own else {})}
    absent = [name for name in ParameterName if name not in values]
    if absent:
        raise PackConflict(f"{house.name} does not state {', '.join(absent)}")
    used = (own, house) if own else (house,)
    return Parameters(
        jurisdiction=jurisdiction,
        on=on,
        values=values,
        packs=tuple(pack.name for pack in used),
        notes=tuple(_notes(jurisdiction, on, own, values)),
    )


def check_packs(packs: Iterable[Pack]) -> None:
    """Raise PackConflict if two editions of a pack share a number or a day."""
    by_code: dict[str, list[Pack]] = {}
    for pack in packs:
        by_code.setdefault(pack.code, []).append(pack)
    for editions in by_code.values():
        if len({pack.edition for pack in editions}) < len(editions):
            raise PackConflict(f"{editions[0].code} has two editions of one number")
        editions.sort(key=lambda pack: pack.applies_from)
        for earlier, later in pairwise(editions):
            if earlier.is_in_force(later.applies_from):
                raise PackConflict(f"{earlier.name} and {later.name} hold on the same day")


def _in_force(packs: tuple[Pack, ...], code: str, on: date) -> Pack | None:
    found = [pack for pack in packs if pack.code == code and pack.is_in_force(on)]
    if len(found) > 1:
        raise PackConflict(f"{found[0].name} and {found[1].name} hold on the same day")
    return found[0] if found else None


def _notes(
    jurisdiction: str, on: date, own: Pack | None, values: Mapping[ParameterName, Parameter]
) -> Iterator[str]:
    if own is None:
        yield f"No requirement pack for {jurisdiction} on {on}: house defaults hold. Ask your local board."
    else:
        for name in ParameterName:
            if values[name].is_house:
                yield f"{own.name} does not state {name}: the house default holds."
    yield CAUTION
