"""Drafts to entries that are on disk: the one file of the journal, and the only owner of SQLite.

It orders, links, commits and reads back. It does not know what an entry means, and it has no way to
change or delete one.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import sqlite3
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Self, TypeVar

from sqlite_utils import Database

from metercap.errors import JournalError
from metercap.journal import entry, merkle

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from metercap.journal.entry import Draft, Entry, Row

Result = TypeVar("Result")

# The index holds one line for each job, not one for each entry: an index over all entries would
# dirty a second page in every commit and so write twice as many bytes to the card.
_SCHEMA = (
    "CREATE TABLE log (name TEXT NOT NULL) STRICT",
    """CREATE TABLE entry (
    seq INTEGER PRIMARY KEY CHECK (seq > 0),
    job INTEGER NOT NULL CHECK (job >= 0),
    js INTEGER NOT NULL CHECK (js > 0),
    head BLOB NOT NULL,
    body BLOB NOT NULL,
    leaf BLOB NOT NULL CHECK (length(leaf) = 32)
) STRICT""",
    "CREATE UNIQUE INDEX job_start ON entry (job) WHERE js = 1",
    *(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'append only'); END"
        for table in ("log", "entry")
        for verb in ("UPDATE", "DELETE")
    ),
)

# WAL with FULL lost no acknowledged row in 3,000 replayed power cuts; NORMAL lost some in most of
# them, and the rollback journal with FULL lost the last commit in two cuts of five (measured).
# Each setting is read back, because SQLite answers an impossible one with silence.
_SETTINGS: tuple[tuple[str, str, object], ...] = (
    ("journal_mode", "WAL", "wal"),
    ("synchronous", "FULL", 2),
    ("wal_autocheckpoint", "1000", 1000),
    ("journal_size_limit", "8388608", 8388608),
    ("foreign_keys", "ON", 1),
    ("trusted_schema", "OFF", 0),
    ("cell_size_check", "ON", 1),
)
_READING_SETTINGS: tuple[tuple[str, str, object], ...] = (
    ("query_only", "ON", 1),
    ("trusted_schema", "OFF", 0),
    ("cell_size_check", "ON", 1),
)

_ROWS = "SELECT seq, job, head, body, leaf FROM entry "


class Journal:
    """An open journal, used by the thread that opened it; `unclean`: the last owner fell."""

    def __init__(self, db: Database, lock: _Lock | None) -> None:
        self._db = db
        self._lock = lock
        self._open = True
        self._counts: dict[int, int] = {}
        self.unclean = False
        self.log = ""
        self._size = 0
        self._leaf = entry.NO_LEAF
        self._tip = merkle.EMPTY

    @classmethod
    def open(cls, path: Path, log: str) -> Self:
        """Open or create the journal at `path` for writing, as its only writer.

        `log` names the log when it is created, and must agree with the name in an existing file;
        "" takes the name from the file. Raises JournalError when another process has it, when a
        setting does not hold, or when the file is damaged or not a journal.
        """
        lock = _Lock(path)
        try:
            # A log that was not folded back also means a fall, even one that took the mark with it.
            wal = path.with_name(path.name + "-wal")
            unclean = lock.unclean or (wal.exists() and wal.stat().st_size > 0)
            # Created by hand first, so that nobody else on the machine can read a client's job.
            os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))
            db = Database(path, execute_plugins=False)
        except (OSError, sqlite3.Error) as error:
            lock.release()
            raise JournalError(f"{path}: cannot be opened: {error}") from error
        journal = cls(db, lock)
        journal.unclean = unclean
        try:
            journal._start(log)
        except sqlite3.Error as error:
            journal._fail()
            raise JournalError(f"{path}: {error}, expected a journal") from error
        except JournalError as error:
            journal._fail()
            raise JournalError(f"{path}: {error}") from error
        return journal

    @classmethod
    def read(cls, path: Path) -> Self:
        """Open an existing journal for reading only, beside its owner if any; takes no lock."""
        if not path.is_file():
            raise JournalError(f"{path}: no journal here")
        try:
            # Read only also keeps this second connection from ever running a checkpoint; older
            # SQLite can corrupt a file when two connections do (sqlite.org/wal.html#walresetbug).
            uri = f"{path.resolve().as_uri()}?mode=ro"
            db = Database(sqlite3.connect(uri, uri=True), execute_plugins=False)
            journal = cls(db, None)
        except sqlite3.Error as error:
            raise JournalError(f"{path}: cannot be opened: {error}") from error
        try:
            journal._set(_READING_SETTINGS)
            journal._look()
        except sqlite3.Error as error:
            journal._fail()
            raise JournalError(f"{path}: {error}, expected a journal") from error
        except JournalError as error:
            journal._fail()
            raise JournalError(f"{path}: {error}") from error
        return journal

    def append(self, drafts: Sequence[Draft]) -> list[Entry]:
        """Write the drafts in one transaction and return them as entries once it is on disk.

        The entries are read back from the very bytes written, so whoever derives from them now
        sees what a verifier will see later. Raises JournalError; if the disk was at fault the
        journal is closed, since a commit that failed once may seem to succeed when tried again.
        """
        self._must_be_open()
        if self._lock is None:
            raise JournalError("journal: opened for reading, expected writing")
        seq, leaf = self._size, self._leaf
        counts: dict[int, int] = {}
        rows: list[tuple[Row, int]] = []
        for draft in drafts:
            seq += 1
            js = counts.get(draft.job, self._count(draft.job)) + 1
            counts[draft.job] = js
            row = entry.write_row(self.log, seq, leaf, js, draft)
            rows.append((row, js))
            leaf = row.leaf
        # Read back before the commit: what could not be read later must not be written now.
        entries = [entry.read_entry(row.head, row.body) for row, _ in rows]
        try:
            with self._db.atomic():
                for row, js in rows:
                    self._db.execute(
                        "INSERT INTO entry (seq, job, js, head, body, leaf) VALUES (?,?,?,?,?,?)",
                        (row.seq, row.job, js, row.head, row.body, row.leaf),
                    )
        except sqlite3.Error as error:
            self._fail()
            raise JournalError(f"journal: not on disk, closed: {error}") from error
        self._size, self._leaf = seq, leaf
        self._counts.update(counts)
        return entries

    def entries(self, job: int | None = None) -> Iterator[Entry]:
        """Read all entries in order, or those of one job (0 is the recorder itself)."""
        if job is None:
            rows = self._select("", ())
        else:
            rows = self._select("WHERE seq >= ? AND job = ?", (self._first(job) or 1, job))
        for row in rows:
            yield entry.read_entry(row.head, row.body)

    def rows(self, first: int, last: int) -> Iterator[Row]:
        """Read the stored bytes of entries `first` to `last`, both included, of all jobs."""
        return self._select("WHERE seq BETWEEN ? AND ?", (first, last))

    def frontier(self, size: int) -> merkle.Frontier:
        """Give the Merkle frontier of the first `size` entries; a record starts from it."""
        frontier = merkle.EMPTY
        with self._reading() as db:
            for (leaf,) in db.execute(
                "SELECT leaf FROM entry WHERE seq <= ? ORDER BY seq", (size,)
            ):
                frontier = merkle.add(frontier, leaf)
        if frontier.size != size:
            raise JournalError(f"journal: holds {frontier.size} entries, asked for {size}")
        return frontier

    def tip(self) -> merkle.Frontier:
        """Give the frontier of all entries; read from the start once, then only what was added."""
        with self._reading() as db:
            for (leaf,) in db.execute(
                "SELECT leaf FROM entry WHERE seq > ? ORDER BY seq", (self._tip.size,)
            ):
                self._tip = merkle.add(self._tip, leaf)
        return self._tip

    def jobs(self) -> list[int]:
        """Numbers of all jobs, in order, without the recorder's own 0."""
        with self._reading() as db:
            rows = db.execute("SELECT job FROM entry WHERE js = 1 AND job > 0 ORDER BY job")
            return [job for (job,) in rows]

    def next_job(self) -> int:
        """Give the number for a new job: one more than the highest so far."""
        return max(self.jobs(), default=0) + 1

    def span(self, job: int) -> tuple[int, int]:
        """Give the first and last `seq` of a job; raises JournalError when there is no such job."""
        first = self._first(job)
        if first is None:
            raise JournalError(f"journal: no job {job}")
        with self._reading() as db:
            # Searched from the end of the log, where an export usually finds it at once.
            (last,) = db.execute(
                "SELECT seq FROM entry WHERE seq >= ? AND job = ? ORDER BY seq DESC LIMIT 1",
                (first, job),
            ).fetchone()
        return first, int(last)

    def weight(self, first: int, last: int) -> int:
        """Count the bytes of heads and bodies of entries `first` to `last`, both included."""
        with self._reading() as db:
            (found,) = db.execute(
                "SELECT SUM(LENGTH(head) + LENGTH(body)) FROM entry WHERE seq BETWEEN ? AND ?",
                (first, last),
            ).fetchone()
        return int(found or 0)

    def stretch(self, job: int) -> tuple[int, int]:
        """Give the first and last `seq` that the record of a closed job covers.

        It begins after the job that was closed before it, or with its own first entry if that is
        earlier: so the records of a log leave no entry out, and a missing record is seen.
        """
        first, last = self.span(job)
        with self._reading() as db:
            for seq, head in db.execute(
                "SELECT seq, head FROM entry WHERE seq < ? AND job NOT IN (?, ?) ORDER BY seq DESC",
                (last, entry.DEVICE_JOB, job),
            ):
                if entry.read_head(head).kind == "job.close":
                    return min(first, int(seq) + 1), last
        return 1, last

    def close(self) -> None:
        """Close the file and give the lock back; closing twice does nothing."""
        if not self._open:
            return
        self._open = False
        self._db.close()
        if self._lock is not None:
            self._lock.release(clean=True)

    def _start(self, log: str) -> None:
        self._set(_SETTINGS)
        if self._schema() == ():
            if not entry.is_log_name(log):
                raise JournalError(f"log name {log!a}, expected letters, digits and ._:/@- only")
            with self._db.atomic():
                for statement in _SCHEMA:
                    self._db.execute(statement)
                self._db.execute("INSERT INTO log (name) VALUES (?)", (log,))
        self._look()
        if log not in ("", self.log):
            raise JournalError(f"holds log {self.log!a}, expected {log!a}")
        if self.unclean:
            ((found,), *_) = self._db.execute("PRAGMA quick_check(1)").fetchall()
            if found != "ok":
                raise JournalError(f"damaged: {found!a}")

    def _look(self) -> None:
        """Check that the file is a journal, and learn its name and its end."""
        if self._schema() != _SCHEMA:
            raise JournalError("other tables than expected, not a journal of this version")
        ((self.log,),) = self._db.execute("SELECT name FROM log").fetchall()
        last = self._db.execute(f"{_ROWS}ORDER BY seq DESC LIMIT 1").fetchone()
        if last is not None:
            row = entry.Row(*last)
            found = entry.read_entry(row.head, row.body)
            if row.leaf != merkle.leaf_hash(row.head) or found.seq != row.seq:
                raise JournalError(f"damaged: entry {row.seq} does not match its hash")
            self._size, self._leaf = row.seq, row.leaf

    def _schema(self) -> tuple[str, ...]:
        rows = self._db.execute(
            "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY rowid"
        )
        return tuple(sql for (sql,) in rows.fetchall())

    def _set(self, settings: Sequence[tuple[str, str, object]]) -> None:
        for name, value, expected in settings:
            self._db.execute(f"PRAGMA {name}={value}").fetchall()
            ((found,),) = self._db.execute(f"PRAGMA {name}").fetchall()
            if found != expected:
                raise JournalError(f"setting {name} is {found!a}, expected {expected!a}")

    def _first(self, job: int) -> int | None:
        with self._reading() as db:
            row = db.execute("SELECT seq FROM entry WHERE js = 1 AND job = ?", (job,)).fetchone()
        return None if row is None else int(row[0])

    def _count(self, job: int) -> int:
        """Give how many entries a job has; asked of the file once, then kept."""
        if job not in self._counts:
            row = self._db.execute(
                "SELECT js FROM entry WHERE seq >= ? AND job = ? ORDER BY seq DESC LIMIT 1",
                (self._first(job) or self._size + 1, job),
            ).fetchone()
            self._counts[job] = 0 if row is None else row[0]
        return self._counts[job]

    def _select(self, where: str, values: tuple[int, ...]) -> Iterator[Row]:
        with self._reading() as db:
            for row in db.execute(f"{_ROWS}{where} ORDER BY seq", values):
                yield entry.Row(*row)

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Database]:
        self._must_be_open()
        try:
            yield self._db
        except sqlite3.Error as error:
            raise JournalError(f"journal: cannot be read: {error}") from error

    def _must_be_open(self) -> None:
        if not self._open:
            raise JournalError("journal: closed")

    def _fail(self) -> None:
        """Close after an error, leaving the mark that makes the next owner check the file."""
        self._open = False
        with contextlib.suppress(sqlite3.Error):
            self._db.close()
        if self._lock is not None:
            self._lock.release(clean=False)


class Writer:
    """A journal in a thread of its own, so that a slow card never holds up the event loop.

    Calls are done one after another in the order they were made. A call that is cancelled while it
    waits is still carried out.
    """

    def __init__(self, journal: Journal, thread: ThreadPoolExecutor) -> None:
        self._journal = journal
        self._thread = thread
        self.log = journal.log
        self.unclean = journal.unclean

    @classmethod
    async def open(cls, path: Path, log: str) -> Self:
        """Start the thread and open the journal in it, as `Journal.open` does."""
        thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        opening = thread.submit(Journal.open, path, log)
        try:
            return cls(await asyncio.wrap_future(opening), thread)
        except BaseException:
            # A cancelled caller must not leave a journal behind that nobody can close.
            thread.submit(_discard, opening)
            thread.shutdown()
            raise

    async def append(self, drafts: Sequence[Draft]) -> list[Entry]:
        """Write the drafts; they come back as entries once on disk, as from `Journal.append`."""
        return await self.call(lambda journal: journal.append(drafts))

    async def call(self, fn: Callable[[Journal], Result]) -> Result:
        """Run `fn` on the journal in its thread; `fn` must keep nothing that reads from it."""
        loop = asyncio.get_running_loop()
        try:
            result = loop.run_in_executor(self._thread, fn, self._journal)
        except RuntimeError as error:
            raise JournalError("journal: closed") from error
        return await result

    async def close(self) -> None:
        """Close the journal and end the thread, after everything asked before is done."""
        with contextlib.suppress(JournalError):
            await self.call(Journal.close)
        self._thread.shutdown()


def _discard(opening: Future[Journal]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()


class _Lock:
    """The file beside a journal that names its owner for as long as the owner lives.

    The kernel drops the lock with the process, however it ends; the number left in the file then
    tells the next owner that the last one did not close.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file = os.open(
                path.with_name(path.name + ".lock"), os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600
            )
        except OSError as error:
            raise JournalError(f"{path}: cannot be locked: {error}") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            owner = os.read(self._file, 32).decode("ascii", "replace").strip()
            os.close(self._file)
            raise JournalError(f"{path}: busy: held by process {owner or 'unknown'}") from error
        self.unclean = os.read(self._file, 32) != b""
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode("ascii"), 0)

    def release(self, *, clean: bool = False) -> None:
        """Let go; a clean end wipes the owner's number."""
        if clean:
            os.ftruncate(self._file, 0)
        os.close(self._file)
