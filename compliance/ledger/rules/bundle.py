"""The folder that leaves the house: a chain and its checkpoints as text a stranger can check.

`entries.ndjson` has one entry a line in order from 1, `checkpoints.txt` the checkpoints made so
far, `README` says what is what, and the one-file verifier lies beside them.
"""

import json
from collections.abc import Iterable, Iterator
from datetime import datetime

from compliance.ledger.rules.format import SALT_BYTES
from compliance.ledger.rules.verify import StoredEntry
from spa_ops.kernel.clock import rfc3339

ENTRIES_FILE = "entries.ndjson"
CHECKPOINTS_FILE = "checkpoints.txt"
README_FILE = "README"
VERIFIER_FILE = "verify_bundle.py"

_README = """\
EVIDENCE LOG {origin}
{count} entries, copied {made_at}, {personal}.

Check it, with any Python from 3.9 on and nothing else:

    python3 verify_bundle.py .
    python3 verify_bundle.py . --kept checkpoints-i-kept.txt

What this shows
  If anyone, we included, changes, removes, reorders or back-dates an entry after a checkpoint has
  left the building, you can show it with this bundle and no help from us. So keep a copy of
  checkpoints.txt, or of its last four lines, and give it to --kept at your next visit. The
  checkpoints in this folder came with it and cannot speak against it.
What this does not show
  That an entry is true, or that what was never recorded is here. It is a record and no judgement:
  the rules of your board, the product label and the licensed practitioner decide what was right.

Files
  entries.ndjson    one entry a line, in order: the header as text, the facts and, where there is
                    one and you may see it, the personal body, each with its salt in hexadecimal.
                    A personal body that is null was erased, or is not for this copy.
  checkpoints.txt   origin, number of entries, root in base64, time; an empty line between two.
  verify_bundle.py  the program above. It is short; read it, or write your own from what follows.

How it is made (format 1)
  commitment  SHA-256 of the 32 bytes of salt and the body's bytes (UTF-8); in the header.
  hash        SHA-256 of one zero byte and the header's bytes; in the next header as prev_hash.
  root        the Merkle tree hash of RFC 6962 over the entry hashes as leaf hashes.
  Headers and bodies are canonical JSON (RFC 8785). Times are UTC. recorded_at is the server's and
  never goes back; occurred_at is what the person or tablet said.
"""


class BundleMalformed(ValueError):
    """A line of `entries.ndjson` is not an entry in the one form that it is written in."""


def entry_line(entry: StoredEntry, *, with_personal: bool) -> str:
    """One entry as a line of `entries.ndjson`, without the line feed.

    Without `with_personal` its personal body and salt stay behind; the copy verifies all the same.
    """
    personal, salt = (entry.personal, entry.personal_salt) if with_personal else (None, None)
    return json.dumps(
        {
            "facts": entry.facts,
            "facts_salt": entry.facts_salt.hex(),
            "header": entry.header,
            "personal": personal,
            "personal_salt": None if salt is None else salt.hex(),
        },
        separators=(",", ":"),
    )


def parse_line(line: str) -> StoredEntry:
    """The entry on a line of `entries.ndjson`; raises BundleMalformed."""
    try:
        raw = json.loads(line)
        entry = StoredEntry(
            raw["header"],
            raw["facts"],
            _salt(raw["facts_salt"]),
            raw["personal"],
            None if raw["personal_salt"] is None else _salt(raw["personal_salt"]),
        )
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise BundleMalformed(f"the line is not an entry: {error}") from error
    texts = (entry.header, entry.facts, "" if entry.personal is None else entry.personal)
    if not all(isinstance(text, str) for text in texts):
        raise BundleMalformed("header and bodies are texts")
    if (entry.personal is None) != (entry.personal_salt is None):
        raise BundleMalformed("a personal body and its salt come together")
    # Written back it must be the same line: no doubled key, no second spelling, nothing besides.
    if line != entry_line(entry, with_personal=True):
        raise BundleMalformed("the line has another form than it is written in")
    return entry


def parse_lines(lines: Iterable[str]) -> Iterator[StoredEntry]:
    """The entries of a file, one at a time; raises BundleMalformed naming the line, from 1."""
    for number, line in enumerate(lines, start=1):
        try:
            yield parse_line(line.removesuffix("\n"))
        except BundleMalformed as error:
            raise BundleMalformed(f"line {number}: {error}") from error


def readme(*, origin: str, count: int, made_at: datetime, with_personal: bool) -> str:
    """The text of `README`."""
    personal = "with" if with_personal else "without"
    return _README.format(
        origin=origin,
        count=count,
        made_at=rfc3339(made_at),
        personal=f"{personal} the personal bodies",
    )


def _salt(text: str) -> bytes:
    salt = bytes.fromhex(text)
    if len(salt) != SALT_BYTES:
        raise ValueError(f"a salt has {SALT_BYTES} bytes")
    return salt
