"""Reads the aftercare texts from their file, once: the only I/O of `rules.aftercare`."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import yaml

from services.rules.aftercare import Aftercare, AftercareBook, AftercareSource, Point

SHIPPED = Path(__file__).parent / "aftercare"


@cache
def shipped_aftercare() -> AftercareBook:
    """The texts that come with the program; raises what `aftercare_book_of` raises."""
    return aftercare_book_of(yaml.safe_load((SHIPPED / "texts.yaml").read_text(encoding="utf-8")))


def aftercare_book_of(data: dict[str, Any]) -> AftercareBook:
    """The texts that parsed `data` describes.

    Raises `jsonschema.ValidationError` for another shape than the schema's, ValueError for an id or
    a method that is there twice.
    """
    schema = json.loads((SHIPPED / "schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(data)
    ids = [raw["id"] for raw in data["texts"]]
    methods = [method for raw in data["texts"] for method in raw["methods"]]
    for what, words in (("text", ids), ("method", methods)):
        if len(set(words)) < len(words):
            raise ValueError(f"a {what} is there twice")
    return AftercareBook(
        language=data["language"],
        notice=data["notice"],
        by_method={m: _aftercare(raw) for raw in data["texts"] for m in raw["methods"]},
    )


def _aftercare(raw: dict[str, Any]) -> Aftercare:
    return Aftercare(
        id=raw["id"],
        version=raw["version"],
        title=raw["title"],
        points=tuple(
            Point(
                text=point["text"],
                sources=tuple(AftercareSource(**s) for s in point["sources"]),
                areas=frozenset(point.get("areas", ())),
            )
            for point in raw["points"]
        ),
    )
