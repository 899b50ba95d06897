"""Services from a spreadsheet."""

import difflib
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from services.imports import headers, tables
from services.imports.amounts import (
    PriceColumn,
    minor_digits,
    parse_minutes,
    parse_price,
    parse_weeks,
)
from services.imports.cells import fold, on_one_line, shown
from services.imports.contacts import parse_name
from services.imports.rows import CellError, FileRefused
from services.imports.sheets import Cells, Place, Sheet, report_of, survey_column

#: House policy bounds, to catch hours entered as minutes and minutes entered as hours.
HANDS_ON_MINUTES = (5, 480)
OTHER_MINUTES = (0, 120)
MOST_REBOOK_WEEKS = 52
#: Everyday words, folded, for areas and methods that the program calls otherwise.
EVERYDAY_WORDS = {
    "upper lip": "lip", "lips": "lip", "eyebrow": "brow", "eyebrows": "brow", "eyelash": "lash",
    "eyelashes": "lash", "lashes": "lash", "cheek": "sides_of_face", "cheeks": "sides_of_face",
    "full face": "face", "whole face": "face", "nose": "nose_exterior", "bikini line": "bikini",
    "half leg": "lower_leg", "full leg": "leg", "full legs": "leg", "full arm": "arm",
    "full arms": "arm", "half arm": "forearm", "stomach": "abdomen", "belly": "abdomen",
    "armpit": "underarm", "armpits": "underarm", "feet": "foot", "full back": "back",
    "gesicht": "face", "oberlippe": "lip", "augenbrauen": "brow", "wimpern": "lash", "kinn": "chin",
    "achseln": "underarm", "beine": "leg", "arme": "arm", "ruecken": "back", "rucken": "back",
    "cara": "face", "labio superior": "lip", "cejas": "brow", "pestanas": "lash", "axilas": "underarm",
    "piernas": "leg", "brazos": "arm", "espalda": "back", "visage": "face", "sourcils": "brow",
    "levre superieure": "lip", "cils": "lash", "menton": "chin", "aisselles": "underarm",
    "jambes": "leg", "bras": "arm", "dos": "back", "strip wax": "soft_wax", "warm wax": "soft_wax",
    "stripless wax": "hard_wax", "film wax": "hard_wax", "tweezers": "tweezing", "tweeze": "tweezing",
    "tinting": "tint", "chemical peel": "peel",
}  # fmt: skip
_LIST = re.compile(r"[,;|/\n+]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words the price list may use.

    `also` maps other words, folded, to these; `EVERYDAY_WORDS` is a start. Empty room features
    mean that any word is taken.
    """

    areas: Collection[str]
    methods: Collection[str]
    room_features: Collection[str] = ()
    also: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceRow:
    """One service on the price list; minutes and weeks are None where the file says nothing."""

    name: str
    area: str
    method: str
    hands_on_minutes: int
    price_minor: int
    currency: str
    set_up_minutes: int | None = None
    clean_up_minutes: int | None = None
    consultation_minutes: int | None = None
    aftercare_minutes: int | None = None
    rebook_weeks: int | None = None
    room_features: tuple[str, ...] = ()
    kit: str = ""
    skill: str = ""
    source_id: str = ""
    keys: tuple[str, ...] = ()


def open_services(
    path: Path, *, place: Place, words: Words, encoding: str = ""
) -> Sheet[ServiceRow]:
    """Survey a price list. Raises FileRefused, with what to do, if it cannot be imported."""
    table = tables.survey(path, headers.SERVICES, encoding=encoding)
    prices = PriceColumn(minor_digits(place.currency))
    count = survey_column(table, "price", lambda _row, text: prices.add(text))
    if not count:
        raise FileRefused("no-rows", f"{path.name} has a header and no services below it.")
    said = [prices.decision(table.match.names["price"])]
    reader = _Reader(currency=place.currency, mark=prices.mark, words=words)
    return Sheet(table, report_of(path, table, count, said), reader.read)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    currency: str
    mark: str
    words: Words

    def read(self, cells: Cells) -> ServiceRow | None:
        name = cells.need("name", parse_name) or ""
        area = cells.need("area", lambda text: self._word("area", text, self.words.areas))
        method = cells.need("method", lambda text: self._word("method", text, self.words.methods))
        hands_on = cells.need("hands_on_minutes", lambda t: parse_minutes(t, *HANDS_ON_MINUTES))
        price = cells.need("price", lambda text: parse_price(text, self.currency, self.mark))
        features = cells.read("room_features", self._features) or ()
        other = {column: _other_minutes(cells, column) for column in _OTHER}
        weeks = cells.read("rebook_weeks", lambda text: parse_weeks(text, MOST_REBOOK_WEEKS))
        # The four that a service cannot be without; each has its error already.
        if area is None or method is None or hands_on is None or price is None:
            return None
        source_id = cells.text("source_id", most=120)
        return ServiceRow(
            name=name,
            area=area,
            method=method,
            hands_on_minutes=hands_on,
            price_minor=price,
            currency=self.currency,
            rebook_weeks=weeks,
            room_features=features,
            kit=on_one_line(cells.text("kit", most=40)),
            skill=on_one_line(cells.text("skill", most=40)),
            source_id=source_id,
            keys=(*([f"source|{source_id}"] if source_id else []), f"name|{fold(name)}"),
            **other,
        )

    def _features(self, text: str) -> tuple[str, ...]:
        allowed = self.words.room_features
        parts = [part.strip() for part in _LIST.split(text) if part.strip()]
        found = [self._word("room feature", p, allowed) if allowed else fold(p)[:40] for p in parts]
        return tuple(dict.fromkeys(found))

    def _word(self, kind: str, text: str, allowed: Collection[str]) -> str:
        """The allowed word that `text` means, whatever its case, spaces, dashes or plural s."""
        by_fold = {fold(word): word for word in allowed}
        folded = fold(text)
        meant = fold(self.words.also.get(folded, ""))
        for candidate in (meant, folded, folded.removesuffix("s")):
            if candidate in by_fold:
                return by_fold[candidate]
        near = difflib.get_close_matches(folded, by_fold, n=3) or sorted(by_fold)
        raise CellError(
            f"{kind.replace(' ', '-')}-unknown",
            f"{shown(text)} is no {kind} that the program knows. Write one of:"
            f" {', '.join(by_fold[word] for word in near)}.",
        )


_OTHER = ("set_up_minutes", "clean_up_minutes", "consultation_minutes", "aftercare_minutes")


def _other_minutes(cells: Cells, column: str) -> int | None:
    return cells.read(column, lambda text: parse_minutes(text, *OTHER_MINUTES))
