"""Which client, services, practitioner and room a calendar entry means.

Calendars say it in different places: ATTENDEE and ORGANIZER for people, ATTENDEE with CUTYPE=ROOM,
LOCATION or RESOURCES for rooms, CATEGORIES for services, and SUMMARY for anything. The stricter
property wins; free text fills what is missing.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import icalendar

from services.imports.cells import clean, fold, on_one_line, shown
from services.imports.contacts import parse_phone
from services.imports.directory import Directory, Piece, Register, pieces, take_named
from services.imports.rows import CellError

NOTES_LENGTH = 1900
_THINGS = ("ROOM", "RESOURCE")


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What could not be matched, and the property to correct."""

    column: str
    code: str
    message: str


@dataclass(slots=True, kw_only=True)
class Entry:
    """What was found; complete exactly when there is no trouble."""

    client_id: UUID | None = None
    service_ids: tuple[UUID, ...] = ()
    practitioner_id: UUID | None = None
    room_id: UUID | None = None
    notes: str = ""
    remarks: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Party:
    """An ATTENDEE or ORGANIZER: a person, or a room or thing."""

    name: str
    email: str
    phone: str
    is_thing: bool

    def found_in(self, register: Register) -> tuple[UUID, ...]:
        """Those it may be: by address or number, by name among several of one family."""
        reached = register.reached(email=self.email, phone=self.phone)
        called = register.named(self.name)
        return tuple(i for i in reached if i in called) or reached or called

    @property
    def label(self) -> str:
        return self.name or self.email or self.phone


def match_entry(
    event: icalendar.Event, directory: Directory, country: str, ignored_words: Collection[str]
) -> Entry:
    """The client, services, practitioner and room of `event`.

    `ignored_words`, folded, are labels that name none of them, such as colours or "vip".
    """
    entry = Entry(notes=clean(str(event.get("DESCRIPTION", ""))))
    if len(entry.notes) > NOTES_LENGTH:
        message = f"The text is longer than {NOTES_LENGTH} letters. Shorten it."
        _trouble(entry, "DESCRIPTION", "too-long", message)
    attendees = [_party(value, country) for value in _values(event, "ATTENDEE")]
    organizers = [_party(value, country) for value in _values(event, "ORGANIZER")]
    summary = pieces(clean(str(event.get("SUMMARY", ""))))
    # Services first: their names are the longest, and may hold words that are names too.
    summary = _match_services(entry, event, directory.services, summary, ignored_words)
    summary = _match_room(entry, event, directory.rooms, attendees, summary)
    summary = _match_team(entry, event, directory.team, (attendees, organizers), summary)
    summary = _match_client(entry, directory, attendees, summary)
    unused = [p.text for p in summary if fold(p.text) and fold(p.text) not in ignored_words]
    if unused and not entry.troubles:
        entry.remarks.append(f"not-used: {', '.join(map(shown, unused))} in SUMMARY.")
    return entry


def _match_services(
    entry: Entry,
    event: icalendar.Event,
    services: Register,
    summary: list[Piece],
    ignored_words: Collection[str],
) -> list[Piece]:
    named, unknown = _categories(event, services, ignored_words)
    in_summary, left, listed = take_named(summary, services)
    if named and in_summary and set(named) != set(in_summary):
        _trouble(
            entry,
            "CATEGORIES",
            "services-disagree",
            "CATEGORIES and SUMMARY name different services. Make them alike.",
        )
    # A category that is no service is a label, unless others are: then a line would be lost.
    for text in unknown if named else listed:
        _trouble(
            entry, "CATEGORIES" if named else "SUMMARY", "service-unknown", _no_such(services, text)
        )
    if not (named or in_summary):
        text = next((p.text for p in left), "")
        where = "SUMMARY" if text else "CATEGORIES"
        _trouble(
            entry, where, "service-missing", _which(services, unknown or [p.text for p in left])
        )
    entry.service_ids = tuple(ids[0] for ids in named or in_summary)
    return left


def _categories(
    event: icalendar.Event, services: Register, ignored_words: Collection[str]
) -> tuple[list[tuple[UUID, ...]], list[str]]:
    named: list[tuple[UUID, ...]] = []
    unknown: list[str] = []
    for category in event.categories:
        text = clean(str(category))
        found, left, _ = take_named(pieces(text), services)
        named += found
        unknown += [p.text for p in left if fold(p.text) not in ignored_words]
    return named, unknown


def _match_room(
    entry: Entry,
    event: icalendar.Event,
    rooms: Register,
    attendees: Sequence[_Party],
    summary: list[Piece],
) -> list[Piece]:
    texts = [p.label for p in attendees if p.is_thing]
    texts += [*_texts(event, "RESOURCES"), *_texts(event, "LOCATION")]
    # Only the pieces that are rooms count: LOCATION often has the address as well.
    found = _unique(ids for text in texts for ids in take_named(pieces(text), rooms)[0])
    in_summary, left, _ = take_named(summary, rooms)
    entry.room_id = _one(entry, "LOCATION", rooms, found or _unique(in_summary), texts)
    return left


def _match_team(
    entry: Entry,
    event: icalendar.Event,
    team: Register,
    parties: tuple[Sequence[_Party], Sequence[_Party]],
    summary: list[Piece],
) -> list[Piece]:
    """Attendees before the organizer: who keeps the calendar is often the front desk."""
    in_summary, left, _ = take_named(summary, team)
    resources = _texts(event, "RESOURCES")
    candidates = [_unique(p.found_in(team) for p in group if not p.is_thing) for group in parties]
    candidates.insert(1, _unique(i for t in resources for i in take_named(pieces(t), team)[0]))
    candidates.insert(2, _unique(in_summary))
    found = next((some for some in candidates if some), [])
    texts = [p.label for p in parties[1]]
    entry.practitioner_id = _one(entry, "ORGANIZER", team, found, texts)
    return left


def _match_client(
    entry: Entry, directory: Directory, attendees: Sequence[_Party], summary: list[Piece]
) -> list[Piece]:
    # Team members attend the visits that they give.
    guests = [p for p in attendees if not p.is_thing and not p.found_in(directory.team)]
    found = _unique(p.found_in(directory.clients) for p in guests)
    in_summary, left, _ = take_named(summary, directory.clients)
    column = "ATTENDEE" if guests else "SUMMARY"
    texts = [p.label for p in guests] or [p.text for p in left]
    entry.client_id = _one(entry, column, directory.clients, found or _unique(in_summary), texts)
    return left


def _one(
    entry: Entry,
    column: str,
    register: Register,
    found: Sequence[tuple[UUID, ...]],
    texts: Sequence[str],
) -> UUID | None:
    """The single one that was found; otherwise trouble says whether it was none, two or unclear."""
    word = register.word
    if not found:
        _trouble(entry, column, f"{word}-missing", _which(register, texts))
    elif len(found) > 1:
        message = f"The event names {len(found)} {word}s. Keep one, or enter one event for each."
        _trouble(entry, column, f"{word}-several", message)
    elif len(found[0]) > 1:
        message = (
            f"There are {len(found[0])} {word}s that this may be. Add the ATTENDEE with the e-mail"
            " address or phone number of the right one."
        )
        _trouble(entry, column, f"{word}-unclear", message)
    else:
        return found[0][0]
    return None


def _trouble(entry: Entry, column: str, code: str, message: str) -> None:
    entry.troubles.append(Trouble(column=column, code=code, message=message))


def _which(register: Register, texts: Iterable[str]) -> str:
    """What to do where none was found, with what the event says instead."""
    text = next((t for t in texts if t), "")
    if text:
        return _no_such(register, text)
    return f"The event names no {register.word}. Add one that the program knows."


def _no_such(register: Register, text: str) -> str:
    near = register.close_to(text)
    hint = f" Close to it: {', '.join(near)}." if near else ""
    extra = {
        "client": "Import or add the client first, or correct the name.",
        "service": "Put it on the price list first, correct the name, or name it with"
        " --ignore-word if it is only a label.",
        "practitioner": "Add the team member first, or correct the name.",
        "room": "Add the room first, or correct the name.",
    }[register.word]
    return f"No {register.word} is called {shown(text)}.{hint} {extra}"


def _unique(found: Iterable[tuple[UUID, ...]]) -> list[tuple[UUID, ...]]:
    return [ids for ids in dict.fromkeys(found) if ids]


def _values(event: icalendar.Event, name: str) -> list[Any]:
    value = event.get(name, [])
    return value if isinstance(value, list) else [value]


def _texts(event: icalendar.Event, name: str) -> Iterator[str]:
    return (text for value in _values(event, name) if (text := clean(str(value))))


def _party(value: Any, country: str) -> _Party:
    address, name = clean(str(value)), on_one_line(clean(str(value.params.get("CN", ""))))
    scheme, _, rest = address.partition(":")
    email = rest if scheme.lower() == "mailto" else (address if "@" in address else "")
    phone = ""
    if scheme.lower() in ("tel", "sms"):
        try:
            phone = parse_phone(rest, country)
        except CellError:
            phone = ""
    return _Party(
        name=name,
        email=email.partition("?")[0],
        phone=phone,
        is_thing=str(value.params.get("CUTYPE", "")).upper() in _THINGS,
    )
