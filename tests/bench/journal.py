"""From a frame to its commit, and bytes written for it: the journal, and a plain append file.

The append file is the least that keeps a frame over a power cut: the same bytes, one write and one
fdatasync for each group. Both are measured in turn within one run, in the same directory, so what
else the disk does falls on both.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from metercap import clock
from metercap.journal.entry import Draft
from metercap.journal.store import Journal

if TYPE_CHECKING:
    from collections.abc import Callable

COMMITS = 1500
WARM_UP = 50
BLOCK = 50  # commits on one side before it is the other's turn


class Cost(NamedTuple):
    """Microseconds for each commit, and bytes that the kernel was asked to write meanwhile."""

    times_us: list[float]
    written: int
    growth: int

    def at(self, percent: int) -> float:
        """The time within which that many of a hundred commits were done."""
        return statistics.quantiles(self.times_us, n=100)[percent - 1]


def _drafts(number: int, at_once: int) -> list[Draft]:
    body = {"meter": "m", "source": "c0a70002-27d4-4e8b-b3f5-91c2e07d5a64", "session": 1}
    raw = f"c53a01{number:08x}ff0000abcd"
    return [
        Draft(1, "frame", clock.now(), {**body, "number": number + n, "raw": raw})
        for n in range(at_once)
    ]


def _written() -> int:
    lines = Path("/proc/self/io").read_text("ascii").splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def _block(group: Callable[[int], object], first: int, times_us: list[float]) -> int:
    before = _written()
    for number in range(first, first + BLOCK):
        start = time.perf_counter_ns()
        group(number)
        times_us.append((time.perf_counter_ns() - start) / 1000)
    return _written() - before


def _measure(directory: Path, at_once: int) -> tuple[Cost, Cost]:
    path = directory / f"journal-{at_once}.db"
    journal = Journal.open(path, "bench")
    sample = journal.append(_drafts(0, at_once))
    lines = b"".join(
        row.head + b"\n" + row.body + b"\n" for row in journal.rows(sample[0].seq, sample[-1].seq)
    )
    plain_path = directory / f"plain-{at_once}"
    plain = os.open(plain_path, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)

    def append(number: int) -> None:
        journal.append(_drafts(number, at_once))

    def write(_: int) -> None:
        os.write(plain, lines)
        os.fdatasync(plain)

    for number in range(WARM_UP):
        append(number)
        write(number)
    ours, theirs = ([], []), ([], [])
    for first in range(0, COMMITS, BLOCK):
        ours[1].append(_block(append, first, ours[0]))
        theirs[1].append(_block(write, first, theirs[0]))
    journal.close()
    os.close(plain)
    frames = (COMMITS + WARM_UP + 1) * at_once
    return (
        Cost(ours[0], sum(ours[1]), path.stat().st_size // frames),
        Cost(theirs[0], sum(theirs[1]), plain_path.stat().st_size // frames),
    )


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts, at one and at four frames a commit."""
    out = []
    with tempfile.TemporaryDirectory() as name:
        for at_once in (1, 4):
            ours, theirs = _measure(Path(name), at_once)
            label = f"journal, {at_once} a commit"
            for percent in (50, 99):
                mine, other = ours.at(percent), theirs.at(percent)
                out.append(
                    (
                        f"{label}: frame to commit, p{percent}",
                        f"{mine:.0f} us ({mine / other:.2f} x plain append + fdatasync)",
                    )
                )
            per_frame = ours.written / COMMITS / at_once
            for what, mine, ratio in (
                ("written", per_frame, ours.written / theirs.written),
                ("kept", ours.growth, ours.growth / theirs.growth),
            ):
                text = f"{mine:.0f} per frame ({ratio:.2f} x plain append)"
                out.append((f"{label}: bytes {what}", text))
    return out


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:44} {measured}")
