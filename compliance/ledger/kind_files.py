"""Reads the schema files of entry kinds, `kinds/<kind>.v<version>.json`, once at start-up."""

import json
from pathlib import Path

from compliance.ledger.rules.kinds import (
    Kinds,
    KindSchema,
    SchemaMalformed,
    collect,
    compile_schema,
)

FOLDER = Path(__file__).with_name("kinds")


def load(folder: Path) -> Kinds:
    """Every schema in `folder`; raises SchemaMalformed, with the file's name, for the first bad one."""
    return collect(_schema(path) for path in sorted(folder.glob("*.json")))


def _schema(path: Path) -> KindSchema:
    try:
        schema = compile_schema(json.loads(path.read_text(encoding="utf-8")))
    except ValueError as error:
        raise SchemaMalformed(f"{path.name}: {error}") from error
    if path.name != f"{schema.kind}.v{schema.version}.json":
        raise SchemaMalformed(f"{path.name} holds {schema.kind} version {schema.version}")
    return schema


KINDS = load(FOLDER)
