"""Invented clients and how two front desks have kept them: each in its own kind of disorder.

Phone numbers are 555-0100 to 555-0199, which the North American numbering plan sets apart for
fiction; addresses end in example.com, example.org or .invalid (RFC 2606).
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from random import Random

LAKESIDE_CLIENTS, HARBORSIDE_CLIENTS = 260, 140
_AREA_CODES = {"lakeside": ("312", "773", "872"), "harborside": ("212", "718")}

_FIRST = (
    "Ana Beatriz Chidi Dagny Eamon Fatou Gwen Hedda Ilse Joaquín Kerstin Leocadia Maëlle Nkechi"
    " Ottilie Priya Quentin Renée Soledad Tadeo Ulla Valérie Wanda Xiomara Yusra Zoë Aurelio Björn"
    " Conchita Désirée Emeka Françoise Günther Hyacinth Inés Jürgen Kofi Lourdes Mireille Noémie"
)
_LAST_BEGIN = (
    "Quilla Voska Tarna Brindla Embera Fenna Gossa Harra Ixela Juna Kesta Luma Mirra Nettla Ombra"
    " Pella Ruska Sorra Umbra Wispa Ångsta Öllia Señora Brâcka Çelva"
)
_LAST_END = "moor ngsby wane vette ckle stral mund lisk rwyn nquist tholl ddock fleur zanne pwell"
_ALLERGIES = (
    "latex (gloves!)",
    "Lanolin",
    "fragrance",
    "pine resin / rosin",
    "nickel",
    "bee products: honey, beeswax, propolis",
    "tree nuts, almond oil",
    "adhesive plasters",
    "none known",
    "salicylates?",
)
_NOTES = (
    "Prefers the Fern Room",
    "Rings the bell twice",
    "Reads on the table, bring the lamp closer",
    "Asks for a warm blanket;\nno music please",
    'Likes to be called "Captain"',
    "Parks behind the house, is often 5 min late",
    "Gift card from her sister",
)
_LAKESIDE_HEADER = (
    "Client No,First Name,Last Name,Mobile Phone,Home Phone,E-mail,Date of Birth,Language,"
    "Time zone,Allergies,Notes,Newsletter,Favourite drink"
)
_DRINKS = ("", "mint tea", "black tea", "water", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoClient:
    """An invented client as they really are, before a front desk has typed them in."""

    number: str
    first: str
    last: str
    phone: str
    email: str
    born: date | None
    allergies: str = ""
    notes: str = ""
    language: str = ""
    zone: str = ""

    @property
    def name(self) -> str:
        return f"{self.first} {self.last}"


@dataclass(slots=True)
class _Pools:
    """Names and numbers not yet given to anybody."""

    rng: Random
    names: list[tuple[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        lasts = [begin + end for begin in _LAST_BEGIN.split() for end in _LAST_END.split()]
        self.names = [(first, last) for first in _FIRST.split() for last in lasts]

    def name(self) -> tuple[str, str]:
        return self.names.pop(int(self.rng.random() * len(self.names)))


def pick(rng: Random, choices: Sequence[str]) -> str:
    """One of `choices`; by `random()` alone, whose sequence no Python version changes."""
    return choices[int(rng.random() * len(choices))]


def demo_clients(seed: int) -> dict[str, list[DemoClient]]:
    """The clients of both locations, the same for the same seed."""
    rng = Random(seed)  # noqa: S311 - invented people, not secrets
    pools = _Pools(rng)
    return {
        "lakeside": [_client(rng, pools, "lakeside", n) for n in range(LAKESIDE_CLIENTS)],
        "harborside": [_client(rng, pools, "harborside", n) for n in range(HARBORSIDE_CLIENTS)],
    }


def _client(rng: Random, pools: _Pools, location: str, n: int) -> DemoClient:
    first, last = pools.name()
    codes = _AREA_CODES[location]
    phone = f"{codes[n // 100]}555{100 + n % 100:04d}" if rng.random() < 0.94 else ""
    host = pick(rng, ("example.com", "example.com", "example.org", "post.invalid"))
    address = f"{_plain(first)}.{_plain(last)}@{host}" if rng.random() < 0.88 or not phone else ""
    return DemoClient(
        number=f"{location[0].upper()}{n + 1:04d}",
        first=first,
        last=last,
        phone=phone,
        email=address,
        born=date(1940, 1, 1) + timedelta(days=int(rng.random() * 24_800))
        if rng.random() < 0.85
        else None,
        allergies=pick(rng, _ALLERGIES) if rng.random() < 0.14 else "",
        notes=pick(rng, _NOTES) if rng.random() < 0.16 else "",
        language=pick(rng, ("es", "Spanish", "fr")) if rng.random() < 0.06 else "",
        zone="America/Denver" if rng.random() < 0.02 else "",
    )


def _plain(name: str) -> str:
    folded = name.lower().translate(str.maketrans("áâäåçèéêëíïñóöúüõ", "aaaaceeeeiinoouuo"))
    return "".join(c for c in folded if c.isascii())


def lakeside_csv(clients: Sequence[DemoClient], seed: int) -> bytes:
    """UTF-8 with a mark, commas, month-first; capitals and small letters as people were in a hurry."""
    rng = Random(seed + 1)  # noqa: S311
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\r\n")
    text.write(f"{_LAKESIDE_HEADER}\r\n")
    for n, client in enumerate(clients):
        out.writerow(_lakeside_row(rng, _hurried(rng, client), client.number))
        if n % 37 == 36:
            # The same person entered again by somebody else, under a new number.
            again = replace(client, first=client.first.upper(), last=client.last.upper(), notes="")
            out.writerow(_lakeside_row(rng, again, f"L9{n:03d}"))
        if n in (80, 81, 200):
            out.writerow([""] * 13 if n != 81 else [])
    for row in _LAKESIDE_SLIPS:
        out.writerow(row)
    # A note with commas, typed into the file by hand without quotation marks.
    text.write(
        "L9908,Hedda,Umbrazanne,(312) 555-0190,,,,,,,sensitive skin, likes it cool, quiet,no\r\n"
    )
    return text.getvalue().encode("utf-8-sig")


_LAKESIDE_SLIPS = (
    ["L9901", "Tadeo", "Wispamoor", "555-0191", "", "", "05/17/1991", "", "", "", "", "", ""],
    ["L9902", "Ulla", "Fennavette", "312-555-01", "", "", "", "", "", "", "", "", ""],
    ["L9903", "Chidi", "Gossalisk", "3.12556E+09", "", "", "", "", "", "", "", "", ""],
    ["L9904", "Inés", "Harrapwell", "(312) 555-0192", "", "", "02/30/1988", "", "", "", "", "", ""],
    ["L9905", "", "", "(312) 555-0193", "", "", "", "", "", "", "no name given", "", ""],
    ["L9906", "Eamon", "Ixelamund", "(312) 555-0194", "", "eamon@", "", "", "", "", "", "", ""],
    ["L9907", "#REF!", "Junastral", "(312) 555-0195", "", "", "", "", "", "", "", "", ""],
)


def _hurried(rng: Random, client: DemoClient) -> DemoClient:
    chance = rng.random()
    if chance < 0.07:
        return replace(client, first=client.first.upper(), last=client.last.upper())
    if chance < 0.12:
        return replace(client, first=client.first.lower(), last=client.last.lower())
    return replace(client, last=client.last + "  ") if chance < 0.16 else client


def _lakeside_row(rng: Random, client: DemoClient, number: str) -> list[str]:
    phone = _as_typed(rng, client.phone)
    at_home = rng.random() < 0.1
    born = client.born
    typed = ""
    if born:
        short = rng.random() < 0.2 and born.year > 1945
        year = f"{born.year % 100:02d}" if short else str(born.year)
        typed = (
            f"{born.month:02d}/{born.day:02d}/{year}" if rng.random() < 0.7 else _loose(born, year)
        )
    return [
        number,
        client.first,
        client.last,
        "" if at_home else phone,
        phone if at_home else "",
        client.email.title() if rng.random() < 0.05 else client.email,
        typed,
        client.language,
        client.zone,
        client.allergies,
        client.notes,
        "yes" if rng.random() < 0.4 else "no",
        pick(rng, _DRINKS),
    ]


def _loose(born: date, year: str) -> str:
    return f"{born.month}/{born.day}/{year}"


def _as_typed(rng: Random, phone: str) -> str:
    """One number in the forms in which people type it."""
    if not phone:
        return ""
    area, middle, last = phone[:3], phone[3:6], phone[6:]
    return pick(
        rng,
        (
            f"({area}) {middle}-{last}",
            f"({area}) {middle}-{last}",
            f"{area}-{middle}-{last}",
            f"{area}.{middle}.{last}",
            f"+1 {area} {middle} {last}",
            f"1{phone}",
            f"\u202d{phone}\u202c",
            f" {phone}",
        ),
    )


def harborside_csv(clients: Sequence[DemoClient], seed: int) -> bytes:
    """Windows-1252, semicolons, day-first, a title above the header and everyday column names."""
    rng = Random(seed + 2)  # noqa: S311
    text = io.StringIO()
    out = csv.writer(text, delimiter=";", lineterminator="\r\n")
    out.writerow(["Harborside, who comes to us", *[""] * 7])
    text.write("No;Surname;Forename;Tel.;Mail;D.O.B.;Remarks;Allergies\r\n")
    for n, client in enumerate(clients):
        out.writerow(_harborside_row(rng, client, client.number))
        if n in (30, 75, 120):
            out.writerow(
                _harborside_row(rng, replace(client, first=client.first.upper()), f"H9{n}")
            )
    out.writerow(["H9901", "Çelvamund", "Désirée", "(212) 555-0188", "", "31.02.1979", "", ""])
    out.writerow(["H9902", "Öllianquist", "Björn", "212 555 0186 / 718 555 0187", "", "", "", ""])
    return text.getvalue().encode("cp1252")


def _harborside_row(rng: Random, client: DemoClient, number: str) -> list[str]:
    phone = _as_typed(rng, client.phone).strip("\u202d\u202c")
    born = client.born.strftime("%d.%m.%Y") if client.born else ""
    return [
        number,
        client.last,
        client.first,
        phone,
        client.email,
        born,
        client.notes.replace("\n", " "),
        client.allergies,
    ]
