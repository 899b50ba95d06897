"""Reads what is laid out for a visit from its file, once: the only I/O of `rules.set_up`."""

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import yaml

from clients.rule_files import shipped_rule_set
from clients.rules.areas import AreaTree
from clients.rules.model import RuleSet
from services.rules.set_up import (
    Count,
    Entry,
    Instead,
    Part,
    SetUpBook,
    SetUpSource,
    WaxDrawing,
)

SHIPPED = Path(__file__).parent / "set_up"


@cache
def shipped_set_up() -> SetUpBook:
    """The entries that come with the program; raises what `set_up_book_of` raises."""
    data = yaml.safe_load((SHIPPED / "items.yaml").read_text(encoding="utf-8"))
    return set_up_book_of(data, shipped_rule_set())


def set_up_book_of(data: dict[str, Any], rules: RuleSet) -> SetUpBook:
    """The entries that parsed `data` describes, in the words of the screening rules.

    Raises `jsonschema.ValidationError` for another shape than the schema's, ValueError for a word
    that the rules do not know, or an entry that is there twice for one way of drawing wax.
    """
    schema = json.loads((SHIPPED / "schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(data)
    families = {name for method in rules.methods.values() for name in method.families}
    allergies = rules.kinds["allergy"].details
    _known("area", data["parts"], set(rules.tree.touching))
    _known("method", data["applications"], set(rules.methods))
    for raw in data["items"]:
        _known("area", raw.get("areas", ()), set(rules.tree.touching))
        _known("method", raw.get("methods", ()), set(rules.methods) | families)
        _known("allergy", {*raw.get("may_hold", ()), *raw.get("instead", ())}, set(allergies))
    entries = tuple(_entry(raw, rules) for raw in data["items"])
    _check_once(entries)
    named = {area: Part(**part) for area, part in data["parts"].items()}
    return SetUpBook(
        version=data["version"],
        language=data["language"],
        notice=data["notice"],
        entries=entries,
        parts={area: _parts(area, named, rules.tree) for area in rules.tree.touching},
        applications=data["applications"],
    )


def _known(what: str, words: Any, known: set[str]) -> None:
    unknown = sorted(set(words) - known)
    if unknown:
        raise ValueError(f"{', '.join(unknown)}: not known as {what}")


def _check_once(entries: tuple[Entry, ...]) -> None:
    seen: set[tuple[str, WaxDrawing]] = set()
    for entry in entries:
        here = {(entry.code, way) for way in entry.drawing or WaxDrawing}
        if here & seen:
            raise ValueError(f"{entry.code} is there twice")
        seen |= here


def _parts(area: str, named: Mapping[str, Part], tree: AreaTree) -> tuple[Part, ...]:
    """The area's own part, else the outermost that lie in it, else one small section."""
    inside = [name for name in named if name in tree.within[area]]
    outermost = [
        name for name in inside if not any(name in tree.within[o] for o in inside if o != name)
    ]
    return tuple(named[name] for name in outermost) or (Part(sections=1, size="small"),)


def _entry(raw: dict[str, Any], rules: RuleSet) -> Entry:
    wanted = set(raw.get("methods", ()))
    return Entry(
        code=raw["code"],
        title=raw["title"],
        count=Count(raw["count"]),
        amount=raw.get("amount", 1),
        spare=raw.get("spare", 0),
        is_sized=raw.get("sized", False),
        stays=raw.get("stays", False),
        by_practitioner=raw.get("by_practitioner", False),
        title_for_all=raw.get("title_for_all", ""),
        methods=frozenset(m for m, one in rules.methods.items() if {m, *one.families} & wanted),
        areas=frozenset(raw.get("areas", ())),
        drawing=frozenset(WaxDrawing(way) for way in raw.get("drawing", ())),
        may_hold=frozenset(raw.get("may_hold", ())),
        instead={code: Instead(**other) for code, other in raw.get("instead", {}).items()},
        sources=tuple(SetUpSource(**source) for source in raw["sources"]),
    )
