"""Files for the tests, written as they would come, and the readers opened on them."""

from datetime import UTC, date, datetime
from pathlib import Path
from uuid import UUID

from services.imports.client_files import open_clients
from services.imports.directory import Known, directory
from services.imports.price_lists import EVERYDAY_WORDS, Words, open_services
from services.imports.sheets import Place
from services.imports.visit_files import open_visits
from spa_ops.kernel.intervals import Period

CHICAGO = Place(country="US", zone="America/Chicago", currency="USD")
BERLIN = Place(country="DE", zone="Europe/Berlin", currency="EUR")
TODAY = date(2026, 3, 4)
NOW = datetime(2026, 3, 4, 15, 0, tzinfo=UTC)
WINDOW = Period(datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 7, 1, tzinfo=UTC))
WORDS = Words(
    areas={"face", "brow", "lip", "chin", "leg", "lower_leg", "sides_of_face", "back"},
    methods={"soft_wax", "hard_wax", "tint", "facial"},
    also=EVERYDAY_WORDS,
)

ANA, BEA, BEA_TOO, CAL = (UUID(int=n) for n in (1, 2, 3, 4))
BROW_WAX, LIP_WAX, WAX_AND_TINT, TINT = (UUID(int=n) for n in (11, 12, 13, 14))
ODA, IMRE = UUID(int=21), UUID(int=22)
FERN, HERON = UUID(int=31), UUID(int=32)
DIRECTORY = directory(
    clients=[
        Known(
            id=ANA,
            names=["Ana Quillamoor", "Quillamoor Ana"],
            email="ana@example.com",
            phone="+13125550101",
        ),
        # Two of one family share an address; two people share a name.
        Known(id=BEA, names=["Bea Voskowane"], email="home@example.com"),
        Known(id=CAL, names=["Cal Voskowane"], email="home@example.com"),
        Known(id=BEA_TOO, names=["Bea Voskowane"], email="bea@example.org"),
    ],
    services=[
        Known(id=BROW_WAX, names=["Brow wax"]),
        Known(id=LIP_WAX, names=["Lip wax"]),
        Known(id=WAX_AND_TINT, names=["Brow wax & tint"]),
        Known(id=TINT, names=["Tint"]),
    ],
    team=[
        Known(id=ODA, names=["Oda Quillisk"], email="oda@spa.example"),
        Known(id=IMRE, names=["Imre Gossackle"], email="imre@spa.example"),
    ],
    rooms=[Known(id=FERN, names=["Fern Room"]), Known(id=HERON, names=["Heron Room"])],
)


def write(
    folder: Path, content: str | bytes, name: str = "file.csv", encoding: str = "utf-8"
) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


def clients(folder: Path, content: str | bytes, *, place: Place = CHICAGO, **options):
    """The sheet of a file of clients, and its rows."""
    encoding = options.pop("written_as", "utf-8")
    sheet = open_clients(
        write(folder, content, encoding=encoding), place=place, today=TODAY, **options
    )
    return sheet, list(sheet.rows())


def services(folder: Path, content: str | bytes, *, place: Place = CHICAGO, words: Words = WORDS):
    """The sheet of a price list, and its rows."""
    sheet = open_services(write(folder, content), place=place, words=words)
    return sheet, list(sheet.rows())


def event(*lines: str, uid: str = "one@example.com") -> str:
    """A VEVENT with its UID."""
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", *lines, "END:VEVENT"])


WHO = (
    "SUMMARY:Brow wax - Ana Quillamoor",
    "ORGANIZER:mailto:oda@spa.example",
    "LOCATION:Fern Room",
)
HOUR = (
    "DTSTART;TZID=America/Chicago:20260310T100000",
    "DTEND;TZID=America/Chicago:20260310T110000",
)


def calendar(*parts: str) -> bytes:
    body = "\r\n".join(parts)
    return (
        f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\n{body}\r\nEND:VCALENDAR\r\n".encode()
    )


def visits(folder: Path, content: bytes, **options):
    """The surveyed calendar, and its rows."""
    source = open_visits(
        write(folder, content, name="file.ics"),
        place=options.pop("place", CHICAGO),
        directory=options.pop("directory", DIRECTORY),
        window=options.pop("window", WINDOW),
        now=options.pop("now", NOW),
        **options,
    )
    return source, list(source.rows())


def codes(rows) -> list[str]:
    """The codes of all errors, in order."""
    return [error.code for row in rows for error in row.errors]


def only(rows):
    """The one row's value, which has no errors."""
    (row,) = rows
    assert row.errors == ()
    return row.value
