"""Append entries for ever and print each number once it is on disk: to be killed by a test."""

from __future__ import annotations

import sys
from pathlib import Path

from metercap.journal.entry import Draft
from metercap.journal.store import Journal
from metercap.model import Instant


def main(path: str, at_once: int) -> None:
    journal = Journal.open(Path(path), "killed")
    last = sum(1 for _ in journal.entries())
    while True:
        drafts = [
            Draft(n % 2, "frame", Instant(n * 1000, n, "b", synced=False), {"raw": f"{n:08x}"})
            for n in range(last + 1, last + at_once + 1)
        ]
        last = journal.append(drafts)[-1].seq
        sys.stdout.write(f"{last}\n")
        sys.stdout.flush()


main(sys.argv[1], int(sys.argv[2]))
