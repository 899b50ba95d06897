"""Reads requirement packs from their files: the only I/O of this app's parameters.

A bad file is refused as a whole, with its name and place; nothing of it is used.
"""

import json
from collections.abc import Hashable, Iterable
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import yaml
from jsonschema import Draft202012Validator, FormatChecker, ValidationError

from compliance.requirements.rules.packs import (
    Pack,
    Parameter,
    ParameterName,
    Parameters,
    Strength,
    check_packs,
    parameters_in,
)

PACKS = Path(__file__).parent / "packs"
SCHEMA = PACKS / "pack.schema.json"


class BadPack(ValueError):
    """A pack file cannot be used; the message names the file, the place and what is wrong."""


def parameters(jurisdiction: str, on: date) -> Parameters:
    """What the program's own packs say for `jurisdiction` (`us-tx`) on the local date `on`.

    An unknown jurisdiction, or a date before its first edition, answers with the house default
    and a note. The files are read once per process.
    """
    return parameters_in(bundled_packs(), jurisdiction.lower(), on)


@lru_cache(maxsize=1)
def bundled_packs() -> tuple[Pack, ...]:
    """Every pack that comes with the program; raises BadPack or PackConflict."""
    return load_packs(PACKS.glob("*.yaml"))


def load_packs(paths: Iterable[Path]) -> tuple[Pack, ...]:
    """The packs in `paths`, checked one by one and against each other.

    Raises BadPack for a file, PackConflict for editions that overlap.
    """
    packs = tuple(load_pack(path) for path in sorted(paths))
    check_packs(packs)
    return packs


def load_pack(path: Path) -> Pack:
    """The pack in one file; raises BadPack."""
    try:
        content = yaml.load(path.read_text(encoding="utf-8"), Loader=_StrictLoader)  # noqa: S506
    except (OSError, UnicodeDecodeError, yaml.YAMLError, ValueError) as problem:
        raise BadPack(f"{path.name}: cannot be read: {problem}") from problem
    errors = sorted(_validator().iter_errors(content), key=lambda error: list(error.absolute_path))
    if errors:
        raise BadPack("; ".join([path.name, *(f"at {_pointer(e)}: {e.message}" for e in errors)]))
    return _pack(content)


def _pointer(error: ValidationError) -> str:
    return "".join(f"/{step}" for step in error.absolute_path) or "/"


class _StrictLoader(yaml.SafeLoader):
    """Safe loading that refuses a key given twice, where YAML libraries keep the last one."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Hashable, Any]:
        keys = [self.construct_object(key, deep=True) for key, _ in node.value]
        doubled = sorted({str(key) for key in keys if keys.count(key) > 1})
        if doubled:
            line = node.start_mark.line + 1
            raise ValueError(f"{', '.join(doubled)} is given twice in the part from line {line}")
        return super().construct_mapping(node, deep)


@lru_cache(maxsize=1)
def _validator() -> Draft202012Validator:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    return Draft202012Validator(schema, format_checker=FormatChecker(["date"]))


def _pack(content: dict[str, Any]) -> Pack:
    name = f"{content['code']}@{content['edition']}"
    until = content.get("applies_until")
    stated = {
        ParameterName(key): Parameter(
            name=ParameterName(key),
            value=row["value"],
            citation=row["citation"],
            strength=Strength(row["strength"]),
            pack=name,
            note=row.get("note", ""),
        )
        for key, row in content["parameters"].items()
    }
    return Pack(
        code=content["code"],
        edition=content["edition"],
        title=content["title"],
        applies_from=date.fromisoformat(content["applies_from"]),
        applies_until=date.fromisoformat(until) if until else None,
        parameters=stated,
    )
