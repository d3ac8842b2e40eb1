"""Which entries the record of a job covers, so that the records of a log leave none out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import JournalError
from metercap.journal import merkle
from metercap.journal.entry import Draft
from metercap.journal.store import Journal
from metercap.model import Instant

if TYPE_CHECKING:
    from pathlib import Path

AT = Instant(1_795_000_000_000_000_000, 1, "boot-a", synced=False)


def written(path: Path, *entries: tuple[int, str]) -> Journal:
    journal = Journal.open(path, "pi-0007")
    journal.append([Draft(job, kind, AT, {}) for job, kind in entries])
    return journal


OPEN, FRAME, CLOSE, BOOT = "job.open", "frame", "job.close", "boot"
LOG = (
    *((0, BOOT), (1, OPEN), (1, FRAME), (1, CLOSE)),  # 1 to 4
    *((0, "checkpoint"), (2, OPEN), (2, FRAME), (0, BOOT)),  # 5 to 8: job 2 is left open
    *((3, OPEN), (3, CLOSE), (0, BOOT), (2, FRAME), (2, CLOSE)),  # 9 to 13
    *((0, BOOT), (4, OPEN), (4, CLOSE)),  # 14 to 16
)


def test_records_tile_the_log(tmp_path: Path) -> None:
    journal = written(tmp_path / "j", *LOG)
    try:
        assert journal.stretch(1) == (1, 4)
        assert journal.stretch(3) == (5, 10)
        assert journal.stretch(2) == (6, 13)  # its own first entry lies before the last closing
        assert journal.stretch(4) == (14, 16)
        with pytest.raises(JournalError, match="no job 9"):
            journal.stretch(9)
    finally:
        journal.close()


@given(st.lists(st.integers(0, 3), max_size=30))
def test_no_entry_before_the_last_closing_is_left_out(jobs: list[int]) -> None:
    import tempfile  # noqa: PLC0415  hypothesis runs this many times in one test
    from pathlib import Path  # noqa: PLC0415  same

    seen: set[int] = set()
    entries: list[tuple[int, str]] = []
    for job in jobs:
        entries.append((job, BOOT if job == 0 else FRAME if job in seen else OPEN))
        seen.add(job)
    entries += [(job, CLOSE) for job in sorted(seen - {0})]
    with tempfile.TemporaryDirectory() as folder:
        journal = written(Path(folder) / "j", *entries)
        try:
            covered: set[int] = set()
            for job in seen - {0}:
                first, last = journal.stretch(job)
                covered |= set(range(first, last + 1))
            assert covered == (set(range(1, len(entries) + 1)) if seen - {0} else set())
        finally:
            journal.close()


def test_the_tip_follows_what_is_appended(tmp_path: Path) -> None:
    journal = written(tmp_path / "j")
    try:
        assert journal.tip() == merkle.EMPTY
        for size in (3, 5):
            journal.append([Draft(1, FRAME, AT, {"n": n}) for n in range(size)])
            assert journal.tip() == journal.frontier(journal.tip().size)
        assert journal.tip().size == 8
    finally:
        journal.close()
