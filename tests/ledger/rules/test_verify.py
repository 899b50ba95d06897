"""A whole chain passes; after any one change the verifier fails and names the place."""

import json
from dataclasses import replace
from datetime import timedelta
from random import Random
from uuid import UUID

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from compliance.ledger.rules.format import (
    NotFormatOne,
    commitment,
    entry_hash,
    parse_header,
)
from compliance.ledger.rules.tree import root
from compliance.ledger.rules.verify import (
    Flaw,
    Head,
    StoredEntry,
    verify,
)
from tests.ledger.rules.chains import Chain, made_chain, seeded_id

chains = st.builds(made_chain, st.integers(0, 10**6), st.integers(1, 12), st.booleans())


def whole(chain, **arguments):
    return verify(chain.entries, **chain.ids, **arguments)


def rehashed(entries):
    """The same entries with every link made anew: what somebody with the database could do."""
    made, previous = [], None
    for n, entry in enumerate(entries, start=1):
        header = replace(parse_header(entry.header.encode()), n=n, prev_hash=previous)
        text = header.to_bytes()
        previous = entry_hash(text)
        made.append(entry._replace(header=text.decode()))
    return made, previous


@given(chains)
def test_a_whole_chain_passes(chain):
    found = whole(chain, head=chain.head, checkpoints=[chain.checkpoint()])
    assert found.failure is None
    assert found.is_whole
    assert (found.first_n, found.last_n, found.count) == (1, *[len(chain.entries)] * 2)
    assert found.head_hash == chain.hashes[-1]
    assert found.root == root(chain.hashes)
    assert found.personal == sum(entry.personal is not None for entry in chain.entries)
    assert (found.erased, found.holes, found.repeats, found.back_dated) == (0, (), (), ())
    headers = [parse_header(entry.header.encode()) for entry in chain.entries]
    assert [late.n for late in found.late] == [
        header.n
        for header in headers
        if header.recorded_at - header.occurred_at > timedelta(minutes=15)
    ]


@given(chains)
def test_every_accepted_header_is_canonical_json_by_the_oracle(chain):
    assert whole(chain).is_whole
    for entry in chain.entries:
        assert rfc8785.dumps(json.loads(entry.header)) == entry.header.encode()


def test_nothing_is_a_whole_chain_of_no_entries():
    found = verify([], business=UUID(int=1), location=None, rebuild_root=True)
    assert found.is_whole
    assert (found.count, found.head_hash, found.root) == (0, None, root([]))


@given(chains, st.integers(0, 11))
def test_reading_in_two_parts_is_reading_once(chain, at):
    at = min(at, len(chain.entries) - 1)
    first = verify(chain.entries[:at], **chain.ids)
    rest = verify(
        chain.entries[at:],
        **chain.ids,
        start_n=at + 1,
        prev_hash=first.head_hash,
        recorded_from=first.recorded_to,
        head=chain.head,
    )
    once = whole(chain)
    assert rest.is_whole
    assert (rest.head_hash, rest.last_n) == (once.head_hash, once.last_n)
    assert first.late + rest.late == once.late
    assert first.personal + rest.personal == once.personal


@pytest.mark.parametrize(
    "arguments",
    [
        {"start_n": 2},
        {"start_n": 0},
        {"prev_hash": bytes(32)},
        {"start_n": 2, "prev_hash": bytes(32), "rebuild_root": True},
    ],
)
def test_arguments_that_do_not_belong_together_are_refused(arguments):
    with pytest.raises(ValueError, match=r"chain|root"):
        verify([], business=UUID(int=1), location=None, **arguments)


def test_a_checkpoint_of_another_chain_is_refused():
    chain, other = made_chain(1, 3), made_chain(2, 3)
    with pytest.raises(ValueError, match="another chain"):
        whole(chain, checkpoints=[other.checkpoint()])


# -- one change ------------------------------------------------------------------------------------


@st.composite
def byte_changes(draw):
    """A chain in which one character or byte of one stored value of entry k was changed."""
    chain = draw(chains)
    k = draw(st.integers(1, len(chain.entries)))
    entry = chain.entries[k - 1]
    name = draw(st.sampled_from([f for f in StoredEntry._fields if getattr(entry, f) is not None]))
    value = getattr(entry, name)
    at = draw(st.integers(0, len(value) - 1))
    if isinstance(value, bytes):
        changed = bytearray(value)
        changed[at] ^= draw(st.integers(1, 255))
        value = bytes(changed)
    else:
        other = draw(st.characters().filter(lambda c: c != value[at]))
        value = value[:at] + other + value[at + 1 :]
    return chain, k, entry._replace(**{name: value}), name


@given(byte_changes())
def test_one_changed_byte_is_found(change):
    chain, k, entry, name = change
    entries = [*chain.entries[: k - 1], entry, *chain.entries[k:]]
    found = verify(entries, **chain.ids, head=chain.head)
    # A changed header that still reads well is seen by the link of the next entry, or the head.
    assert found.failure.n in ((k, k + 1) if name == "header" else (k,))
    assert found.last_n == found.failure.n - 1
    assert found.failure.reason


@given(chains, st.data())
def test_one_moved_dropped_or_doubled_entry_is_found(chain, data):
    entries = list(chain.entries)
    k = data.draw(st.integers(1, len(entries)))
    match data.draw(st.sampled_from(["swap", "drop", "double", "truncate"])):
        case "swap":
            other = data.draw(st.integers(1, len(entries)))
            entries[k - 1], entries[other - 1] = entries[other - 1], entries[k - 1]
            expected = min(k, other) if k != other else None
        case "drop":
            del entries[k - 1]
            expected = k
        case "double":
            entries.insert(k, entries[k - 1])
            expected = k + 1
        case "truncate":
            del entries[k - 1 :]
            expected = k
    found = verify(entries, **chain.ids, head=chain.head)
    assert (found.failure and found.failure.n) == expected


@given(chains, st.data())
def test_a_cut_off_end_is_seen_only_by_what_was_kept_of_it(chain, data):
    kept = data.draw(st.integers(0, len(chain.entries) - 1))
    entries = chain.entries[:kept]
    assert verify(entries, **chain.ids).is_whole
    size = data.draw(st.integers(1, len(chain.entries)))
    found = verify(entries, **chain.ids, checkpoints=[chain.checkpoint(size)])
    if size <= kept:
        assert found.is_whole
    else:
        assert (found.failure.n, found.failure.flaw) == (kept + 1, Flaw.CUT_OFF)


@given(chains)
def test_entries_beyond_the_head_are_found(chain):
    head = chain.head
    chain.append()
    found = whole(chain, head=head)
    assert (found.failure.n, found.failure.flaw) == (head.n + 1, Flaw.BEYOND_HEAD)


@given(st.integers(0, 10**6), st.integers(2, 12), st.data())
def test_two_chains_of_one_place_cannot_be_spliced(seed, count, data):
    chain = made_chain(seed, count)
    other = made_chain(seed + 1, count)
    # The same business and location, so that only the links can tell the two apart.
    renamed = [
        entry._replace(
            header=replace(parse_header(entry.header.encode()), **chain.ids).to_bytes().decode()
        )
        for entry in other.entries
    ]
    other_entries, _ = rehashed(renamed)
    k = data.draw(st.integers(2, count))
    found = verify([*chain.entries[: k - 1], *other_entries[k - 1 :]], **chain.ids)
    assert (found.failure.n, found.failure.flaw) == (k, Flaw.BROKEN_LINK)


@given(chains, st.data())
def test_a_fork_with_new_links_is_seen_by_every_later_checkpoint(chain, data):
    k = data.draw(st.integers(1, len(chain.entries)))
    salt = bytes(32)
    header = parse_header(chain.entries[k - 1].header.encode())
    forged = StoredEntry(
        replace(header, facts=commitment(salt, b"{}"), personal=None).to_bytes().decode(),
        "{}",
        salt,
    )
    entries, head_hash = rehashed([*chain.entries[: k - 1], forged, *chain.entries[k:]])
    # By itself the forged history is faultless: the chain alone never shows a full rewrite.
    assert verify(entries, **chain.ids, head=Head(len(entries), head_hash)).is_whole
    assert verify(entries, **chain.ids, head=chain.head).failure.flaw == Flaw.NOT_THE_HEAD
    for size in range(1, len(entries) + 1):
        found = verify(entries, **chain.ids, checkpoints=[chain.checkpoint(size)])
        if size < k:
            assert found.is_whole
        else:
            assert (found.failure.n, found.failure.flaw) == (size, Flaw.NOT_THE_CHECKPOINT)


def test_a_chain_of_another_place_is_found_at_its_first_entry():
    chain = made_chain(3, 4)
    for ids in (
        {"business": UUID(int=1), "location": chain.location},
        {"business": chain.business, "location": UUID(int=1)},
        {"business": chain.business, "location": None},
    ):
        found = verify(chain.entries, **ids)
        assert (found.failure.n, found.failure.flaw) == (1, Flaw.WRONG_CHAIN)


@pytest.mark.parametrize(("k", "flaw"), [(1, Flaw.BROKEN_LINK), (3, Flaw.RECORDED_BACKWARDS)])
def test_recording_times_never_go_back(k, flaw):
    """Also where every link was made anew; the first entry has nothing before it."""
    chain = made_chain(5, 1)
    for _ in range(3):
        chain.append(after=timedelta(minutes=1))
    entries = list(chain.entries)
    header = parse_header(entries[k - 1].header.encode())
    earlier = replace(header, recorded_at=header.recorded_at - timedelta(days=1))
    entries[k - 1] = entries[k - 1]._replace(header=earlier.to_bytes().decode())
    if k == 1:
        assert verify(entries, **chain.ids).failure.flaw == flaw
        assert verify(rehashed(entries)[0], **chain.ids).is_whole
    else:
        found = verify(rehashed(entries)[0], **chain.ids)
        assert (found.failure.n, found.failure.flaw) == (k, flaw)


@pytest.mark.parametrize(
    "change",
    [
        {"facts_salt": b""},
        {"facts_salt": bytes(31)},
        {"facts": "\ud800"},
        {"personal": "{}", "personal_salt": bytes(32)},
        {"personal": "\udfff", "personal_salt": bytes(32)},
        {"personal": "{}", "personal_salt": b""},
        {"header": ""},
        {"header": "é" * 600},
        {"header": "\ud800"},
        {"header": ","},
    ],
)
def test_values_that_no_entry_has_are_a_finding_and_not_a_crash(change):
    chain = Chain(Random(1))
    chain.append()
    found = verify([chain.entries[0]._replace(**change)], **chain.ids)
    assert found.failure.n == 1


def with_length_of_salt(chain, length):
    """An entry whose commitment was made with a shorter or longer salt than the format has."""
    header = parse_header(chain.entries[0].header.encode())
    salt = bytes(length)
    forged = replace(header, facts=__import__("hashlib").sha256(salt + b"{}").hexdigest())
    return StoredEntry(forged.to_bytes().decode(), "{}", salt)


@pytest.mark.parametrize("length", [0, 16, 64])
def test_a_commitment_over_a_salt_of_another_length_is_refused(length):
    chain = Chain(Random(1))
    chain.append()
    found = verify([with_length_of_salt(chain, length)], **chain.ids)
    assert found.failure.flaw == Flaw.FACTS_CHANGED


@given(chains, st.data())
def test_whatever_is_accepted_was_in_canonical_form(chain, data):
    """The quick comparison never lets through what the grammar refuses."""
    k = data.draw(st.integers(1, len(chain.entries)))
    text = chain.entries[k - 1].header
    at = data.draw(st.integers(0, len(text) - 1))
    piece = data.draw(st.sampled_from([*'0a","n:{}T-Z ', "null", "é", "\n", ""]))
    changed = text[:at] + piece + text[at + data.draw(st.integers(0, 5)) :]
    last = chain.entries[k - 1]._replace(header=changed)
    found = verify([*chain.entries[: k - 1], last], **chain.ids)
    try:
        parse_header(changed.encode())
    except NotFormatOne:
        assert (found.failure.n, found.failure.flaw) == (k, Flaw.MALFORMED)
    else:
        assert found.is_whole or found.failure.flaw != Flaw.MALFORMED


SHAPES = [
    {"personal": {"note": "invented"}, "device": True, "device_entry_n": True},
    {"personal": {"note": "invented"}, "erased": True, "device": True},
    {"device": False, "person": None, "role": None},
]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_quick_comparison_accepts_exactly_what_the_grammar_does(shape):
    """Every place of a header whose parts are all known already, against a set of edits."""
    chain = steady_chain(**shape)
    *before, last = chain.entries
    header = parse_header(last.header.encode())
    ids = {**chain.ids, "start_n": 2, "prev_hash": chain.hashes[0]}
    accepted = 0
    for at in range(len(last.header)):
        for changed in edits(last.header, at):
            found = verify([*before[1:], last._replace(header=changed)], **ids)
            fits = stands_there(changed, header, before[1], is_erased="erased" in shape)
            assert found.is_whole == fits, changed
            accepted += found.is_whole
    assert accepted > 100  # other roles, devices, times: only a link or the head shows those


def steady_chain(*, device, erased=False, device_entry_n=False, **what):
    """Three entries by one person on one device, so that the last is compared and not parsed."""
    random = Random(3)
    chain = Chain(random, location=seeded_id(random))
    tablet = seeded_id(random) if device else None
    for n in (1, 2, 3):
        chain.append(device=tablet, device_entry_n=n if device_entry_n else None, **what)
    if erased:
        chain.entries[-1] = chain.entries[-1]._replace(personal=None, personal_salt=None)
    return chain


def edits(text, at):
    """One character replaced, left out or put in."""
    for piece in '09az",- ':
        yield text[:at] + piece + text[at + 1 :]
    yield text[:at] + text[at + 1 :]
    for piece in '01",':
        yield text[:at] + piece + text[at:]
    yield text[:at] + "7" + text[at + len("null") :]
    for word in ("null", '"x"', "-W10-1", "+00:00Z"):
        yield text[:at] + word + text[at + len(word) :]


def stands_there(text, original, before, *, is_erased):
    """By the grammar alone: a canonical header that may stand where the original stood."""
    try:
        header = parse_header(text.encode())
    except NotFormatOne:
        return False
    fixed = ["business", "location", "n", "prev_hash", "facts"]
    if not is_erased:
        fixed.append("personal")
    same = all(getattr(header, name) == getattr(original, name) for name in fixed)
    return same and header.recorded_at >= parse_header(before.header.encode()).recorded_at


# -- what is listed --------------------------------------------------------------------------------


@given(chains, st.data())
def test_an_erased_body_is_counted_and_the_chain_still_verifies(chain, data):
    entries = [
        entry._replace(personal=None, personal_salt=None) if data.draw(st.booleans()) else entry
        for entry in chain.entries
    ]
    gone = sum(
        a.personal is not None and b.personal is None
        for a, b in zip(chain.entries, entries, strict=True)
    )
    found = verify(entries, **chain.ids, head=chain.head, checkpoints=[chain.checkpoint()])
    assert found.is_whole
    assert found.erased == gone
    assert found.erased + found.personal == whole(chain).personal


@given(st.integers(0, 10**6), st.permutations(range(1, 13)), st.sets(st.integers(1, 12)), st.data())
def test_holes_are_the_numbers_that_never_came(seed, order, swallowed, data):
    random = Random(seed)
    chain = Chain(random, location=seeded_id(random))
    device, other = seeded_id(random), seeded_id(random)
    arrived = [number for number in order if number not in swallowed]
    repeated = data.draw(st.sampled_from(arrived)) if arrived else None
    for number in [*arrived, *([repeated] if repeated else [])]:
        chain.append(device=device, device_entry_n=number)
        chain.append(device=other)
    found = whole(chain) if chain.entries else verify([], **chain.ids)
    assert found.is_whole
    missing = {n for hole in found.holes for n in range(hole.first, hole.last + 1)}
    assert missing == set(range(1, max(arrived, default=0))) - set(arrived)
    assert {hole.device for hole in found.holes} <= {str(device)}
    assert found.repeats == (((str(device), repeated),) if repeated else ())


def test_a_hole_of_billions_takes_no_memory():
    chain = Chain(Random(1))
    device = seeded_id(chain.random)
    chain.append(device=device, device_entry_n=10**15 - 1)
    (hole,) = whole(chain).holes
    assert (hole.first, hole.last) == (1, 10**15 - 2)


def test_from_the_middle_a_device_starts_where_it_is():
    chain = Chain(Random(1))
    device = seeded_id(chain.random)
    for number in (1, 2, 3, 5, 2):
        chain.append(device=device, device_entry_n=number)
    found = verify(
        chain.entries[2:], **chain.ids, start_n=3, prev_hash=chain.hashes[1], head=chain.head
    )
    assert found.is_whole
    assert [(hole.first, hole.last) for hole in found.holes] == [(4, 4)]
    assert found.repeats == ()
    assert whole(chain).repeats == ((str(device), 2),)


def test_late_is_more_than_fifteen_minutes():
    chain = Chain(Random(1))
    for minutes in (0, 15, 16, -30):
        chain.append(late_by=timedelta(minutes=minutes))
    chain.append(late_by=timedelta(minutes=15, microseconds=1))
    found = whole(chain)
    assert [(late.n, late.by) for late in found.late] == [
        (3, timedelta(minutes=16)),
        (5, timedelta(minutes=15, microseconds=1)),
    ]


def test_an_entry_put_behind_a_checkpoint_with_an_earlier_time_is_listed():
    chain = Chain(Random(1))
    chain.append()
    checkpoint = chain.checkpoint()  # an hour later
    chain.append(after=timedelta(minutes=20))
    chain.append(after=timedelta(minutes=36))  # within the skew of the house's clocks
    chain.append(after=timedelta(minutes=10))
    found = whole(chain, checkpoints=[checkpoint])
    assert found.is_whole
    assert found.back_dated == (2,)


def test_two_checkpoints_of_one_size_must_both_hold():
    chain = made_chain(4, 5)
    right = chain.checkpoint(3)
    wrong = replace(right, root=bytes(32))
    assert whole(chain, checkpoints=[right, right]).is_whole
    for order in ([right, wrong], [wrong, right]):
        assert whole(chain, checkpoints=order).failure.n == 3


def test_many_names_do_not_fill_the_memory():
    """More openings than are remembered at once: still read, still checked."""
    chain = Chain(Random(1))
    for _ in range(12_000):
        chain.append(person=seeded_id(chain.random))
    assert whole(chain, head=chain.head).is_whole
