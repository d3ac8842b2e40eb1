"""Heads of a log to the places where the wall clock jumped; how far is told by the other clock."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from metercap.journal.entry import Head

STEP_S_NS = 500_000_000
"""Wall and boot clock may differ by half a second between two entries before it counts."""

SLEW_PER_MILLION = 500
"""A wall clock that is being steered runs at most 500 millionths fast or slow (adjtimex(2))."""


def clock_steps(heads: Sequence[Head]) -> list[str]:
    """Name each place where the wall clock jumped against the clock that nobody can set."""
    found = []
    for before, after in pairwise(heads):
        wall_ns = after.at.utc_ns - before.at.utc_ns
        if before.at.boot != after.at.boot:
            if wall_ns < 0:
                found.append(f"wall clock earlier after the restart before entry {after.seq}")
            continue
        boot_ns = after.at.boot_ns - before.at.boot_ns
        step_ns = wall_ns - boot_ns
        if abs(step_ns) > STEP_S_NS + abs(boot_ns) * SLEW_PER_MILLION // 1_000_000:
            sign = "-" if step_ns < 0 else "+"
            tenths = abs(step_ns) // 100_000_000
            found.append(
                f"wall clock stepped by {sign}{tenths // 10}.{tenths % 10} s "
                f"before entry {after.seq}"
            )
    return found
