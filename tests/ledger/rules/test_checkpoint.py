"""Checkpoints as text: one spelling, read back as written, garbage refused."""

from datetime import UTC, datetime
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.ledger.rules.checkpoint import (
    Checkpoint,
    CheckpointMalformed,
    checkpoints_text,
    origin_of,
    parse_checkpoints,
)
from compliance.ledger.verify_bundle import parse_checkpoint

BUSINESS, LOCATION = UUID(int=1), UUID(int=2)
checkpoints = st.builds(
    Checkpoint,
    origin=st.uuids().map(lambda place: f"spa/{place}"),
    size=st.integers(1, 10**15 - 1),
    root=st.binary(min_size=32, max_size=32),
    at=st.datetimes(datetime(1001, 1, 1), timezones=st.just(UTC)),
)
ONE = Checkpoint(
    origin="spa/x", size=12, root=bytes(32), at=datetime(2026, 3, 2, 18, tzinfo=UTC)
).to_text()


@given(st.lists(checkpoints, max_size=4))
def test_checkpoints_are_read_back_as_written(some):
    assert parse_checkpoints(checkpoints_text(some)) == some


@given(checkpoints)
def test_the_second_reader_reads_the_same(checkpoint):
    read = parse_checkpoint(checkpoint.to_text().removesuffix("\n"), "a file")
    assert read[:4] == (checkpoint.origin, checkpoint.size, checkpoint.root, checkpoint.at)


def test_a_chain_is_named_by_its_place():
    assert origin_of(business=BUSINESS, location=LOCATION) == f"spa/{LOCATION}"
    assert origin_of(business=BUSINESS, location=None) == f"spa/{BUSINESS}"


@pytest.mark.parametrize(
    "text",
    [
        "x",
        ONE.replace("12\n", "012\n"),
        ONE.replace("12\n", "0\n"),
        ONE.replace("12\n", "-12\n"),
        ONE.replace("12\n", "1_2\n"),
        ONE.replace("12\n", "\u0661\u0662\n"),
        ONE.replace("12\n", "1" * 5000 + "\n"),
        ONE.replace("AAA=", "AAB="),  # other bits that the same bytes leave unused
        ONE.replace("AAA=", "AAA"),
        ONE.replace("AAA=", "="),
        ONE.replace("AAA=", "A A="),
        ONE.replace("Z", "+00:00"),
        ONE.replace("spa/x", "x"),
        ONE.replace("2026-03-02", "2026-02-30"),
        ONE + ONE,
        ONE + "\n\n" + ONE,
        ONE + "signed by me\n",
        ONE.replace("\n", "\r\n"),
        " " + ONE,
    ],
)
def test_another_spelling_is_refused_by_both_readers(text):
    with pytest.raises(CheckpointMalformed):
        parse_checkpoints(text)
    with pytest.raises(ValueError):
        for block in text.removesuffix("\n").split("\n\n"):
            parse_checkpoint(block, "a file")


@given(st.text(max_size=200))
def test_garbage_is_refused(text):
    if text.strip():
        with pytest.raises(CheckpointMalformed):
            parse_checkpoints(text)
    else:
        assert parse_checkpoints(text) == []
