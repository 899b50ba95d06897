"""Clients from a spreadsheet."""

import hashlib
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from services.imports import headers, tables
from services.imports.cells import fold
from services.imports.contacts import (
    in_capitals_and_small,
    parse_email,
    parse_language,
    parse_name,
    parse_phone,
    parse_zone,
)
from services.imports.dates import DateColumn, DateOrder, parse_date
from services.imports.rows import FileRefused
from services.imports.sheets import Cells, Place, Sheet, report_of, survey_column

NOTES_LENGTH = 1900


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientRow:
    """One client as imported: consented to no message, `allergies` told by a file, not verified.

    `keys` are digests under which the same person is found again, in this file, in a later one and
    among those imported before: the source's id, the name with the phone, e-mail or birth date, or
    the bare name where nothing else is known. They are as personal as what they are made of.
    """

    name: str
    first_name: str = ""
    last_name: str = ""
    phone: str = ""
    email: str = ""
    birth_date: date | None = None
    zone: str = ""
    language: str = ""
    notes: str = ""
    allergies: str = ""
    source_id: str = ""
    keys: tuple[str, ...] = ()


def open_clients(
    path: Path,
    *,
    place: Place,
    today: date,
    source: str = "",
    dates: DateOrder | None = None,
    encoding: str = "",
) -> Sheet[ClientRow]:
    """Survey a file of clients. Raises FileRefused, with what to do, if it cannot be imported.

    `source` names where the clients were kept before: number 12 of one book is not number 12 of
    another.
    """
    table = tables.survey(path, headers.CLIENTS, encoding=encoding)
    births = DateColumn(table.match.names.get("birth_date", "birth date"))
    count = survey_column(table, "birth_date", births.add)
    if not count:
        raise FileRefused("no-rows", f"{path.name} has a header and no clients below it.")
    said: list[str] = []
    order: DateOrder | None = None
    if "birth_date" in table.match.positions:
        order, sentence = births.decide(dates)
        said.append(sentence)
    reader = _Reader(place=place, today=today, source=source, order=order)
    return Sheet(table, report_of(path, table, count, said), reader.read)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    place: Place
    today: date
    source: str
    order: DateOrder | None

    def read(self, cells: Cells) -> ClientRow:
        name, first, last = _names(cells)
        phone, other_phone = self._phones(cells)
        email = cells.read("email", parse_email) or ""
        birth_date = cells.read("birth_date", self._birth_date)
        source_id = cells.text("source_id", most=80)
        # All columns are read even where one is wrong: every error of a row is told at once.
        return ClientRow(
            name=name,
            first_name=first,
            last_name=last,
            phone=phone,
            email=email,
            birth_date=birth_date,
            zone=cells.read("zone", parse_zone) or "",
            language=cells.read("language", parse_language) or "",
            notes=_notes(cells, other_phone),
            allergies=cells.text("allergies", most=NOTES_LENGTH),
            source_id=source_id,
            keys=client_keys(
                name=name,
                phone=phone,
                email=email,
                birth_date=birth_date,
                source=self.source,
                source_id=source_id,
            ),
        )

    def _phones(self, cells: Cells) -> tuple[str, str]:
        """The number for messages and a second one: a mobile comes before another phone."""
        mobile = cells.read("mobile", self._phone) or ""
        phone = cells.read("phone", self._phone) or ""
        return (mobile or phone), (phone if mobile and phone != mobile else "")

    def _phone(self, text: str) -> str:
        return parse_phone(text, self.place.country)

    def _birth_date(self, text: str) -> date:
        return parse_date(text, self.order, self.today)


def _names(cells: Cells) -> tuple[str, str, str]:
    """Full, first and last name. A full name alone is not taken apart, but for "Last, First"."""
    full, first, last = (
        cells.read(column, parse_name) or "" for column in ("name", "first_name", "last_name")
    )
    if first and full and not last and not fold(full).startswith(fold(first) + " "):
        # "Name" beside a first name is the surname, as in German files.
        full, last = "", full
    if not (first or last) and full.count(",") == 1:
        last, first = (part.strip() for part in full.split(","))
    if not (full or first or last):
        if not cells.errors:
            cells.fail("name", "empty", "The row has no name. Enter it, or delete the row.")
        return "", "", ""
    tidied = [in_capitals_and_small(part) for part in (full, first, last)]
    if tidied != [full, first, last]:
        cells.notes.append("name-case: the name was all capitals or all small letters.")
    full, first, last = tidied
    return " ".join(filter(None, (first, last))) or full, first, last


def _notes(cells: Cells, other_phone: str) -> str:
    """The notes, with a second phone number: nothing that was told is lost."""
    notes = cells.text("notes", most=NOTES_LENGTH)
    if not other_phone:
        return notes
    cells.notes.append("phone-second: the mobile number was taken, the other is in the notes.")
    return "\n".join(filter(None, (notes, f"Other phone: {other_phone}")))


def client_keys(
    *,
    name: str,
    phone: str = "",
    email: str = "",
    birth_date: date | None = None,
    source: str = "",
    source_id: str = "",
) -> tuple[str, ...]:
    """The keys of a client, the most lasting first; for those that the program already has, too."""
    folded = fold(name)
    parts = [
        ("source", source_id and f"{source}|{source_id}"),
        ("phone", phone and f"{folded}|{phone}"),
        ("email", email and f"{folded}|{email.casefold()}"),
        ("birth", birth_date and f"{folded}|{birth_date.isoformat()}"),
    ]
    # A bare name counts only among those of whom nothing else is known: two people share a name.
    known = [(kind, text) for kind, text in parts if text] or [("name", folded)]
    return tuple(
        hashlib.blake2b(f"client|{kind}|{text}".encode(), digest_size=16).hexdigest()
        for kind, text in known
    )
