"""What an entry of a kind may hold: schemas compiled from parsed files, and the check on append.

A schema is data: `{"kind", "version", "says", "facts", "personal"}`, the last two from field name
to type. A type is one of `TYPES`, or `list[...]` of one; with `?` behind it the field may be left
out or null, which both say "not known". A released version is never changed: what must change gets
the next version beside it.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, TypeAlias

from compliance.ledger.rules.format import (
    KIND_TEXT,
    MAX_INTEGER,
    UUID_TEXT,
    WORD_TEXT,
    NotFormatOne,
    parse_instant,
)

Fits: TypeAlias = Callable[[object], bool]

#: House policy: longer texts belong to a document that the entry names.
MAX_TEXT = 4000
_UUID, _WORD, _KIND = re.compile(UUID_TEXT), re.compile(WORD_TEXT), re.compile(KIND_TEXT)
# `1.13.2` and `facial_wax/brow` are codes; a sentence is not, so no client's story gets in.
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:/+@-]{0,79}")
_DECIMAL = re.compile(r"-?(?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,9})?")
_TYPE = re.compile(r"(list\[)?([a-z]+)(\])?(\?)?")
_SCHEMA_KEYS = frozenset({"kind", "version", "says", "facts", "personal"})


class BodyDoesNotFit(ValueError):
    """An action made a body that its kind's schema refuses; `flaws` has a sentence for each."""

    def __init__(self, kind: str, flaws: list[str]) -> None:
        self.kind, self.flaws = kind, flaws
        super().__init__(f"{kind}: {'; '.join(flaws)}")


class UnknownKind(ValueError):
    """There is no schema of this kind, or not in this version."""


class SchemaMalformed(ValueError):
    """A schema file does not have the form that the head of this module describes."""


def _is_date(value: object) -> bool:
    # Length first: Python also reads 20260131 and 2026-W05-6, and a day shall have one text.
    if not isinstance(value, str) or len(value) != 10 or value[4] != "-" or value[7] != "-":
        return False
    try:
        date.fromisoformat(value)
    except ValueError:
        return False
    return True


def _is_instant(value: object) -> bool:
    try:
        return isinstance(value, str) and bool(parse_instant(value))
    except NotFormatOne:
        return False


def _is_text(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= MAX_TEXT


#: `str` in facts is for what a label says (lot, licence number): words about a client are personal.
TYPES: dict[str, Fits] = {
    "uuid": lambda value: isinstance(value, str) and bool(_UUID.fullmatch(value)),
    "int": lambda value: type(value) is int and abs(value) <= MAX_INTEGER,
    "str": _is_text,
    "code": lambda value: isinstance(value, str) and bool(_CODE.fullmatch(value)),
    "bool": lambda value: isinstance(value, bool),
    "date": _is_date,
    "datetime": _is_instant,
    "decimal": lambda value: isinstance(value, str) and bool(_DECIMAL.fullmatch(value)),
}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a body: the type as written, its test, and whether it must be there."""

    type: str
    fits: Fits
    is_required: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class KindSchema:
    """One version of one kind: which fields facts and personal body have, compiled to tests."""

    kind: str
    version: int
    says: str
    facts_fields: Mapping[str, Field]
    personal_fields: Mapping[str, Field]

    def check(
        self, facts: Mapping[str, object], personal: Mapping[str, object] | None = None
    ) -> None:
        """Raises BodyDoesNotFit, naming every wrong field, unless both bodies fit this version.

        Values are as JSON has them: ids, days, instants and decimals as text in their one form.
        """
        flaws = _flaws(self.facts_fields, facts, "facts")
        if personal is not None:
            if not self.personal_fields:
                flaws.append("this kind has no personal body")
            flaws += _flaws(self.personal_fields, personal, "personal")
        if flaws:
            raise BodyDoesNotFit(f"{self.kind}.v{self.version}", flaws)


@dataclass(frozen=True, slots=True)
class Kinds:
    """Every schema there is, by kind and version."""

    schemas: Mapping[tuple[str, int], KindSchema]
    newest: Mapping[str, KindSchema]

    def latest(self, kind: str) -> KindSchema:
        """The version that new entries are written in; raises UnknownKind."""
        try:
            return self.newest[kind]
        except KeyError:
            raise UnknownKind(f"there is no schema file for the kind {kind!r}") from None

    def schema(self, kind: str, version: int) -> KindSchema:
        """The version an old entry was written in; raises UnknownKind."""
        try:
            return self.schemas[kind, version]
        except KeyError:
            raise UnknownKind(f"there is no schema file {kind}.v{version}") from None


def compile_schema(raw: object) -> KindSchema:
    """One parsed schema file, compiled once so that the check costs microseconds on each append.

    Raises SchemaMalformed.
    """
    if not isinstance(raw, dict) or raw.keys() != _SCHEMA_KEYS:
        raise SchemaMalformed(f"a schema has exactly the keys {sorted(_SCHEMA_KEYS)}")
    kind, version, says = raw["kind"], raw["version"], raw["says"]
    if not isinstance(kind, str) or not _KIND.fullmatch(kind):
        raise SchemaMalformed(f"{kind!r} is no kind, such as room.turnover_finished")
    if type(version) is not int or version < 1:
        raise SchemaMalformed(f"{kind}: versions count from 1")
    if not isinstance(says, str) or not says.strip():
        raise SchemaMalformed(f"{kind}: `says` tells an inspector what an entry of this kind says")
    return KindSchema(
        kind=kind,
        version=version,
        says=says,
        facts_fields=_fields(kind, raw["facts"]),
        personal_fields=_fields(kind, raw["personal"]),
    )


def collect(schemas: Iterable[KindSchema]) -> Kinds:
    """The registry of these schemas; raises SchemaMalformed for a doubled or missing version."""
    found: dict[tuple[str, int], KindSchema] = {}
    newest: dict[str, KindSchema] = {}
    for schema in sorted(schemas, key=lambda each: (each.kind, each.version)):
        before = newest.get(schema.kind)
        if schema.version != (before.version if before else 0) + 1:
            raise SchemaMalformed(f"{schema.kind}: versions must be 1, 2, 3 ... without a gap")
        found[schema.kind, schema.version] = newest[schema.kind] = schema
    return Kinds(found, newest)


def _fields(kind: str, raw: Any) -> dict[str, Field]:
    if not isinstance(raw, dict):
        raise SchemaMalformed(f"{kind}: facts and personal go from field name to type")
    return {name: _field(kind, name, written) for name, written in raw.items()}


def _field(kind: str, name: str, written: object) -> Field:
    match = _TYPE.fullmatch(written) if isinstance(written, str) else None
    if not match or bool(match[1]) != bool(match[3]) or match[2] not in TYPES:
        raise SchemaMalformed(f"{kind}.{name}: {written!r} is no type; there are {sorted(TYPES)}")
    if not _WORD.fullmatch(name):
        raise SchemaMalformed(f"{kind}: {name!r} is no field name")
    fits = _list_of(TYPES[match[2]]) if match[1] else TYPES[match[2]]
    return Field(match[0].removesuffix("?"), fits, not match[4])


def _list_of(fits: Fits) -> Fits:
    return lambda value: isinstance(value, list) and all(map(fits, value))


def _flaws(fields: Mapping[str, Field], body: Mapping[str, object], part: str) -> list[str]:
    flaws = [f"{part}.{name} is not a field" for name in body if name not in fields]
    for name, field in fields.items():
        value = body.get(name)
        if value is None:
            if field.is_required:
                flaws.append(f"{part}.{name} is missing")
        elif not field.fits(value):
            flaws.append(f"{part}.{name} must be {field.type}")
    return flaws
