"""Makes the golden bundle: a week of invented entries of one invented location, from a seed.

Run once, `python -m tests.ledger.golden.make_golden`; what it wrote is never written again, because
it stands for the bundles that are out in the world. A format 2 gets a folder of its own.
"""

import json
from datetime import timedelta
from pathlib import Path
from random import Random

from compliance.ledger.rules.bundle import (
    CHECKPOINTS_FILE,
    ENTRIES_FILE,
    README_FILE,
    entry_line,
    readme,
)
from compliance.ledger.rules.checkpoint import checkpoints_text
from spa_ops.kernel.clock import rfc3339
from tests.ledger.rules.chains import Chain, seeded_id

FOLDER = Path(__file__).with_name("format-1")
SEED = 6962
ERASED = (8, 20, 44)
INVENTED = (
    "\nEverything in this folder is invented: no such business, room, person or finding exists.\n"
)


def golden_chain():
    """60 entries: turnovers and findings, online and from two tablets, one of which lost two facts."""
    random = Random(SEED)
    chain = Chain(random, location=seeded_id(random))
    rooms, people, tablets = [[seeded_id(random) for _ in range(2)] for _ in range(3)]
    numbers = dict.fromkeys(tablets, 0)
    for n in range(1, 61):
        tablet = tablets[n % 2] if n % 3 else None
        if tablet:
            numbers[tablet] += 3 if n == 31 else 1
        actor = {
            "person": None if n % 15 == 0 else people[n % 2],
            "role": None if n % 15 == 0 else "practitioner",
            "auth": "system" if n % 15 == 0 else "device_pin" if tablet else "session",
            "device": tablet,
            "device_entry_n": numbers.get(tablet),
        }
        late_by = timedelta(minutes=190 if n in (14, 15) else 0, seconds=n % 4)
        if n % 4:
            turnover(chain, rooms[n % 2], **actor, late_by=late_by)
        else:
            finding(chain, **actor, late_by=late_by)
        if n % 12 == 0:
            chain.now += timedelta(hours=20)
    return chain


def turnover(chain, room, **actor):
    begun = chain.now - timedelta(minutes=4)
    facts = {
        "room_id": str(room),
        "visit_id": str(seeded_id(chain.random)),
        "left_at": rfc3339(begun - timedelta(minutes=2)),
        "begun_at": rfc3339(begun),
        "finished_at": rfc3339(chain.now),
        "steps": ["surfaces_wiped", "linen_changed", "floor"],
        "steps_version": "house.1",
    }
    chain.append(kind="room.turnover_finished", facts=facts, **actor)


def finding(chain, **actor):
    facts = {"visit_id": str(seeded_id(chain.random)), "finding": "redness", "area": "brow"}
    # Texts as they come: accents, quotes, a line break, a sign beyond the basic plane.
    personal = {"note": 'Éva said: "a little red"\nsince \u2028 noon \U0001f33f'}
    chain.append(kind="example.finding_noted", facts=facts, personal=personal, **actor)


def files():
    """Name and text of each file of the bundle."""
    chain = golden_chain()
    entries = [
        entry._replace(personal=None, personal_salt=None) if n in ERASED else entry
        for n, entry in enumerate(chain.entries, start=1)
    ]
    checkpoints = [chain.checkpoint(size) for size in (12, 24, 60)]
    expected = {
        "business": str(chain.business),
        "location": str(chain.location),
        "entries": 60,
        "head_hash": chain.hashes[-1].hex(),
        "root": checkpoints[-1].root.hex(),
        "erased": list(ERASED),
        "late": [14, 15],
    }
    about = {"count": 60, "made_at": chain.now, "with_personal": True}
    return {
        ENTRIES_FILE: "".join(f"{entry_line(each, with_personal=True)}\n" for each in entries),
        CHECKPOINTS_FILE: checkpoints_text(checkpoints),
        README_FILE: readme(origin=checkpoints[0].origin, **about) + INVENTED,
        "expected.json": json.dumps(expected, indent=2) + "\n",
    }


if __name__ == "__main__":
    FOLDER.mkdir()
    for name, text in files().items():
        (FOLDER / name).write_text(text, encoding="utf-8", newline="\n")
