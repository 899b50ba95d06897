"""Write the invented demo files: python -m services.imports.make_demo_files FOLDER [--monday DAY].

The same seed and Monday give the same bytes. The files are read by the same import commands as
anybody's.
"""

import argparse
import csv
import io
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from random import Random

from services.imports import demo_business, demo_calendar, demo_people

SEED = 20260302
#: A Monday whose six weeks hold a change of clocks (8 March 2026 in the United States).
MONDAY = date(2026, 3, 2)

_SERVICES_HEADER = (
    "Service,Body area,Method,Set-up (min),Consultation,Duration,Aftercare,Clean-up,Price (USD),"
    "Rebook weeks,Room needs,Kit,Skill,Popular"
)
_README = f"""# Demo files

Everything in this folder is invented: the business {demo_business.BUSINESS}, its locations, team,
clients, services, prices and visits. The names are made up, the phone numbers are from the ranges
that the numbering plan sets apart for fiction (555-0100 to 555-0199), the addresses are from
domains that RFC 2606 reserves.

The files are written by `python -m services.imports.make_demo_files demo`, the same bytes each time,
and they are as untidy as such files are: columns the program does not know, people entered twice,
slips of the hand, two ways to write a date, cancelled entries. The import commands say what they
find; `--skip-bad` leaves those rows out.

| file | what |
|---|---|
| `business.json` | locations, rooms, team, kits, a disinfectant, stock: set up before the imports |
| `services.csv` | the price list, 35 services |
| `clients-lakeside.csv` | 260 clients: UTF-8, commas, dates month-first |
| `clients-harborside.csv` | 140 clients: Windows-1252, semicolons, dates day-first |
| `visits-lakeside.ics` | six weeks in 3 rooms with 4 practitioners, from two weeks before {MONDAY} on |

`--monday YYYY-MM-DD` moves the visits to another week, so that a demo can always be this week's.
"""


def demo_files(monday: date = MONDAY, seed: int = SEED) -> dict[str, bytes]:
    """The demo files by name; `monday` moves the visits."""
    if monday.weekday():
        raise ValueError(f"{monday} is no Monday")
    clients = demo_people.demo_clients(seed)
    visits = demo_calendar.demo_visits(clients["lakeside"], monday, seed)
    business = json.dumps(demo_business.as_json(), indent=2, ensure_ascii=False)
    return {
        "README.md": _README.encode(),
        "business.json": f"{business}\n".encode(),
        "services.csv": services_csv(seed),
        "clients-lakeside.csv": demo_people.lakeside_csv(clients["lakeside"], seed),
        "clients-harborside.csv": demo_people.harborside_csv(clients["harborside"], seed),
        "visits-lakeside.ics": demo_calendar.visits_ics(
            visits, clients["lakeside"][-1], monday, seed
        ),
    }


def services_csv(seed: int) -> bytes:
    """The price list: minutes and prices in all the ways people write them, one row twice."""
    rng = Random(seed + 5)  # noqa: S311 - an invented price list
    text = io.StringIO()
    out = csv.writer(text)
    text.write(f"{_SERVICES_HEADER}\r\n")
    for n, service in enumerate(demo_business.SERVICES):
        out.writerow(_service_row(rng, service))
        if n == 10:
            out.writerow(_service_row(rng, demo_business.SERVICES[1], name="LIP WAX "))
    out.writerow(["Ear candle", "Ears", "Candle", 5, 5, 30, 5, 10, "ask", 4, "", "", "", ""])
    return text.getvalue().encode()


def _service_row(
    rng: Random, service: demo_business.DemoService, name: str = ""
) -> list[str | int]:
    set_up, consultation, hands_on, aftercare, clean_up = service.minutes
    price = service.price
    prices = (f"${price}", f"{price}", f"{price}.00", f"${price}.00", f"{price} USD")
    return [
        name or service.name,
        service.area if rng.random() < 0.8 else service.area.upper(),
        service.method if rng.random() < 0.8 else service.method.lower(),
        set_up,
        f"{consultation} min",
        _length(rng, hands_on),
        aftercare,
        clean_up,
        demo_people.pick(rng, prices),
        f"{service.rebook_weeks} weeks" if rng.random() < 0.3 else service.rebook_weeks,
        "; ".join(service.features),
        service.kit,
        service.skill,
        demo_people.pick(rng, ("x", "", "")),
    ]


def _length(rng: Random, minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    in_hours = (f"{hours}h {rest:02d}" if rest else f"{hours} h") if hours else f"{rest} min"
    return demo_people.pick(rng, (str(minutes), f"{minutes} min", f"{hours}:{rest:02d}", in_hours))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Write the invented demo files.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--monday", type=date.fromisoformat, default=MONDAY)
    chosen = parser.parse_args(arguments)
    chosen.folder.mkdir(parents=True, exist_ok=True)
    for name, content in demo_files(chosen.monday).items():
        (chosen.folder / name).write_bytes(content)


if __name__ == "__main__":
    main()
