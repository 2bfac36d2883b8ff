"""The Merkle tree of RFC 9162 (hashing as RFC 6962): heads, inclusion and consistency, made and checked.

Pure functions over hashes. `mth(first, last)` stands for the tree head over leaves first…last-1; where the hashes come
from (a list, or a file with stored tiles, see `tiles`) is not known here. Checking functions return False; they never
raise on what a stranger hands in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import sha256
from typing import Final

HASH_BYTES: Final = 32
"""Every hash here is one SHA-256."""

EMPTY_HEAD: Final = sha256(b"").digest()
"""Head of a tree without leaves."""

TreeHead = Callable[[int, int], bytes]
"""`mth(first, last)`: head over leaves first…last-1 (first < last)."""


def node_hash(left: bytes, right: bytes) -> bytes:
    """An inner node."""
    return sha256(b"\x01" + left + right).digest()


class Frontier:
    """A tree as it grows: the heads of its full subtrees (`peaks`, largest first). O(log n) memory."""

    __slots__ = ("peaks", "size")

    def __init__(self) -> None:
        self.size = 0
        self.peaks: list[bytes] = []

    def push(self, leaf: bytes) -> None:
        """Append a leaf hash."""
        peaks, size = self.peaks, self.size
        while size & 1:
            leaf = sha256(b"\x01" + peaks.pop() + leaf).digest()
            size >>= 1
        peaks.append(leaf)
        self.size += 1

    def head(self) -> bytes:
        """The tree head over all leaves so far."""
        return head_of_peaks(self.peaks)


def head_of_peaks(peaks: Sequence[bytes]) -> bytes:
    """The tree head, from the heads of its full subtrees, largest first."""
    if not peaks:
        return EMPTY_HEAD
    head = peaks[-1]
    for peak in reversed(peaks[:-1]):
        head = node_hash(peak, head)
    return head


def head_of(leaves: Sequence[bytes]) -> bytes:
    """The tree head over leaf hashes."""
    frontier = Frontier()
    for leaf in leaves:
        frontier.push(leaf)
    return frontier.head()


def heads_over(leaves: Sequence[bytes]) -> TreeHead:
    """`mth` over a list in memory; quadratic in the worst case, meant for one tile and for tests."""
    return lambda first, last: head_of(leaves[first:last])


def split(size: int) -> int:
    """The largest power of two smaller than `size` (at least 2): where RFC 9162 divides a tree."""
    return 1 << (size - 1).bit_length() - 1


def inclusion_proof(index: int, size: int, mth: TreeHead) -> list[bytes]:
    """Hashes that lead from leaf `index` (from 0) to the head over `size` leaves, in RFC 9162 order (2.1.3.1).

    Raises:
        ValueError: unless 0 ≤ index < size.
    """
    if not 0 <= index < size:
        raise ValueError(f"no leaf {index} in a tree of {size}")
    path: list[bytes] = []
    first, last = 0, size
    while last - first > 1:
        middle = first + split(last - first)
        if index < middle:
            path.append(mth(middle, last))
            last = middle
        else:
            path.append(mth(first, middle))
            first = middle
    return path[::-1]


def verify_inclusion(leaf: bytes, index: int, size: int, proof: Sequence[bytes], head: bytes) -> bool:
    """Whether `proof` shows that `leaf` stands at `index` in the tree of `size` leaves with this `head` (2.1.3.2)."""
    if not 0 <= index < size or not _all_hashes(leaf, head, *proof):
        return False
    node, edge, found = index, size - 1, leaf
    for sibling in proof:
        if edge == 0:
            return False
        if node & 1 or node == edge:
            found = node_hash(sibling, found)
            while not node & 1 and node:
                node >>= 1
                edge >>= 1
        else:
            found = node_hash(found, sibling)
        node >>= 1
        edge >>= 1
    return edge == 0 and found == head


def consistency_proof(old: int, new: int, mth: TreeHead) -> list[bytes]:
    """Hashes that show that the tree of `new` leaves extends the one of `old`, in RFC 9162 order (2.1.4.1).

    Raises:
        ValueError: unless 0 < old ≤ new.
    """
    if not 0 < old <= new:
        raise ValueError(f"no proof from a tree of {old} leaves to one of {new}")
    path: list[bytes] = []
    first, last, whole = 0, new, True
    while old != last:
        middle = first + split(last - first)
        if old <= middle:
            path.append(mth(middle, last))
            last = middle
        else:
            path.append(mth(first, middle))
            first, whole = middle, False
    if not whole:
        path.append(mth(first, last))
    return path[::-1]


def verify_consistency(old: int, new: int, old_head: bytes, new_head: bytes, proof: Sequence[bytes]) -> bool:
    """Whether `proof` shows that the tree of `new` leaves only appended to the one of `old` (2.1.4.2)."""
    if not 0 < old <= new or not _all_hashes(old_head, new_head, *proof):
        return False
    if old == new:
        return not proof and old_head == new_head
    path = list(proof)
    if old & (old - 1) == 0:
        path.insert(0, old_head)
    if not path:
        return False
    node, edge = old - 1, new - 1
    while node & 1:
        node >>= 1
        edge >>= 1
    found_old = found_new = path[0]
    for sibling in path[1:]:
        if edge == 0:
            return False
        if node & 1 or node == edge:
            found_old = node_hash(sibling, found_old)
            found_new = node_hash(sibling, found_new)
            while not node & 1 and node:
                node >>= 1
                edge >>= 1
        else:
            found_new = node_hash(found_new, sibling)
        node >>= 1
        edge >>= 1
    return edge == 0 and found_old == old_head and found_new == new_head


def _all_hashes(*hashes: bytes) -> bool:
    return all(len(one) == HASH_BYTES for one in hashes)
