from __future__ import annotations

import asyncio
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from metercap.errors import JournalError
from metercap.journal import entry, merkle
from metercap.journal.entry import Draft
from metercap.journal.store import Journal, Writer
from metercap.model import Instant

if TYPE_CHECKING:
    from collections.abc import Iterator

APPENDER = Path(__file__).with_name("appender.py")
KILLS = 24


def draft(number: int, job: int = 1, kind: str = "frame") -> Draft:
    at = Instant(1_795_000_000_000_000_000 + number * 1000, number, "boot-a", synced=False)
    return Draft(job, kind, at, {"raw": f"{number:04x}"})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    opened = Journal.open(path, "pi-0007")
    yield opened
    opened.close()


def check_chain(journal: Journal) -> int:
    """Walk the whole chain; the answer is its length."""
    rows = list(journal.rows(1, 10**9))
    assert [row.seq for row in rows] == list(range(1, len(rows) + 1))
    for row in rows:
        assert row.leaf == merkle.leaf_hash(row.head)
        assert entry.read_entry(row.head, row.body).seq == row.seq
    heads = [entry.read_head(row.head) for row in rows]
    assert all(head.prev == row.leaf for row, head in zip(rows, heads[1:], strict=False))
    return len(rows)


def test_entries_come_back_as_they_were_given(journal: Journal) -> None:
    drafts = [draft(1, 0, "boot"), draft(2, 1, "job.open"), draft(3), draft(4, 2, "job.open")]
    written = journal.append(drafts[:1]) + journal.append(drafts[1:])
    assert [(found.seq, found.job, found.js) for found in written] == [
        (1, 0, 1),
        (2, 1, 1),
        (3, 1, 2),
        (4, 2, 1),
    ]
    assert [Draft(e.job, e.kind, e.at, e.body) for e in written] == drafts
    assert list(journal.entries()) == written
    assert list(journal.entries(1)) == written[1:3]
    assert list(journal.entries(0)) == written[:1]
    assert list(journal.entries(9)) == []
    assert check_chain(journal) == 4


def test_jobs_and_their_spans(journal: Journal) -> None:
    assert (journal.jobs(), journal.next_job()) == ([], 1)
    journal.append([draft(1, 0), draft(2, 1), draft(3, 2), draft(4, 1), draft(5, 0), draft(6, 2)])
    assert (journal.jobs(), journal.next_job()) == ([1, 2], 3)
    assert (journal.span(1), journal.span(2)) == ((2, 4), (3, 6))
    with pytest.raises(JournalError, match="no job 3"):
        journal.span(3)


def test_the_log_goes_on_where_it_ended(path: Path) -> None:
    first = Journal.open(path, "pi-0007")
    first.append([draft(1), draft(2, 5)])
    first.close()
    second = Journal.open(path, "")
    assert (second.log, second.unclean) == ("pi-0007", False)
    assert [(e.seq, e.js) for e in second.append([draft(3), draft(4, 5)])] == [(3, 2), (4, 2)]
    assert check_chain(second) == 4
    second.close()


def test_a_frontier_is_that_of_the_leaves(journal: Journal) -> None:
    journal.append([draft(n) for n in range(1, 8)])
    grown = merkle.EMPTY
    for row in journal.rows(1, 5):
        grown = merkle.add(grown, row.leaf)
    assert journal.frontier(5) == grown
    assert journal.frontier(0) == merkle.EMPTY
    with pytest.raises(JournalError, match="holds 7 entries, asked for 8"):
        journal.frontier(8)


def test_a_bad_draft_leaves_no_trace(journal: Journal) -> None:
    with pytest.raises(JournalError, match="float"):
        journal.append([draft(1), draft(2)._replace(body={"volts": 230.1})])
    with pytest.raises(JournalError, match="kind 'wish'"):
        journal.append([draft(1), draft(2, kind="wish")])
    with pytest.raises(JournalError, match="boot"):
        journal.append([draft(1)._replace(at=Instant(0, 0, "two words", synced=False))])
    assert journal.append([]) == []
    assert list(journal.entries()) == []
    assert [(e.seq, e.js) for e in journal.append([draft(1)])] == [(1, 1)]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = x'7b7d' WHERE seq = 1",
        "UPDATE entry SET seq = 9 WHERE seq = 1",
        "DELETE FROM entry",
        "INSERT OR REPLACE INTO entry SELECT * FROM entry",
        "UPDATE log SET name = 'other'",
        "DELETE FROM log",
    ],
)
def test_nothing_written_can_be_changed(journal: Journal, statement: str) -> None:
    journal.append([draft(1)])
    before = list(journal.rows(1, 9))
    with pytest.raises(sqlite3.IntegrityError, match="append only"):
        journal._db.execute(statement)
    assert list(journal.rows(1, 9)) == before


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ("2, 1, 1, 'text', x'', zeroblob(32)", "TEXT value in BLOB column"),
        ("2, 'one', 2, x'', x'', zeroblob(32)", "TEXT value in INTEGER column"),
        ("0, 1, 2, x'', x'', zeroblob(32)", "CHECK"),
        ("2, -1, 1, x'', x'', zeroblob(32)", "CHECK"),
        ("2, 1, 2, x'', x'', zeroblob(31)", "CHECK"),
        ("2, 1, 1, x'', x'', zeroblob(32)", "UNIQUE"),
        ("2, 1, 2, NULL, x'', zeroblob(32)", "NOT NULL"),
    ],
)
def test_the_table_takes_only_what_an_entry_is(journal: Journal, values: str, reason: str) -> None:
    journal.append([draft(1)])
    with pytest.raises(sqlite3.IntegrityError, match=reason):
        journal._db.execute(f"INSERT INTO entry VALUES ({values})")  # noqa: S608  a list above


def test_the_settings_hold(journal: Journal) -> None:
    def ask(name: str) -> object:
        return journal._db.execute(f"PRAGMA {name}").fetchone()[0]

    assert ask("journal_mode") == "wal"
    assert ask("synchronous") == 2
    assert ask("wal_autocheckpoint") == 1000
    assert ask("journal_size_limit") == 8_388_608
    assert ask("foreign_keys") == 1
    assert ask("trusted_schema") == 0
    assert ask("cell_size_check") == 1


def test_a_setting_that_does_not_hold_is_refused(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("metercap.journal.store._SETTINGS", (("synchronous", "NORMAL", 2),))
    with pytest.raises(JournalError, match="setting synchronous is 1, expected 2"):
        Journal.open(path, "pi")
    monkeypatch.undo()
    Journal.open(path, "pi").close()  # and the lock is free again


def test_the_file_is_for_its_owner_only(path: Path, journal: Journal) -> None:
    journal.append([draft(1)])
    for found in path.parent.iterdir():
        assert found.stat().st_mode & 0o077 == 0, found


def test_a_new_log_needs_a_name(path: Path) -> None:
    for name in ("", "two words", "-x", "\u0430", "x" * 129):
        with pytest.raises(JournalError, match="log name"):
            Journal.open(path, name)
    Journal.open(path, "x" * 128).close()


def test_another_name_is_refused(path: Path, journal: Journal) -> None:
    journal.close()
    with pytest.raises(JournalError, match="holds log 'pi-0007', expected 'pi-0008'"):
        Journal.open(path, "pi-0008")


def test_what_is_no_journal_is_refused_and_left_alone(path: Path) -> None:
    path.write_bytes(b"dear diary" * 1000)
    with pytest.raises(JournalError, match="not a database"):
        Journal.open(path, "pi")
    assert path.read_bytes() == b"dear diary" * 1000
    path.unlink()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE entry (seq)")
    other.commit()
    other.close()
    with pytest.raises(JournalError, match="other tables than expected"):
        Journal.open(path, "pi")
    with pytest.raises(JournalError, match="other tables than expected"):
        Journal.read(path)


def test_an_end_that_does_not_match_its_hash_is_refused(path: Path, journal: Journal) -> None:
    journal.append([draft(1)])
    (row,) = journal.rows(1, 1)
    journal.close()
    data = path.read_bytes()
    path.write_bytes(data.replace(row.leaf, bytes(32)))
    with pytest.raises(JournalError, match="entry 1 does not match its hash"):
        Journal.open(path, "")
    path.write_bytes(data.replace(row.body, row.body.replace(b"1", b"2")))
    with pytest.raises(JournalError, match=r"entry 1 .* body hashes to"):
        Journal.open(path, "")


def test_a_damaged_file_is_refused_after_a_fall(path: Path, journal: Journal) -> None:
    journal.append([draft(n) for n in range(1, 200)])
    journal.close()
    data = bytearray(path.read_bytes())
    data[4096 * 5 : 4096 * 5 + 100] = b"\xff" * 100
    path.write_bytes(data)
    path.with_name("journal.db.lock").write_text("999999\n")  # as a fallen owner leaves it
    with pytest.raises(JournalError, match="damaged"):
        Journal.open(path, "")


def test_reading_beside_the_owner_takes_no_lock(path: Path, journal: Journal) -> None:
    journal.append([draft(1), draft(2, 2)])
    reader = Journal.read(path)
    journal.append([draft(3)])
    assert [found.seq for found in reader.entries()] == [1, 2, 3]
    assert (reader.log, reader.jobs(), reader.span(1)) == ("pi-0007", [1, 2], (1, 3))
    with pytest.raises(JournalError, match="opened for reading"):
        reader.append([draft(4)])
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.execute("INSERT INTO log VALUES ('x')")
    reader.close()
    assert journal.append([draft(4)])[0].seq == 4


def test_reading_alone_leaves_no_sign_of_a_fall(path: Path, journal: Journal) -> None:
    journal.append([draft(1)])
    journal.close()
    reader = Journal.read(path)
    assert len(list(reader.entries())) == 1
    reader.close()
    again = Journal.open(path, "")
    assert not again.unclean
    again.close()


def test_there_must_be_a_journal_to_read(path: Path) -> None:
    with pytest.raises(JournalError, match="no journal here"):
        Journal.read(path)
    assert not path.exists()


def test_a_closed_journal_says_so(journal: Journal) -> None:
    journal.close()
    journal.close()
    for call in (
        journal.jobs,
        lambda: journal.append([draft(1)]),
        lambda: list(journal.rows(1, 2)),
    ):
        with pytest.raises(JournalError, match="closed"):
            call()


def test_after_a_failed_commit_the_journal_is_closed_and_can_be_opened_again(path: Path) -> None:
    """A full disk stands for every way in which a commit can fail."""
    journal = Journal.open(path, "pi")
    journal.append([draft(1)])
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count={pages + 1}").fetchone()
    big = draft(2)._replace(body={"raw": "00" * 100_000})
    with pytest.raises(JournalError, match="not on disk, closed: database or disk is full"):
        journal.append([draft(2), big])
    with pytest.raises(JournalError, match="closed"):
        journal.append([draft(2)])
    again = Journal.open(path, "pi")
    assert again.unclean
    assert [found.seq for found in again.entries()] == [1]
    assert again.append([draft(2)])[0].seq == 2
    again.close()


def start(path: Path, at_once: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(APPENDER), str(path), str(at_once)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def kill(process: subprocess.Popen[str]) -> list[int]:
    """Kill without warning; the answer is every number that it had acknowledged by then."""
    process.send_signal(signal.SIGKILL)
    rest = process.stdout.read()
    process.stdout.close()
    process.wait()
    return [int(line) for line in rest.splitlines(keepends=True) if line.endswith("\n")]


def test_kill_9_loses_nothing_acknowledged(path: Path) -> None:
    """Kill after a number of commits drawn from a fixed seed, and go on in the same file.

    This shows order and recovery, not the disk: what a power cut does to unflushed blocks cannot
    be seen from inside one machine.
    """
    chance = random.Random(6962)
    for _ in range(KILLS):
        at_once = chance.choice((1, 4, 20))
        process = start(path, at_once)
        acknowledged = [int(process.stdout.readline()) for _ in range(chance.randint(1, 12))]
        acknowledged += kill(process)
        assert all(after == before + at_once for before, after in pairwise(acknowledged))
        journal = Journal.open(path, "")
        assert journal.unclean
        held = check_chain(journal)
        # One group more than was acknowledged is right: it was on disk, its number not yet told.
        assert held in {acknowledged[-1], acknowledged[-1] + at_once}
        assert sum(1 for _ in journal.entries(0)) + sum(1 for _ in journal.entries(1)) == held
        journal.close()


def test_a_second_owner_is_refused_until_the_first_is_gone(path: Path) -> None:
    process = start(path, 1)
    process.stdout.readline()
    with pytest.raises(JournalError, match=f"busy: held by process {process.pid}$"):
        Journal.open(path, "killed")
    kill(process)
    Journal.open(path, "killed").close()


def test_a_journal_left_by_a_fall_can_be_read_without_being_owned(path: Path) -> None:
    process = start(path, 1)
    acknowledged = int(process.stdout.readline())
    acknowledged = max([acknowledged, *kill(process)])
    reader = Journal.read(path)
    assert sum(1 for _ in reader.entries()) >= acknowledged
    reader.close()
    owner = Journal.open(path, "")
    assert owner.unclean
    owner.close()


def test_two_owners_in_one_process_are_refused_too(path: Path, journal: Journal) -> None:
    with pytest.raises(JournalError, match="busy: held by process"):
        Journal.open(path, "pi-0007")
    assert journal.append([draft(1)])[0].seq == 1


def test_a_writer_works_in_a_thread_of_its_own(path: Path) -> None:
    threads: set[str] = set()

    def where(journal: Journal) -> list[int]:
        threads.add(threading.current_thread().name)
        return journal.jobs()

    async def work() -> None:
        writer = await Writer.open(path, "pi")
        groups = await asyncio.gather(*(writer.append([draft(n), draft(n)]) for n in range(1, 9)))
        assert [found.seq for group in groups for found in group] == list(range(1, 17))
        assert await writer.call(where) == [1]
        assert (writer.log, writer.unclean) == ("pi", False)
        await writer.close()
        await writer.close()
        with pytest.raises(JournalError, match="closed"):
            await writer.append([draft(1)])

    before = threading.active_count()
    asyncio.run(work())
    assert threads
    assert threading.current_thread().name not in threads
    assert threading.active_count() == before
    Journal.open(path, "pi").close()


def test_a_writer_hands_errors_on_and_goes_on(path: Path) -> None:
    async def work() -> None:
        writer = await Writer.open(path, "pi")
        with pytest.raises(JournalError, match="float"):
            await writer.append([draft(1)._replace(body={"v": 1.0})])
        with pytest.raises(RuntimeError, match="our own"):
            await writer.call(lambda _: _raise())
        assert (await writer.append([draft(1)]))[0].seq == 1
        await writer.close()

    asyncio.run(work())


def _raise() -> None:
    raise RuntimeError("our own")


def test_a_caller_who_gives_up_leaves_the_journal_free(path: Path) -> None:
    async def work() -> None:
        opening = asyncio.ensure_future(Writer.open(path, "pi"))
        await asyncio.sleep(0)  # let it hand the work to its thread
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening

    before = threading.active_count()
    asyncio.run(work())
    assert threading.active_count() == before
    Journal.open(path, "pi").close()


def test_a_writer_that_cannot_open_leaves_no_thread(path: Path, journal: Journal) -> None:
    before = threading.active_count()
    with pytest.raises(JournalError, match="busy"):
        asyncio.run(Writer.open(path, journal.log))
    assert threading.active_count() == before
