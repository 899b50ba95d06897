"""Format 1 against RFC 8785: a general library as oracle, and the examples published with the RFC."""

import json
import re
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from uuid import UUID

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from compliance.ledger.rules.format import (
    INSTANT_TEXT,
    MAX_INTEGER,
    Header,
    NotFormatOne,
    assemble,
    canonical_json,
    commitment,
    entry_hash,
    header_parts,
    parse_header,
    parse_instant,
)
from spa_ops.kernel.clock import rfc3339

words = st.from_regex(r"[a-z][a-z0-9_]{0,20}", fullmatch=True)
hashes = st.binary(min_size=32, max_size=32)
commitments = hashes.map(bytes.hex)
counts = st.integers(1, 10**15 - 1)
instants = st.datetimes(datetime(1001, 1, 1), datetime(9998, 12, 31), timezones=st.just(UTC))


@st.composite
def headers(draw):
    n = draw(counts)
    device = draw(st.none() | st.uuids())
    return Header(
        business=draw(st.uuids()),
        location=draw(st.none() | st.uuids()),
        n=n,
        prev_hash=None if n == 1 else draw(hashes),
        recorded_at=draw(instants),
        occurred_at=draw(instants),
        person=draw(st.none() | st.uuids()),
        role=draw(st.none() | words),
        auth=draw(words),
        device=device,
        device_entry_n=draw(st.none() | counts) if device else None,
        kind=draw(st.lists(words, min_size=1, max_size=3).map(".".join)),
        body_v=draw(counts),
        facts=draw(commitments),
        personal=draw(st.none() | commitments),
    )


def as_json(header):
    text = lambda value: None if value is None else str(value)
    return {
        "v": 1,
        "n": header.n,
        "business": str(header.business),
        "location": text(header.location),
        "prev_hash": header.prev_hash and header.prev_hash.hex(),
        "recorded_at": rfc3339(header.recorded_at),
        "occurred_at": rfc3339(header.occurred_at),
        "actor": {"role": header.role, "person": text(header.person)},
        "auth": header.auth,
        "device": text(header.device),
        "device_entry_n": header.device_entry_n,
        "kind": header.kind,
        "body_v": header.body_v,
        "commitments": {"personal": header.personal, "facts": header.facts},
    }


@given(headers())
def test_a_header_is_the_canonical_json_of_its_content(header):
    assert header.to_bytes() == rfc8785.dumps(as_json(header))


@given(headers())
def test_a_header_is_read_back_as_it_was_written(header):
    assert parse_header(header.to_bytes()) == header


@given(headers())
def test_the_parts_and_what_the_head_lock_gives_join_to_the_header(header):
    """The joining written here is the one that the database's function does."""
    content = as_json(header)
    before_n, after_n = header_parts(
        actor_person=content["actor"]["person"],
        actor_role=header.role,
        auth=header.auth,
        body_v=header.body_v,
        business=content["business"],
        facts_commitment=header.facts,
        personal_commitment=header.personal,
        device=content["device"],
        device_entry_n=header.device_entry_n,
        kind=header.kind,
        location=content["location"],
        occurred_at=content["occurred_at"],
    )
    assert before_n.startswith('{"actor":')
    assert before_n.endswith('"n":')
    previous = f'"{content["prev_hash"]}"' if header.prev_hash else "null"
    joined = (
        before_n
        + str(header.n)
        + after_n
        + previous
        + ',"recorded_at":"'
        + content["recorded_at"]
        + '","v":1}'
    )
    assert joined.encode() == rfc8785.dumps(content)


A_HEADER = Header(
    business=UUID("01980000-0000-7000-8000-000000000001"),
    location=UUID("01980000-0000-7000-8000-000000000002"),
    n=2,
    prev_hash=bytes(range(32)),
    recorded_at=datetime(2026, 3, 2, 10, 11, 12, 5, tzinfo=UTC),
    occurred_at=datetime(2026, 3, 2, 10, 11, 12, 5, tzinfo=UTC),
    person=UUID("01980000-0000-7000-8000-000000000003"),
    role="practitioner",
    auth="device_pin",
    device=UUID("01980000-0000-7000-8000-000000000004"),
    device_entry_n=7,
    kind="room.turnover_finished",
    body_v=1,
    facts="ab" * 32,
    personal=None,
)


def test_the_text_of_a_header_is_frozen():
    """Changing this text needs a format 2: bundles in the field hold it."""
    assert A_HEADER.to_bytes() == (
        b'{"actor":{"person":"01980000-0000-7000-8000-000000000003","role":"practitioner"}'
        b',"auth":"device_pin","body_v":1,"business":"01980000-0000-7000-8000-000000000001"'
        b',"commitments":{"facts":"abababababababababababababababababababababababababababababababab"'
        b',"personal":null},"device":"01980000-0000-7000-8000-000000000004","device_entry_n":7'
        b',"kind":"room.turnover_finished","location":"01980000-0000-7000-8000-000000000002","n":2'
        b',"occurred_at":"2026-03-02T10:11:12.000005Z"'
        b',"prev_hash":"000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f"'
        b',"recorded_at":"2026-03-02T10:11:12.000005Z","v":1}'
    )
    assert entry_hash(A_HEADER.to_bytes()) == sha256(b"\0" + A_HEADER.to_bytes()).digest()


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        (b'"v":1}', b'"v":2}'),
        (b'"v":1}', b'"v":1} '),
        (b'"v":1}', b'"v":1}\n'),
        (b'"v":1}', b'"v":1,"w":1}'),
        (b'"n":2', b'"n":02'),
        (b'"n":2', b'"n":2.0'),
        (b'"n":2', b'"n":2e0'),
        (b'"n":2', b'"n":0'),
        (b'"n":2', b'"n":-2'),
        (b'"n":2', b'"n":true'),
        (b'"n":2', b'"n":1'),  # only the first has no previous hash
        (b'"n":2', b'"n":9999999999999999'),  # beyond 2^53 - 1
        (b'"n":2', b'"n":\xd9\xa2'),  # an Arabic-Indic two
        (b'"n":2', b'"n":2,"n":3'),
        (b'"auth":"device_pin"', b'"auth":"\\u0064evice_pin"'),
        (b'"auth":"device_pin"', b'"auth":"Device_pin"'),
        (b'"auth":"device_pin"', b'"auth":"d\xc3\xa9vice"'),
        (b'"auth":"device_pin","body_v":1', b'"body_v":1,"auth":"device_pin"'),
        (b'"abab', b'"ABab'),
        (b"01980000-0000-7000-8000-000000000003", b"01980000-0000-7000-8000-00000000000F"),
        (b'"device":"01980000-0000-7000-8000-000000000004"', b'"device":null'),
        (b"10:11:12.000005Z", b"10:11:12.000005+00:00"),
        (b"10:11:12.000005Z", b"10:11:60.000005Z"),
        (b"2026-03-02T", b"2026-02-30T"),
        (b"2026-03-02T", b"2026-W10-1T"),
        (b"2026-03-02T", b"0000-03-02T"),
        (b'"kind":"room.turnover_finished"', b'"kind":".turnover"'),
        (b'"kind":"room.turnover_finished",', b""),
        (b'"prev_hash":"00', b'"prev_hash":"0'),
        (b'{"actor"', b' {"actor"'),
        (b'{"actor"', b'\xef\xbb\xbf{"actor"'),
    ],
)
def test_a_header_that_is_not_canonical_is_refused(was, becomes):
    text = A_HEADER.to_bytes()
    assert was in text
    with pytest.raises(NotFormatOne):
        parse_header(text.replace(was, becomes, 1))


@given(headers(), st.data())
def test_whatever_is_accepted_is_canonical(header, data):
    """Edit a header anywhere: it is refused, or the oracle writes its content just so."""
    text = bytearray(header.to_bytes())
    at = data.draw(st.integers(0, len(text) - 1))
    text[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    try:
        parse_header(bytes(text))
    except NotFormatOne:
        return
    assert rfc8785.dumps(json.loads(bytes(text))) == bytes(text)


@given(st.binary(max_size=700))
def test_garbage_is_refused_and_nothing_else_happens(garbage):
    with pytest.raises(NotFormatOne):
        parse_header(garbage)


BAD_PARTS = [
    ("auth", 'session","body_v":2,"x":"'),
    ("auth", ""),
    ("actor_role", "Lead"),
    ("body_v", 0),
    ("body_v", 10**15),
    ("business", "01980000-0000-7000-8000-00000000000A"),
    ("facts_commitment", "ab"),
    ("personal_commitment", "AB" * 32),
    ("device_entry_n", 0),
    ("device", None),
    ("kind", "Room"),
    ("location", "here"),
    ("occurred_at", "2026-03-02T10:11:12Z"),
    ("occurred_at", "2026-02-30T10:11:12.000000Z"),
]


@pytest.mark.parametrize(("field", "value"), BAD_PARTS)
def test_values_that_the_format_cannot_hold_are_refused_before_anything_is_written(field, value):
    good = {
        "actor_person": str(A_HEADER.person),
        "actor_role": A_HEADER.role,
        "auth": A_HEADER.auth,
        "body_v": 1,
        "business": str(A_HEADER.business),
        "facts_commitment": A_HEADER.facts,
        "personal_commitment": None,
        "device": str(A_HEADER.device),
        "device_entry_n": 7,
        "kind": A_HEADER.kind,
        "location": str(A_HEADER.location),
        "occurred_at": "2026-03-02T10:11:12.000005Z",
    }
    parts = header_parts(**good)
    with pytest.raises(NotFormatOne):
        header_parts(**(good | {field: value}))
    for n, prev_hash, recorded_at in [
        (0, None, good["occurred_at"]),
        (1, bytes(32), good["occurred_at"]),
        (2, None, good["occurred_at"]),
        (2, bytes(31), good["occurred_at"]),
        (2, bytes(32), "yesterday"),
    ]:
        with pytest.raises(NotFormatOne):
            assemble(parts, n=n, prev_hash=prev_hash, recorded_at=recorded_at)


def test_a_naive_instant_has_no_place_in_a_header():
    from dataclasses import replace

    with pytest.raises(NotFormatOne):
        replace(A_HEADER, occurred_at=datetime(2026, 3, 2)).to_bytes()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-MAX_INTEGER, MAX_INTEGER) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=20,
)


@given(json_values)
@example({"\ufb33": 1, "\U0001f602": 2})  # UTF-16 order, not code point order
@example('\x00\x1f\x7f\u2028"\\/\b\f\n\r\t')
def test_bodies_are_canonical_json(value):
    assert canonical_json(value) == rfc8785.dumps(value)
    assert json.loads(canonical_json(value)) == value


# The examples "weird", "structures" (its 56.0 as 56) and "french" of the test data published by
# the authors of RFC 8785 (github.com/cyberphone/json-canonicalization, testdata).
PUBLISHED = [
    (
        r"""{"\u20ac": "Euro Sign", "1": "One", "\u0080": "Control\u007f",
        "\ud83d\ude02": "Smiley", "\u00f6": "Latin Small Letter O With Diaeresis",
        "\ufb33": "Hebrew Letter Dalet With Dagesh", "</script>": "Browser Challenge"}""",
        (
            '{"1":"One","</script>":"Browser Challenge","\u0080":"Control\u007f"'
            ',"\u00f6":"Latin Small Letter O With Diaeresis","\u20ac":"Euro Sign"'
            ',"\U0001f602":"Smiley","\ufb33":"Hebrew Letter Dalet With Dagesh"}'
        ),
    ),
    (
        r"""{"1": {"f": {"f": "hi","F": 5} ,"\n": 56}, "10": { }, "": "empty", "a": { },
        "111": [ { } ], "A": { }}""",
        r'{"":"empty","1":{"\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{}],"A":{},"a":{}}',
    ),
    (
        """{"sin": "locale", "p\u00eache": "MUST", "peach": "order", "p\u00e9ch\u00e9": "French"}""",
        '{"peach":"order","p\u00e9ch\u00e9":"French","p\u00eache":"MUST","sin":"locale"}',
    ),
]


@pytest.mark.parametrize(("given_text", "canonical"), PUBLISHED)
def test_the_examples_published_with_the_standard(given_text, canonical):
    assert canonical_json(json.loads(given_text)) == canonical.encode()


@pytest.mark.parametrize(
    "value",
    [1.5, float("nan"), 2**53, -(2**53), "\ud800", {1: 2}, {"\ud800": 1}, b"x", {1}, UUID(int=1)],
)
def test_what_has_no_single_text_is_refused(value):
    with pytest.raises(NotFormatOne):
        canonical_json({"field": value})


def test_a_bottomless_body_is_refused_and_does_not_exhaust_the_stack():
    value = []
    for _ in range(100_000):
        value = [value]
    with pytest.raises(NotFormatOne, match="deep"):
        canonical_json(value)
    while value:  # Python frees a deep list by recursion; take it apart first
        value = value.pop()


def test_a_commitment_needs_a_whole_salt():
    assert commitment(bytes(32), b"{}") == sha256(bytes(32) + b"{}").hexdigest()
    for length in (0, 31, 33):
        with pytest.raises(NotFormatOne):
            commitment(bytes(length), b"{}")


@given(instants)
def test_instants_have_one_text(instant):
    assert parse_instant(rfc3339(instant)) == instant
    west = instant.astimezone(tz=None) + timedelta(0)
    assert rfc3339(west) == rfc3339(instant)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-02 10:11:12.000005Z",
        "2026-W10-1T10:11:12.000005Z",
        "2026-03-02T10:11:12,000005Z",
        "2026-03-02T10:11:12.0+05:30",
        "2026-03-02T10:11:12.000005z",
        "2026-03-02T24:00:00.000000Z",
        "2026-03-02T10:11:12.00000 Z",
        "2026-03-02T10:11:12.000\u0660\u0661\u0662Z",
        "20260302T101112.0000000000Z",
        "2026-02-29T10:11:12.000005Z",
        "",
    ],
)
def test_instants_have_no_other_text(text):
    with pytest.raises(NotFormatOne):
        parse_instant(text)


@given(instants.map(rfc3339), st.data())
def test_whatever_is_read_as_an_instant_has_its_form(text, data):
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        text = text[:at] + data.draw(st.sampled_from("0129 -+.,:TWZz\u0660")) + text[at + 1 :]
    try:
        instant = parse_instant(text)
    except NotFormatOne:
        return
    assert re.fullmatch(INSTANT_TEXT, text)
    assert instant.isoformat(timespec="microseconds") == text.replace("Z", "+00:00")
