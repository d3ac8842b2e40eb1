"""A job that no record can hold is refused in one line, before it is read, and stays."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from record import smalljob

from metercap import records
from metercap.errors import RecordError
from metercap.journal.store import Journal
from metercap.record import container


def _kept(path: Path) -> tuple[int, int]:
    """A journal with one closed job; the sizes of its heads and bodies, and of all but the last."""
    with_job = Journal.open(path, "test/log")
    with_job.append(smalljob.drafts())
    first, last = with_job.stretch(1)
    sizes = [len(row.head) + len(row.body) for row in with_job.rows(first, last)]
    assert with_job.weight(first, last) == sum(sizes)
    assert with_job.weight(first, last - 1) == sum(sizes[:-1])
    assert with_job.weight(last + 900, last + 909) == 0
    with_job.close()
    return sum(sizes), last


@pytest.mark.parametrize("short_by", [0, 1])
def test_the_size_of_a_record_is_the_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, short_by: int
) -> None:
    journal = tmp_path / "journal.sqlite"
    weight, _ = _kept(journal)
    monkeypatch.setattr(container, "SIZE_LIMIT_BYTES", weight - short_by)
    asked: list[str] = []

    def nobody(log: str) -> None:
        asked.append(log)
        raise LookupError(log)

    expected = RecordError if short_by else LookupError
    with pytest.raises(expected) as caught:
        records.export(journal, 1, tmp_path, nobody, datetime.now(UTC))  # type: ignore[arg-type]
    assert asked == ([] if short_by else ["test/log"])
    if short_by:
        assert "MiB of entries, expected at most" in str(caught.value)
        assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.glob("*.asice")] == []
