"""Identifiers: UUID version 7 (RFC 9562 section 5.7), made by whoever creates the record."""

import os
import time
from uuid import UUID


def uuid7(unix_ms: int | None = None, random_bytes: bytes | None = None) -> UUID:
    """A new UUIDv7: 48 bits of Unix milliseconds, then version, variant and 74 random bits.

    Never read a time or an order out of one: device clocks lie. The arguments are for tests.
    """
    ms = time.time_ns() // 1_000_000 if unix_ms is None else unix_ms
    rand = int.from_bytes(os.urandom(10) if random_bytes is None else random_bytes)
    value = (ms & (1 << 48) - 1) << 80 | 0x7 << 76 | (rand >> 68 & 0xFFF) << 64
    return UUID(int=value | 0b10 << 62 | rand & (1 << 62) - 1)
