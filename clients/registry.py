"""Where every app says what it holds of a client: to be exported, erased, or moved in a merge.

Registration points only. An app registers each of its tables that hold a client's id, in its
`apps.py`; a test demands one for every such table.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

#: client's id -> everything that the table holds of them, as JSON values.
Exporter = Callable[[UUID], list[dict[str, Any]]]
#: (client's id, now) -> how many rows were blanked; what is sealed goes with the client's key.
Eraser = Callable[[UUID, datetime], int]
#: (client's id, the id that takes its place) -> how many rows were moved.
Repointer = Callable[[UUID, UUID], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """A table that holds a client's id; each part None where the law or the evidence forbids it."""

    table: str
    export: Exporter | None = None
    erase: Eraser | None = None
    repoint: Repointer | None = None
    #: Whether its rows, by `recorded_at`, count beside health answers for how long a record is kept.
    is_kept_as_long: bool = False


HOLDINGS: dict[str, Holding] = {}


def register(holding: Holding) -> Holding:
    """Add what a table holds; a table is registered once."""
    if holding.table in HOLDINGS:
        raise ValueError(f"{holding.table} is registered already")
    HOLDINGS[holding.table] = holding
    return holding
