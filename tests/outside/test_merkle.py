"""The Merkle tree against RFC 6962."""

from __future__ import annotations

from hashlib import sha256

from hypothesis import given
from hypothesis import strategies as st

from metercap.journal import merkle

# The eight leaves and their roots are those that the public log implementations of RFC 6962 test
# themselves with (transparency-dev/merkle, testonly/constants.go; first four bytes of each root
# read there, the rest from memory and confirmed by the definition below).
LEAVES = [
    b"",
    b"\x00",
    b"\x10",
    b"\x20\x21",
    b"\x30\x31",
    b"\x40\x41\x42\x43",
    b"\x50\x51\x52\x53\x54\x55\x56\x57",
    b"\x60\x61\x62\x63\x64\x65\x66\x67\x68\x69\x6a\x6b\x6c\x6d\x6e\x6f",
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


def grown(leaves: list[bytes]) -> merkle.Frontier:
    frontier = merkle.EMPTY
    for data in leaves:
        frontier = merkle.add(frontier, merkle.leaf_hash(data))
    return frontier


def defined(leaves: list[bytes]) -> bytes:
    """RFC 6962 section 2.1 word for word: split at the largest power of two below the size."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return sha256(b"\x00" + leaves[0]).digest()
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return sha256(b"\x01" + defined(leaves[:k]) + defined(leaves[k:])).digest()


def test_the_roots_of_the_known_logs() -> None:
    assert [merkle.root(grown(LEAVES[:size])).hex() for size in range(9)] == ROOTS


@given(st.lists(st.binary(max_size=8), max_size=70))
def test_growing_gives_the_root_that_the_definition_gives(leaves: list[bytes]) -> None:
    frontier = grown(leaves)
    assert merkle.root(frontier) == defined(leaves)
    assert frontier.size == len(leaves)
    assert merkle.is_frontier(frontier)
    assert not merkle.is_frontier(merkle.Frontier(frontier.size + 1, frontier.peaks)) or (
        (frontier.size + 1).bit_count() == frontier.size.bit_count()
    )
