"""Makes chains of invented entries for the tests, the way the program appends them."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random
from uuid import UUID

from compliance.ledger.rules.checkpoint import Checkpoint, origin_of
from compliance.ledger.rules.format import (
    assemble,
    canonical_json,
    commitment,
    entry_hash,
    header_parts,
)
from compliance.ledger.rules.tree import root
from compliance.ledger.rules.verify import Head, StoredEntry
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7

MONDAY = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def seeded_id(random: Random) -> UUID:
    """An invented UUIDv7 of the demonstration week."""
    ms = int(MONDAY.timestamp() * 1000) + random.randrange(10**8)
    return uuid7(ms, random.randbytes(10))


@dataclass
class Chain:
    """A growing chain; salts, ids and times come from `random`, so one seed gives one chain."""

    random: Random
    business: UUID = None
    location: UUID | None = None
    now: datetime = MONDAY
    entries: list[StoredEntry] = field(default_factory=list)
    hashes: list[bytes] = field(default_factory=list)

    def __post_init__(self):
        self.business = self.business or seeded_id(self.random)

    def append(
        self,
        *,
        kind="room.turnover_finished",
        facts=None,
        personal=None,
        person=None,
        role="practitioner",
        auth="device_pin",
        device=None,
        device_entry_n=None,
        late_by=timedelta(0),
        after=timedelta(minutes=7),
    ):
        """Add an entry `after` the last one, that says it happened `late_by` before it is recorded."""
        self.now += after
        salt, facts_text = self.random.randbytes(32), canonical_json(facts or {})
        committed = personal_text = personal_salt = None
        if personal is not None:
            personal_salt, personal_text = self.random.randbytes(32), canonical_json(personal)
            committed = commitment(personal_salt, personal_text)
        text = lambda value: None if value is None else str(value)
        parts = header_parts(
            actor_person=text(person),
            actor_role=role,
            auth=auth,
            body_v=1,
            business=str(self.business),
            facts_commitment=commitment(salt, facts_text),
            personal_commitment=committed,
            device=text(device),
            device_entry_n=device_entry_n,
            kind=kind,
            location=text(self.location),
            occurred_at=rfc3339(self.now - late_by),
        )
        header = assemble(
            parts,
            n=len(self.entries) + 1,
            prev_hash=self.hashes[-1] if self.hashes else None,
            recorded_at=rfc3339(self.now),
        )
        self.hashes.append(entry_hash(header))
        self.entries.append(
            StoredEntry(
                header.decode(),
                facts_text.decode(),
                salt,
                personal_text and personal_text.decode(),
                personal_salt,
            )
        )

    @property
    def head(self):
        return Head(len(self.entries), self.hashes[-1])

    @property
    def ids(self):
        return {"business": self.business, "location": self.location}

    def checkpoint(self, size=None):
        """The checkpoint of the first `size` entries, or all, made an hour after the last."""
        size = size or len(self.entries)
        recorded = datetime.fromisoformat(self.entries[size - 1].header[-35:-8])
        return Checkpoint(
            origin=origin_of(**self.ids),
            size=size,
            root=root(self.hashes[:size]),
            at=recorded + timedelta(hours=1),
        )


def made_chain(seed, count, location=True):
    """A chain of `count` entries of many kinds: with and without person, device, personal body."""
    random = Random(seed)
    chain = Chain(random, location=seeded_id(random) if location else None)
    people, devices = [[seeded_id(random) for _ in range(3)] for _ in range(2)]
    numbers = dict.fromkeys(devices, 0)
    for _ in range(count):
        device = random.choice([None, *devices])
        if device:
            numbers[device] += 1
        chain.append(
            kind=random.choice(["room.turnover_finished", "example.noted"]),
            facts={"room_id": str(seeded_id(random)), "steps": ["floor", "linen"], "label": "Éä\n"},
            personal=random.choice([None, {"note": f"invented {random.random()!r}"}]),
            person=random.choice([None, *people]),
            role=random.choice([None, "lead", "practitioner"]),
            auth=random.choice(["session", "device_pin"]),
            device=device,
            device_entry_n=numbers[device] if device else None,
            late_by=timedelta(minutes=random.choice([0, 0, 3, 15, 16, 500])),
            after=timedelta(microseconds=random.choice([0, 1, 10**9])),
        )
    return chain
