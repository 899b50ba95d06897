"""A price list from a file into the business."""

import hashlib
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any
from uuid import UUID

from clients.rule_files import shipped_rule_set
from services.actions.price_list import (
    AFTERCARE_MINUTES,
    BOUNDS,
    CLEAN_UP_MINUTES,
    CONSULTATION_MINUTES,
    SET_UP_MINUTES,
)
from services.imports.cells import fold
from services.imports.jobs import Job, Staged, Tally
from services.imports.price_lists import EVERYDAY_WORDS, ServiceRow, Words, open_services
from services.imports.rows import CellError
from services.imports.sheets import Sheet
from services.models import ImportRow, Service
from services.queries import imports as queries
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.rows import put

_HOUSE_MINUTES = {
    "set_up_minutes": SET_UP_MINUTES,
    "consultation_minutes": CONSULTATION_MINUTES,
    "aftercare_minutes": AFTERCARE_MINUTES,
    "clean_up_minutes": CLEAN_UP_MINUTES,
}
_KEPT = ("name", "area", "method", "hands_on_minutes", "price_minor", "currency", "rebook_weeks")
_LONGEST_KEY = 120


class ServiceIntake:
    """See `jobs.Intake`. The price list is one for all locations; the location gives the currency."""

    what, of_location = "services", False

    def open(self, job: Job) -> Sheet[ServiceRow]:
        return open_services(job.path, place=job.place, words=_words(), encoding=job.encoding)

    def read_by(self, job: Job) -> tuple[str, ...]:
        words = _words()
        return (*sorted(words.areas), *sorted(words.methods))

    def staged(self, value: ServiceRow, job: Job) -> Staged:
        fewest, most = BOUNDS["price_minor"]
        if not fewest <= value.price_minor <= most:
            raise CellError("price-too-large", "The price is larger than any here. Correct it.")
        content = {name: value_ for name, value_ in asdict(value).items() if name != "keys"}
        key = value.keys[0]
        if len(key) > _LONGEST_KEY:
            key = hashlib.blake2b(key.encode(), digest_size=16).hexdigest()
        return Staged(key=key, content={"id": str(uuid7()), **content})

    def settle(
        self, job: Job, pages: Iterator[list[ImportRow]], tally: Tally, *, write: bool
    ) -> None:
        existing = queries.services()
        by_key = {service.source_id: service for service in existing if service.source_id}
        by_name = {fold(service.name): service for service in existing if service.active}
        for row in (row for page in pages for row in page):
            known = by_key.get(row.key) or by_name.get(fold(row.content["name"]))
            if known is None:
                _add(job, row, tally, write=write)
                continue
            tally.already_there += 1
            if known.price_minor != row.content["price_minor"]:
                tally.remarks.append(
                    f"Row {row.number}: {known.name} is on the price list at another price, which"
                    " stays. Change it there if the file is right."
                )


def feature_code(text: str) -> str:
    """A room's feature as rooms have it: "wax heater" is wax_heater."""
    return fold(text).replace(" ", "_")


def _words() -> Words:
    rules = shipped_rule_set()
    return Words(areas=set(rules.tree.touching), methods=set(rules.methods), also=EVERYDAY_WORDS)


def _add(job: Job, row: ImportRow, tally: Tally, *, write: bool) -> None:
    tally.added += 1
    if row.content["skill"]:
        tally.noted["skill words, which are not kept: grant people their skills one by one"] += 1
    minutes = {name: row.content[name] for name in _HOUSE_MINUTES}
    for name, value in minutes.items():
        if value is None:
            minutes[name] = _HOUSE_MINUTES[name]
            said = name.removesuffix("_minutes").replace("_", "-")
            tally.noted[f"without {said} minutes: {minutes[name]} taken (house policy)"] += 1
    if write:
        put(_service(job, row, minutes))


def _service(job: Job, row: ImportRow, minutes: dict[str, Any]) -> Service:
    return Service(
        id=UUID(row.content["id"]),
        business_id=job.actor.business_id,
        source_id=row.key,
        room_features=sorted({feature_code(text) for text in row.content["room_features"]}),
        kit_kind=row.content["kit"],
        **{name: row.content[name] for name in _KEPT},
        **minutes,
    )
