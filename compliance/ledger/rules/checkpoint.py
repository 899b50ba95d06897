"""A checkpoint: how large a chain was at a moment and the root over it, as text that leaves the house.

Four lines: origin, size, root in base64, time. Who holds one can show any later change of what it
covers; it proves nothing to somebody who received it together with the chain.
"""

from base64 import b64decode, b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from compliance.ledger.rules.format import NotFormatOne, parse_instant
from compliance.ledger.rules.tree import HASH_BYTES
from spa_ops.kernel.clock import rfc3339


class CheckpointMalformed(ValueError):
    """The text is not a checkpoint of four lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """The tree over the first `size` entries of the chain `origin`, as it stood `at` that instant."""

    origin: str
    size: int
    root: bytes
    at: datetime

    def to_text(self) -> str:
        """The four lines, each ended by a line feed."""
        root = b64encode(self.root).decode()
        return f"{self.origin}\n{self.size}\n{root}\n{rfc3339(self.at)}\n"


def origin_of(*, business: UUID, location: UUID | None) -> str:
    """How a chain is named in a checkpoint: its location, or the business for its own chain."""
    return f"spa/{location or business}"


def checkpoints_text(checkpoints: Iterable[Checkpoint]) -> str:
    """Several checkpoints as one file, an empty line between them."""
    return "\n".join(checkpoint.to_text() for checkpoint in checkpoints)


def parse_checkpoints(text: str) -> list[Checkpoint]:
    """The checkpoints of a file as `checkpoints_text` writes it; raises CheckpointMalformed."""
    if not text.strip():
        return []
    return [_parsed(block) for block in text.removesuffix("\n").split("\n\n")]


def _parsed(block: str) -> Checkpoint:
    lines = block.split("\n")
    if len(lines) != 4:
        raise CheckpointMalformed("a checkpoint has four lines: origin, size, root, time")
    origin, size, root, at = lines
    try:
        checkpoint = Checkpoint(
            origin=origin, size=int(size), root=b64decode(root), at=parse_instant(at)
        )
    except (ValueError, NotFormatOne) as error:
        raise CheckpointMalformed(f"a line of the checkpoint cannot be read: {error}") from error
    # Written back it must be the same text: no second spelling of a size, a root or a time.
    if checkpoint.to_text() != f"{block}\n" or checkpoint.size < 1:
        raise CheckpointMalformed("a line of the checkpoint has another form than it is written in")
    if len(checkpoint.root) != HASH_BYTES or not origin.startswith("spa/"):
        raise CheckpointMalformed("a checkpoint names a chain and a root of 32 bytes")
    return checkpoint
