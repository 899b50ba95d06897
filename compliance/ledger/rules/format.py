"""Format 1 of the evidence log: the bytes of a header, of a body, and what is hashed over them.

Frozen: bundles made today are verified for ever. A change of anything here is a format 2 beside it.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from json.encoder import encode_basestring
from typing import TypeAlias, TypeVar
from uuid import UUID

from spa_ops.kernel.clock import rfc3339

Json: TypeAlias = "bool | int | str | Sequence[Json] | Mapping[str, Json] | None"

S = TypeVar("S")
T = TypeVar("T")

SALT_BYTES = 32
LEAF_PREFIX = b"\x00"  # RFC 6962 section 2.1: an entry's hash is a leaf's hash
#: RFC 8785 inherits the doubles of ECMAScript: beyond this an integer has no single text.
MAX_INTEGER = 2**53 - 1
MAX_DEPTH = 32

UUID_TEXT = "[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
HASH_TEXT = "[0-9a-f]{64}"
WORD_TEXT = "[a-z][a-z0-9_]*"
KIND_TEXT = r"[a-z][a-z0-9_]*(?:\.[a-z][a-z0-9_]*)*"
COUNT_TEXT = "[1-9][0-9]{0,14}"  # fifteen digits stay below MAX_INTEGER
INSTANT_TEXT = "[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\\.[0-9]{6}Z"

# A header is ASCII and its grammar has one text for one content, so matching it is being canonical:
# no other spacing, order, escape, number form or doubled key gets through. It is kept in the three
# pieces that the verifier compares apart.
OPENING_TEXT = (
    rf'\{{"actor":\{{"person":(?:null|"(?P<person>{UUID_TEXT})")'
    rf',"role":(?:null|"(?P<role>{WORD_TEXT})")\}},"auth":"(?P<auth>{WORD_TEXT})"'
    rf',"body_v":(?P<body_v>{COUNT_TEXT}),"business":"(?P<business>{UUID_TEXT})"'
    r',"commitments":\{"facts":"'
)
MIDDLE_TEXT = (
    rf'","personal":(?:null|"(?P<personal>{HASH_TEXT})")\}}'
    r',"device":(?:null,"device_entry_n":null'
    rf'|"(?P<device>{UUID_TEXT})","device_entry_n":(?:null|(?P<device_entry_n>{COUNT_TEXT})))'
    rf',"kind":"(?P<kind>{KIND_TEXT})"'
)
_LOCATION_TEXT = rf',"location":(?:null|"(?P<location>{UUID_TEXT})"),"n":'
_CLOSING_TEXT = (
    rf'(?P<n>{COUNT_TEXT}),"occurred_at":"(?P<occurred_at>{INSTANT_TEXT})"'
    rf',"prev_hash":(?:null|"(?P<prev_hash>{HASH_TEXT})")'
    rf',"recorded_at":"(?P<recorded_at>{INSTANT_TEXT})","v":1\}}'
)
_BEFORE_N_TEXT = f"{OPENING_TEXT}(?P<facts>{HASH_TEXT}){MIDDLE_TEXT}{_LOCATION_TEXT}"
_BEFORE_N = re.compile(_BEFORE_N_TEXT)
_HEADER = re.compile(f"{_BEFORE_N_TEXT}{_CLOSING_TEXT}")


class NotFormatOne(ValueError):
    """The bytes or values are not a header or body of format 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What is hashed of one entry: ids, codes, times and commitments, never a name.

    `location` None means the business's own chain; `prev_hash` (32 bytes) is None for the first
    entry only; `facts` and `personal` are commitments of 64 hex digits; instants are aware.
    """

    business: UUID
    location: UUID | None
    n: int
    prev_hash: bytes | None
    recorded_at: datetime
    occurred_at: datetime
    person: UUID | None
    role: str | None
    auth: str
    device: UUID | None
    device_entry_n: int | None
    kind: str
    body_v: int
    facts: str
    personal: str | None

    def to_bytes(self) -> bytes:
        """The one canonical text of this header (RFC 8785); raises NotFormatOne."""
        if self.occurred_at.tzinfo is None or self.recorded_at.tzinfo is None:
            raise NotFormatOne("an instant must be aware")
        parts = header_parts(
            actor_person=_or_none(str, self.person),
            actor_role=self.role,
            auth=self.auth,
            body_v=self.body_v,
            business=str(self.business),
            facts_commitment=self.facts,
            personal_commitment=self.personal,
            device=_or_none(str, self.device),
            device_entry_n=self.device_entry_n,
            kind=self.kind,
            location=_or_none(str, self.location),
            occurred_at=rfc3339(self.occurred_at),
        )
        recorded_at = rfc3339(self.recorded_at)
        return assemble(parts, n=self.n, prev_hash=self.prev_hash, recorded_at=recorded_at)


def header_parts(
    *,
    actor_person: str | None,
    actor_role: str | None,
    auth: str,
    body_v: int,
    business: str,
    facts_commitment: str,
    personal_commitment: str | None,
    device: str | None,
    device_entry_n: int | None,
    kind: str,
    location: str | None,
    occurred_at: str,
) -> tuple[str, str]:
    """The text of a header up to `"n":`, and from behind the number up to `"prev_hash":`.

    The number, the previous hash and the recording time are known only under the head lock, where
    the database joins them as `assemble` does: header = part 1, n, part 2, `null` or the quoted
    previous hash, `,"recorded_at":"`, the time, `","v":1}`. Ids, times and commitments are taken as
    the texts they are there. Raises NotFormatOne for a value that format 1 cannot hold.
    """
    before_n = (
        f'{{"actor":{{"person":{_quoted(actor_person)},"role":{_quoted(actor_role)}}}'
        f',"auth":"{auth}","body_v":{body_v},"business":"{business}"'
        f',"commitments":{{"facts":"{facts_commitment}","personal":{_quoted(personal_commitment)}}}'
        f',"device":{_quoted(device)}'
        f',"device_entry_n":{"null" if device_entry_n is None else device_entry_n}'
        f',"kind":"{kind}","location":{_quoted(location)},"n":'
    )
    # The grammar catches what the types cannot: a capital, a quote, a number without a device.
    _require(_BEFORE_N.fullmatch(before_n), before_n)
    parse_instant(occurred_at)
    return before_n, f',"occurred_at":"{occurred_at}","prev_hash":'


def assemble(parts: tuple[str, str], *, n: int, prev_hash: bytes | None, recorded_at: str) -> bytes:
    """A whole header from `header_parts` and what the head lock gives: what the database does.

    `recorded_at` is text of the one form that headers hold. Raises NotFormatOne.
    """
    parse_instant(recorded_at)
    previous = _quoted(_or_none(bytes.hex, prev_hash))
    header = f'{parts[0]}{n}{parts[1]}{previous},"recorded_at":"{recorded_at}","v":1}}'
    _require(_HEADER.fullmatch(header) and (n == 1) == (prev_hash is None), header)
    return header.encode("ascii")


def parse_header(header: bytes) -> Header:
    """The content of a stored header. Raises NotFormatOne unless it is canonical to the byte."""
    match = _HEADER.fullmatch(_ascii(header))
    if match is None:
        raise NotFormatOne("the header is not canonical JSON of format 1")
    text = match.groupdict()
    if (text["prev_hash"] is None) != (text["n"] == "1"):
        raise NotFormatOne("prev_hash is null for the first entry and no other")
    return Header(
        business=UUID(text["business"]),
        location=_or_none(UUID, text["location"]),
        n=int(text["n"]),
        prev_hash=_or_none(bytes.fromhex, text["prev_hash"]),
        recorded_at=parse_instant(text["recorded_at"]),
        occurred_at=parse_instant(text["occurred_at"]),
        person=_or_none(UUID, text["person"]),
        role=text["role"],
        auth=text["auth"],
        device=_or_none(UUID, text["device"]),
        device_entry_n=_or_none(int, text["device_entry_n"]),
        kind=text["kind"],
        body_v=int(text["body_v"]),
        facts=text["facts"],
        personal=text["personal"],
    )


def entry_hash(header: bytes) -> bytes:
    """An entry's hash, 32 bytes: SHA-256 of 0x00 and the header, which is RFC 6962's leaf hash."""
    return sha256(LEAF_PREFIX + header).digest()


def commitment(salt: bytes, body: bytes) -> str:
    """What a header keeps of a body, 64 hex digits: SHA-256 of a 32-byte random salt and the body.

    With body and salt gone the commitment still stands in the chain and tells nothing of either.
    """
    if len(salt) != SALT_BYTES:
        raise NotFormatOne(f"a salt has {SALT_BYTES} bytes, not {len(salt)}")
    return sha256(salt + body).hexdigest()


def canonical_json(value: Json) -> bytes:
    """`value` as RFC 8785 text: one text for one content. Raises NotFormatOne.

    Takes None, booleans, strings, integers, lists and objects. Fractions are refused: their text
    differs between languages, so an amount is written as an integer in its small unit or as text.
    """
    try:
        return _encoded(value, MAX_DEPTH).encode()
    except UnicodeEncodeError as error:
        raise NotFormatOne("a text holds half a surrogate pair, which no UTF-8 can") from error


def parse_instant(text: str) -> datetime:
    """An instant from its text in a header; raises NotFormatOne for 30 February and other forms."""
    # With these seven separators in place Python accepts no form but ours; a pattern takes twice
    # the time, and this runs for every entry of a chain.
    if text[4:20:3] == "--T::." and text[26:] == "Z":
        try:
            return datetime.fromisoformat(text)
        except ValueError:
            pass
    raise NotFormatOne(f"{text!r} is no instant of the form 2026-01-31T12:00:00.000000Z")


def _encoded(value: Json, depth: int) -> str:
    if isinstance(value, str):
        return encode_basestring(value)
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int):
        if abs(value) > MAX_INTEGER:
            raise NotFormatOne(f"{value} is too large an integer for JSON")
        return str(int(value))
    if not isinstance(value, (list, tuple, Mapping)):
        raise NotFormatOne(f"{type(value).__name__} has no place in an entry")
    if depth == 0:
        raise NotFormatOne(f"nested more than {MAX_DEPTH} deep")
    if isinstance(value, Mapping):
        return _encoded_object(value, depth)
    return f"[{','.join(_encoded(item, depth - 1) for item in value)}]"


def _encoded_object(value: Mapping[str, Json], depth: int) -> str:
    if not all(isinstance(key, str) for key in value):
        raise NotFormatOne("the keys of an object are strings")
    # RFC 8785 section 3.2.3 sorts by UTF-16 code units, which differs from Python's order by
    # code point once a key leaves the basic plane.
    keys = sorted(value, key=lambda key: key.encode("utf-16-be", "surrogatepass"))
    pairs = (f"{encode_basestring(key)}:{_encoded(value[key], depth - 1)}" for key in keys)
    return f"{{{','.join(pairs)}}}"


def _ascii(header: bytes) -> str:
    try:
        return header.decode("ascii")
    except UnicodeDecodeError as error:
        raise NotFormatOne("the header holds bytes beyond ASCII") from error


def _quoted(value: object) -> str:
    return "null" if value is None else f'"{value}"'


def _or_none(make: Callable[[S], T], value: S | None) -> T | None:
    return None if value is None else make(value)


def _require(holds: object, text: str) -> None:
    if not holds:
        raise NotFormatOne(f"format 1 cannot hold this header: {text}")
