"""The seven-segment table, against the Linux kernel's and against drawn digits.

Source: include/uapi/linux/map_to_7segment.h of the Linux kernel, which numbers the segments a to g
as bits 0 to 6. Values and letter forms were compared with the header of kernel headers 6.1.
"""

from __future__ import annotations

import pytest

from metercap.meter.description import SEGMENTS

KERNEL = {
    "0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07,
    "8": 0x7F, "9": 0x6F, "L": 0x38, "-": 0x40, " ": 0x00, "E": 0x79, "r": 0x50, "o": 0x5C,
    "d": 0x5E, "C": 0x39, "F": 0x71,
}  # fmt: skip

# The digits as anyone draws them on such a display, three columns each.
DRAWN = (
    " _     _  _     _  _  _  _  _ ",
    "| |  | _| _||_||_ |_   ||_||_|",
    "|_|  ||_  _|  | _||_|  ||_| _|",
)
PLACES = {"a": (0, 1), "b": (1, 2), "c": (2, 2), "d": (2, 1), "e": (2, 0), "f": (1, 0), "g": (1, 1)}


def test_the_table_is_the_kernels() -> None:
    assert SEGMENTS == KERNEL


@pytest.mark.parametrize("digit", range(10))
def test_a_digit_lights_the_segments_that_its_drawing_has(digit: int) -> None:
    lit = sum(
        1 << bit
        for bit, (row, column) in enumerate(PLACES[name] for name in "abcdefg")
        if DRAWN[row][3 * digit + column] != " "
    )

    assert SEGMENTS[str(digit)] == lit
