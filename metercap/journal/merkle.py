"""Leaf hashes to the root of the Merkle tree over them, RFC 6962 section 2.1.

A log is carried as its frontier: the roots of the complete subtrees it consists of, largest first,
one for each set bit of its size. That is enough to go on adding and to give the root at any time;
no proof of inclusion is made here.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

HASH_BYTES = 32


class Frontier(NamedTuple):
    """A log of `size` leaves, as the roots of its complete subtrees, largest first."""

    size: int
    peaks: tuple[bytes, ...]


EMPTY = Frontier(0, ())


def leaf_hash(data: bytes) -> bytes:
    """SHA-256 of a zero byte and the data, so that a leaf can never be taken for a node."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256 of a one byte and the two hashes below."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def is_frontier(frontier: Frontier) -> bool:
    """Whether there are as many whole hashes as a log of that size has complete subtrees."""
    size, peaks = frontier
    return (
        size >= 0
        and len(peaks) == size.bit_count()
        and all(len(peak) == HASH_BYTES for peak in peaks)
    )


def add(frontier: Frontier, leaf: bytes) -> Frontier:
    """Append one leaf hash."""
    size, peaks = frontier
    # Each trailing one bit of the size is a complete subtree that the new leaf completes further.
    while size & 1:
        leaf = node_hash(peaks[-1], leaf)
        peaks = peaks[:-1]
        size >>= 1
    return Frontier(frontier.size + 1, (*peaks, leaf))


def root(frontier: Frontier) -> bytes:
    """Hash the frontier into the root; the root of no leaves is the hash of nothing."""
    if not frontier.peaks:
        return hashlib.sha256(b"").digest()
    *rest, top = frontier.peaks
    for peak in reversed(rest):
        top = node_hash(peak, top)
    return top
