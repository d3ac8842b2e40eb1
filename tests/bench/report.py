"""Time and memory that a report takes, beside the time that deriving its job alone takes.

Memory is the peak of a process that does nothing else, so that it holds Python, typst's fonts and
everything that the derivation needs.
"""

from __future__ import annotations

import subprocess
import sys
import timeit
from pathlib import Path

from metercap.derive import derive
from metercap.journal import entry, merkle
from metercap.record import seal
from metercap.record.report import render

FRAMES, ROUNDS = (500, 2000, 10_000), 3
_CODE = """
import resource, sys
sys.path.insert(0, sys.argv[1])
import report
report.render(report.members(int(sys.argv[2])))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def members(frames: int) -> dict[str, bytes]:
    """The members of a record with so many frames, an attempt for each 125 of them."""
    from verify import make_rows  # noqa: PLC0415  stands beside this file

    rows = make_rows(frames)
    mine = [entry.read_entry(row.head, row.body) for row in rows]
    return seal.members(rows, mine, 1, "bench", merkle.EMPTY, {})


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    found = []
    for frames in FRAMES:
        files = members(frames)
        heads = files["heads.jsonl"].splitlines()
        pairs = zip(heads, files["bodies.jsonl"].splitlines(), strict=True)
        entries = [entry.read_entry(*pair) for pair in pairs]
        size = len(render(files))  # the first one loads what the others need
        ours = min(timeit.repeat(lambda: render(files), number=1, repeat=ROUNDS))  # noqa: B023  called at once
        other = min(timeit.repeat(lambda: derive(entries), number=1, repeat=ROUNDS))  # noqa: B023  same
        here = str(Path(__file__).parent)
        command = [sys.executable, "-c", _CODE, here, str(frames)]
        peak = int(subprocess.run(command, check=True, capture_output=True).stdout)
        found.append(
            (
                f"report, {frames} frames",
                (
                    f"{ours * 1000:.0f} ms ({ours / other:.1f} x derive), {size // 1024} KiB, "
                    f"peak {peak // 1024} MiB"
                ),
            )
        )
    return found


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:44} {measured}")
