"""Reads the incident guides from their file, once: the only I/O of `rules.incidents`."""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import yaml

from services.rules.incidents import Guide, GuideBook, GuideSource, Hurt, IncidentKind, Step

SHIPPED = Path(__file__).parent / "incident_guides"


@cache
def shipped_guides() -> GuideBook:
    """The guides that come with the program; raises what `guide_book_of` raises."""
    return guide_book_of(yaml.safe_load((SHIPPED / "guides.yaml").read_text(encoding="utf-8")))


def guide_book_of(data: dict[str, Any]) -> GuideBook:
    """The guides that parsed `data` describes.

    Raises `jsonschema.ValidationError` for another shape than the schema's, ValueError for a step
    that is there twice.
    """
    schema = json.loads((SHIPPED / "schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(data)
    return GuideBook(
        version=data["version"],
        digest=_digest(data),
        notice=data["notice"],
        emergency=data["emergency"]["text"],
        emergency_sources=_sources(data["emergency"]),
        call_back_hours=tuple(data["call_back_hours"]),
        call_back_sources=tuple(GuideSource(**s) for s in data["call_back_sources"]),
        guides=tuple(_guide(IncidentKind(kind), raw) for kind, raw in data["guides"].items()),
    )


def _digest(data: dict[str, Any]) -> str:
    """SHA-256 of the data as JSON with sorted keys: comments and layout do not change it."""
    text = json.dumps(data, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _guide(kind: IncidentKind, raw: dict[str, Any]) -> Guide:
    codes = [step["code"] for step in raw["steps"]]
    if len(set(codes)) < len(codes):
        raise ValueError(f"{kind.value}: a step is there twice")
    return Guide(
        kind=kind,
        title=raw["title"],
        never=tuple(raw.get("never", ())),
        steps=tuple(_step(step) for step in raw["steps"]),
    )


def _step(raw: dict[str, Any]) -> Step:
    return Step(
        code=raw["code"],
        text=raw["text"],
        required=raw["required"],
        sources=_sources(raw),
        minutes=raw.get("minutes"),
        hurt=Hurt(raw["hurt"]) if "hurt" in raw else None,
        required_areas=frozenset(raw.get("required_areas", ())),
        required_above_mm=raw.get("required_above_mm"),
    )


def _sources(raw: dict[str, Any]) -> tuple[GuideSource, ...]:
    return tuple(GuideSource(**source) for source in raw["sources"])
