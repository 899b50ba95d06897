"""Clients from a file into the business: known ones are found again, new ones added."""

from collections.abc import Iterator, Sequence
from datetime import date
from uuid import UUID

from django.db import connection

from clients.actions_import import NewClient, add_clients, keep_allergies, link_clients
from clients.models import Client
from clients.rules.names import folded
from services.imports.client_files import ClientRow, client_keys, open_clients
from services.imports.jobs import Job, Staged, Tally
from services.imports.rows import CellError
from services.imports.sheets import Sheet
from services.models import ImportRow
from services.queries import imports as queries
from spa_ops.kernel.ids import uuid7
from spa_ops.tenancy.sealing import unseal_each


class ClientIntake:
    """See `jobs.Intake`. Imported clients have consented to nothing; allergy text is not verified."""

    what, of_location = "clients", True

    def open(self, job: Job) -> Sheet[ClientRow]:
        return open_clients(
            job.path,
            place=job.place,
            today=job.today,
            source=self._source(job),
            dates=job.dates,
            encoding=job.encoding,
        )

    def read_by(self, job: Job) -> tuple[str, ...]:
        return (self._source(job),)

    def _source(self, job: Job) -> str:
        # Two sites count their clients apart: number 12 of one book is not number 12 of another.
        return job.source or str(job.location.id)

    def staged(self, value: ClientRow, job: Job) -> Staged:
        if not folded(value.name):
            raise CellError("name-unreadable", "The name has no letter or digit. Correct it.")
        content = {
            "id": str(uuid7()),
            "name": value.name,
            "phone": value.phone,
            "email": value.email,
            "birth_date": value.birth_date.isoformat() if value.birth_date else "",
            "language": value.language,
            "zone": value.zone,
            "note": value.notes,
            "keys": list(value.keys),
        }
        return Staged(key=value.keys[0], content=content, health=value.allergies)

    def settle(
        self, job: Job, pages: Iterator[list[ImportRow]], tally: Tally, *, write: bool
    ) -> None:
        for page in pages:
            known = _known(page)
            new = [row for row, client in zip(page, known, strict=True) if client is None]
            old = [(row, client) for row, client in zip(page, known, strict=True) if client]
            tally.added += len(new)
            _meet_again(job, old, tally, write=write)
            if write and new:
                add_clients(
                    actor=job.actor,
                    now=job.now,
                    location_id=job.location.id,
                    clients=_new_clients(job, new),
                )
                if len(new) == tally.added and len(page) == queries.PAGE:
                    _refresh_statistics()


def _refresh_statistics() -> None:
    """Once, behind the first thousand of many: see `sql.REFRESH_STATISTICS`."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT imports_refresh_statistics()")


def _known(page: Sequence[ImportRow]) -> list[Client | None]:
    """For each row the client of the business who is the same person, by any of the row's keys."""
    names = {folded(row.content["name"])[:200] for row in page}
    keys = {key for row in page for key in row.content["keys"]}
    by_key: dict[str, Client] = {}
    alike = queries.clients_like(names, keys)
    left = queries.left_ones(alike)
    for client in alike:
        own = client_keys(
            name=client.name,
            phone=client.phone,
            email=client.email,
            birth_date=client.birth_date,
        )
        for key in (client.source_id, *own):
            if key:
                by_key.setdefault(key, left[client.id])
    return [
        next((by_key[key] for key in row.content["keys"] if key in by_key), None) for row in page
    ]


def _meet_again(
    job: Job, old: Sequence[tuple[ImportRow, Client]], tally: Tally, *, write: bool
) -> None:
    """Known clients keep what they have; they are linked to the location, and told allergies kept."""
    here = job.location.id
    away = list(dict.fromkeys(c.id for _, c in old if here not in c.location_ids))
    told = [(r, c) for r, c in old if r.sealed_health is not None and c.unverified_health is None]
    tally.linked += len(away)
    tally.already_there += len(old) - len(away)
    if told:
        tally.noted["allergies of clients who were here already, kept as not verified"] += len(told)
    if not write:
        return
    if away:
        link_clients(actor=job.actor, now=job.now, location_id=here, client_ids=away)
    if told:
        texts = _health(job, [row for row, _ in told])
        by_client = {client.id: texts[row.id] for row, client in reversed(told)}
        keep_allergies(actor=job.actor, now=job.now, told=by_client)


def _new_clients(job: Job, rows: Sequence[ImportRow]) -> list[NewClient]:
    texts = _health(job, rows)
    return [_new_client(row, texts.get(row.id, "")) for row in rows]


def _new_client(row: ImportRow, allergies: str) -> NewClient:
    given = {k: v for k, v in row.content.items() if k not in {"id", "birth_date", "keys"}}
    born = row.content["birth_date"]
    return NewClient(
        id=UUID(row.content["id"]),
        birth_date=date.fromisoformat(born) if born else None,
        source_id=row.key,
        allergies=allergies,
        **given,
    )


def _health(job: Job, rows: Sequence[ImportRow]) -> dict[UUID, str]:
    """The allergy text of rows that have one, by the row's id."""
    told = [row for row in rows if row.sealed_health is not None]
    if not told:
        return {}
    sealed = [bytes(row.sealed_health) for row in told]
    plain = unseal_each(job.actor.business_id, told[0].run_id, sealed)
    return {row.id: text.decode() for row, text in zip(told, plain, strict=True)}
