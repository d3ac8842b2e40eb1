"""How long `metercap --help` takes against a bare interpreter, measured in turn in one run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

_RUNS = 15


def _seconds(arguments: list[str]) -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def rows() -> list[tuple[str, str]]:
    """Median wall time of both, and the median of their ratio pair by pair."""
    bare, ours = ["-c", "pass"], ["-m", "metercap", "--help"]
    pairs = [(_seconds(bare), _seconds(ours)) for _ in range(_RUNS + 1)][1:]
    ratio = statistics.median(b / a for a, b in pairs)
    return [
        ("bare interpreter", f"{statistics.median(a for a, _ in pairs) * 1e3:.0f} ms"),
        (
            "metercap --help",
            f"{statistics.median(b for _, b in pairs) * 1e3:.0f} ms, {ratio:.1f} times bare",
        ),
    ]
