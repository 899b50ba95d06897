"""The golden bundle verifies, for ever; and what writes today still writes the same bytes."""

import json
from uuid import UUID

import pytest

from compliance.ledger import verify_bundle
from compliance.ledger.kind_files import KINDS
from compliance.ledger.rules.bundle import CHECKPOINTS_FILE, ENTRIES_FILE, parse_lines
from compliance.ledger.rules.checkpoint import parse_checkpoints
from compliance.ledger.rules.format import entry_hash, parse_header
from compliance.ledger.rules.tree import root
from compliance.ledger.rules.verify import Head, verify
from tests.ledger.golden.make_golden import FOLDER, files


@pytest.fixture(scope="module")
def expected():
    return json.loads((FOLDER / "expected.json").read_text())


@pytest.fixture(scope="module")
def entries():
    with (FOLDER / ENTRIES_FILE).open(encoding="utf-8", newline="\n") as lines:
        return list(parse_lines(lines))


def test_the_golden_bundle_verifies(entries, expected):
    found = verify(
        entries,
        business=UUID(expected["business"]),
        location=UUID(expected["location"]),
        head=Head(expected["entries"], bytes.fromhex(expected["head_hash"])),
        checkpoints=parse_checkpoints((FOLDER / CHECKPOINTS_FILE).read_text()),
    )
    assert found.failure is None
    assert found.count == expected["entries"] == 60
    assert found.root.hex() == expected["root"]
    assert found.erased == len(expected["erased"])
    assert [late.n for late in found.late] == expected["late"]
    assert [(hole.first, hole.last) for hole in found.holes] == [(11, 12)]
    assert found.back_dated == found.repeats == ()


def test_the_stranger_s_program_verifies_it_too(expected, capsys):
    assert verify_bundle.main([str(FOLDER)]) == 0
    said = capsys.readouterr().out
    assert f"spa/{expected['location']}" in said
    assert said.endswith("VERIFIED\n")


def test_its_root_is_that_of_its_headers(entries, expected):
    hashes = [entry_hash(entry.header.encode()) for entry in entries]
    assert hashes[-1].hex() == expected["head_hash"]
    assert root(hashes).hex() == expected["root"]


@pytest.mark.parametrize("name", [ENTRIES_FILE, CHECKPOINTS_FILE, "expected.json"])
def test_the_same_entries_would_be_written_the_same_today(name):
    assert files()[name].encode() == (FOLDER / name).read_bytes()


def test_its_bodies_fit_the_schemas_they_were_written_in(entries):
    fitted = 0
    for entry in entries:
        header = parse_header(entry.header.encode())
        if (header.kind, header.body_v) in KINDS.schemas:
            KINDS.schema(header.kind, header.body_v).check(json.loads(entry.facts))
            fitted += 1
    assert fitted == 45


def test_every_single_flipped_bit_of_a_header_is_seen(entries, expected):
    """All bits of one header, and the first bit of every byte of three more."""
    ids = {"business": UUID(expected["business"]), "location": UUID(expected["location"])}
    head = Head(60, bytes.fromhex(expected["head_hash"]))
    hashes = [entry_hash(entry.header.encode()) for entry in entries]
    for k, bits in ((8, range(7)), (1, (0,)), (14, (0,)), (60, (0,))):
        text = entries[k - 1].header
        previous = hashes[k - 2] if k > 1 else None
        for at in range(len(text)):
            for bit in bits:
                changed = text[:at] + chr(ord(text[at]) ^ 1 << bit) + text[at + 1 :]
                tail = [entries[k - 1]._replace(header=changed), *entries[k : k + 1]]
                found = verify(
                    tail, **ids, start_n=k, prev_hash=previous, head=head if k == 60 else None
                )
                assert found.failure.n in (k, k + 1)
