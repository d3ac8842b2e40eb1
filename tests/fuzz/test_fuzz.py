"""The kept corpus again, and a short run of every fuzz target without the guided engine."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from fuzz.targets import CORPUS, TARGETS
from hypothesis import example, given
from hypothesis import strategies as st

if TYPE_CHECKING:
    from collections.abc import Callable

EDITS = 40  # of each kept input, beside the input itself


@pytest.mark.parametrize("name", TARGETS)
def test_the_kept_inputs_break_nothing_nor_do_near_ones(name: str) -> None:
    kept = sorted((CORPUS / name).iterdir())
    assert kept, "a target without a corpus shows little"
    chance = random.Random(name)
    for path in kept:
        data = path.read_bytes()
        TARGETS[name](data)
        for _ in range(EDITS):
            TARGETS[name](_near(data, chance))


def _near(data: bytes, chance: random.Random) -> bytes:
    near = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        at = chance.randint(0, len(near))
        near[at : at + chance.randint(0, 2)] = chance.randbytes(chance.randint(0, 3))
    return bytes(near)


def _any_bytes(target: Callable[[bytes], None]) -> Callable[[], None]:
    @given(data=st.binary(max_size=200))
    @example(data=b"")
    def any_bytes(data: bytes) -> None:
        target(data)

    return any_bytes


@pytest.mark.parametrize("name", TARGETS)
def test_any_bytes_break_nothing(name: str) -> None:
    _any_bytes(TARGETS[name])()
