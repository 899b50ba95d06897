"""The Merkle tree over a chain's entry hashes: root, proofs and their verification.

RFC 6962 section 2.1 defines the tree, RFC 9162 sections 2.1.3 and 2.1.4 the proofs and how they
are checked. No node is stored: roots and proofs are made from the entry hashes when asked for.
"""

from collections.abc import Iterable, Sequence
from hashlib import sha256

HASH_BYTES = 32
NODE_PREFIX = b"\x01"
EMPTY_ROOT = sha256(b"").digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of an inner node. The prefix keeps a node from passing for a leaf."""
    return sha256(NODE_PREFIX + left + right).digest()


class RootStack:
    """The root of a growing list of entry hashes, in memory of at most one hash per level.

    `peaks` are the roots of the full subtrees, left to right; there is one for each 1 in the
    binary form of `size`. Both may be kept and given back to go on later; raises ValueError where
    they do not belong together.
    """

    __slots__ = ("peaks", "size")

    def __init__(self, size: int = 0, peaks: Iterable[bytes] = ()) -> None:
        self.size = size
        self.peaks = list(peaks)
        if size < 0 or len(self.peaks) != size.bit_count():
            raise ValueError(f"{len(self.peaks)} peaks do not make a tree of {size} entries")

    def append(self, leaf: bytes) -> None:
        """Add the next entry's hash."""
        peaks, merges = self.peaks, self.size
        while merges & 1:
            leaf = sha256(NODE_PREFIX + peaks.pop() + leaf).digest()
            merges >>= 1
        peaks.append(leaf)
        self.size += 1

    def root(self) -> bytes:
        """The root over everything appended so far."""
        if not self.peaks:
            return EMPTY_ROOT
        result = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            result = node_hash(peak, result)
        return result

    def copy(self) -> "RootStack":
        return RootStack(self.size, self.peaks)


def root(leaves: Iterable[bytes]) -> bytes:
    """The root over these entry hashes, in order; of none it is the hash of nothing (RFC 6962)."""
    stack = RootStack()
    for leaf in leaves:
        stack.append(leaf)
    return stack.root()


def inclusion_proof(leaves: Sequence[bytes], index: int) -> list[bytes]:
    """What proves that `leaves[index]` is in the tree, nearest sibling first (RFC 9162 2.1.3.1).

    Raises IndexError outside 0 <= index < len(leaves).
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"there is no entry at {index} of {len(leaves)}")
    path: list[bytes] = []
    low, high = 0, len(leaves)
    while high - low > 1:
        middle = low + _split(high - low)
        if index < middle:
            path.append(root(leaves[middle:high]))
            high = middle
        else:
            path.append(root(leaves[low:middle]))
            low = middle
    return path[::-1]


def consistency_proof(leaves: Sequence[bytes], old_size: int) -> list[bytes]:
    """What proves that the first `old_size` of `leaves` were not touched since (RFC 9162 2.1.4.1).

    Raises IndexError outside 0 < old_size <= len(leaves).
    """
    if not 0 < old_size <= len(leaves):
        raise IndexError(f"there is no older tree of {old_size} in one of {len(leaves)}")
    path: list[bytes] = []
    low, high = 0, len(leaves)
    while old_size < high:
        middle = low + _split(high - low)
        if old_size <= middle:
            path.append(root(leaves[middle:high]))
            high = middle
        else:
            path.append(root(leaves[low:middle]))
            low = middle
    # The verifier knows the old root; only a subtree that is not that root itself must be told.
    if low > 0:
        path.append(root(leaves[low:high]))
    return path[::-1]


def verify_inclusion(
    *, leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes
) -> bool:
    """Whether `proof` shows that entry hash `leaf` is number `index` (from 0) of the tree `root`.

    False for anything that is not such a proof, whatever it is; never raises on garbage.
    RFC 9162 section 2.1.3.2.
    """
    if not _are_sizes(index, size) or index >= size or not _are_hashes(leaf, root, *proof):
        return False
    place, last, result = index, size - 1, leaf
    for sibling in proof:
        if last == 0:
            return False
        if place & 1 or place == last:
            result = node_hash(sibling, result)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            result = node_hash(result, sibling)
        place, last = place >> 1, last >> 1
    return last == 0 and result == root


def verify_consistency(
    *, old_size: int, new_size: int, old_root: bytes, new_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether `proof` shows that the tree `new_root` only added to the tree `old_root`.

    Equal sizes need equal roots and no proof; an old size of 0 proves nothing and is False, as is
    a smaller new one. Never raises on garbage. RFC 9162 section 2.1.4.2.
    """
    if not _are_sizes(old_size, new_size) or not _are_hashes(old_root, new_root, *proof):
        return False
    if not 0 < old_size <= new_size:
        return False
    if old_size == new_size:
        return not proof and old_root == new_root
    path = list(proof)
    if old_size & (old_size - 1) == 0:
        # The old tree is one full subtree of the new one, so its root starts the path.
        path.insert(0, old_root)
    return bool(path) and _climb(path, old_size - 1, new_size - 1) == (old_root, new_root)


def _climb(path: list[bytes], place: int, last: int) -> tuple[bytes, bytes] | None:
    """Old and new root by a consistency path; None where the path is too long or too short."""
    while place & 1:
        place, last = place >> 1, last >> 1
    old = new = path[0]
    for sibling in path[1:]:
        if last == 0:
            return None
        if place & 1 or place == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            new = node_hash(new, sibling)
        place, last = place >> 1, last >> 1
    return (old, new) if last == 0 else None


def _split(count: int) -> int:
    """The largest power of two below `count`, where RFC 6962 divides a tree; `count` > 1."""
    return 1 << (count - 1).bit_length() - 1


def _are_sizes(*values: object) -> bool:
    return all(type(value) is int and value >= 0 for value in values)


def _are_hashes(*values: object) -> bool:
    return all(isinstance(value, bytes) and len(value) == HASH_BYTES for value in values)
