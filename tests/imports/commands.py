"""The import commands as people call them, and what they leave behind."""

from io import StringIO
from pathlib import Path
from typing import Any

from django.core.management import CommandError, call_command
from django.db import connection

from services.models import ImportRow, ImportRun
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE

HEADER = "Client No,Name,Phone,Allergies"


def clients_csv(folder: Path, *rows: str, name: str = "clients.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


def many_clients(folder: Path, count: int) -> Path:
    """A file of `count` invented clients; every tenth has an allergy."""
    rows = (
        f"M{n},Invented{n:05d} Person,+1312{2000000 + n},{'beeswax' if n % 10 == 0 else ''}"
        for n in range(count)
    )
    return clients_csv(folder, *rows, name=f"many-{count}.csv")


def imported(what: str, path: Path, **options: Any) -> str:
    """What the command printed; raises CommandError as it does."""
    out = options.pop("out", None) or StringIO()
    options = {"business": str(BUSINESS), "location": str(LAKE)} | options
    call_command(f"import_{what}", str(path), stdout=out, stderr=out, **options)
    return out.getvalue()


def refused(what: str, path: Path, **options: Any) -> str:
    """What the command printed before it ended with an error, and the error."""
    out = StringIO()
    try:
        imported(what, path, out=out, **options)
    except CommandError as error:
        assert error.returncode == 1
        return f"{out.getvalue()}{error}"
    raise AssertionError("it was not refused")


def rows(sql: str, *parameters: Any, business: Any = BUSINESS) -> list[tuple[Any, ...]]:
    """What a statement of the app's role reads in a business."""
    with reading(business), connection.cursor() as cursor:
        cursor.execute(sql, list(parameters))
        return cursor.fetchall()


def one(sql: str, *parameters: Any, business: Any = BUSINESS) -> Any:
    return rows(sql, *parameters, business=business)[0][0]


def counts(business: Any = BUSINESS) -> dict[str, int]:
    """How many rows the tables that imports write have."""
    tables = (
        "clients_client", "clients_client_word", "claims_bookable", "claims_claim", "services_service",
        "services_visit", "services_line", "services_visit_change", "sync_change", "ledger_entry",
    )  # fmt: skip
    return {table: one(f"SELECT count(*) FROM {table}", business=business) for table in tables}


def runs() -> list[ImportRun]:
    with reading(BUSINESS):
        return list(ImportRun.objects.order_by("started_at", "id"))


def staged() -> int:
    with reading(BUSINESS):
        return ImportRow.objects.count()


def unfed(entity: str, table: str, feed: str = "e.location_id") -> int:
    """How many rows are not in their feed at their present version: the drift check."""
    return one(
        f"SELECT count(*) FROM {table} e WHERE NOT EXISTS (SELECT FROM sync_change c WHERE c.feed_id = {feed} "
        "AND c.entity = %s AND c.entity_id = e.id AND c.version = e.version)",
        entity,
    )
