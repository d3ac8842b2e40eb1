"""The stretches of one log that records cover to what no record covers.

Each record begins where the one closed before it ended, so in a full set nothing is missing before
the last; a hole is a job that was not handed in. It trusts what it is given: only records that
verify belong here.
"""

from __future__ import annotations

from collections.abc import Iterable


def find_holes(stretches: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Find the entries before the last that no stretch covers, as (first, last), both included.

    A stretch is a pair of its first and last entry; entries count from 1.
    """
    holes = []
    reached = 0
    for first, last in sorted(stretches):
        if first > reached + 1:
            holes.append((reached + 1, first - 1))
        reached = max(reached, last)
    return holes
