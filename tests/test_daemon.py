"""The order of writes: on disk before anybody believes it, and taken up again after a fall."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sequence import jobs
from sequence.walking import NS_PER_S, PERSON, QUARTER_NS

from metercap import daemon as daemon_module
from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Shown, derive
from metercap.errors import JournalError, OperatorError
from metercap.journal import entry as entries
from metercap.journal.entry import CLAIM, Draft, Entry
from metercap.journal.store import Journal, Writer
from metercap.model import Frame, Instant, LinkChange
from metercap.sequence.effect import Ask, Claim

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Sequence
    from pathlib import Path

    from metercap.sequence.effect import Effect

DECLARED = DeclaredMeter(jobs.METER, "00:00:00:00:00:01", jobs.DRIVER)


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.ns = 1000 * NS_PER_S
        self.utc_shift_ns = 0
        self.boot = "boot-a"

    def now(self) -> Instant:
        at = jobs.at(self.ns, self.boot)
        return at._replace(utc_ns=at.utc_ns + self.utc_shift_ns)

    def tick(self, ns: int = QUARTER_NS) -> Instant:
        self.ns += ns
        return self.now()


class MemoryWriter:
    """Keeps entries as the journal would, in memory, and tells what happened in which order."""

    def __init__(self, inner: Writer | None = None) -> None:
        self.log = "pi-1"
        self.unclean = False
        self.inner = inner
        self.rows: list[entries.Row] = []
        self.kept: list[Entry] = []
        self.appends: list[list[str]] = []
        self.done: list[tuple[str, object]] = []
        self.fails_at: str | None = None
        self.gate: asyncio.Event | None = None
        self.arrived = asyncio.Event()

    async def append(self, drafts: Sequence[Draft]) -> list[Entry]:
        self.appends.append([draft.kind for draft in drafts])
        self.arrived.set()
        if self.gate is not None:
            await self.gate.wait()
        if self.fails_at in self.appends[-1]:
            raise JournalError("journal: not on disk, closed: test")
        if self.inner is not None:
            written = await self.inner.append(drafts)
        else:
            await asyncio.sleep(0)
            written = [self._keep(draft) for draft in drafts]
        self.done += [("on disk", found.seq) for found in written]
        self.done += [("claim on disk", str(d.body)) for d in drafts if d.kind == CLAIM]
        return written

    def _keep(self, draft: Draft) -> Entry:
        leaf = self.rows[-1].leaf if self.rows else entries.NO_LEAF
        js = 1 + sum(kept.job == draft.job for kept in self.kept)
        row = entries.write_row(self.log, len(self.rows) + 1, leaf, js, draft)
        self.rows.append(row)
        self.kept.append(entries.read_entry(row.head, row.body))
        return self.kept[-1]

    async def call(self, fn: Callable[[Journal], object]) -> object:
        if self.inner is not None:
            return await self.inner.call(fn)
        return 1

    def of(self, kind: str) -> list[Entry]:
        return [kept for kept in self.kept if kept.kind == kind]


class Desk:
    """A daemon with a job open, its clock, and everything that it has told."""

    def __init__(self, writer: MemoryWriter, clock: Clock | None = None) -> None:
        self.writer = writer
        self.clock = clock or Clock()
        self.told: list[Effect | Shown] = []
        self.daemon = Daemon(writer, self.clock.now, self.listen)  # type: ignore[arg-type]
        self.number = 0
        self.given: dict[str, dict[str, str]] = {}

    def listen(self, effect: Effect | Shown) -> None:
        self.told.append(effect)
        self.writer.done.append(("told", effect))

    async def open(self) -> None:
        await self.daemon.start()
        await self.daemon.open_job(
            jobs.SPUR, [DECLARED], who=PERSON, where="12 Mill Lane", practice=False
        )

    def frame(self, text: str, session: int = 1, number: int | None = None) -> Frame:
        self.number = self.number + 1 if number is None else number
        source = jobs.DRIVER.link.notify
        at = self.clock.tick()
        return Frame(at, jobs.METER, source, session, self.number, jobs.RAW[text])

    def show(self, text: str, seconds: float) -> None:
        for _ in range(round(seconds * 4)):
            self.daemon.put(self.frame(text))

    async def acts(self) -> None:
        told = jobs.visit()
        told.acts()
        for kind, body, _ in told.bodies:
            self.clock.tick()
            await self.daemon.tell(kind, body)

    def claims(self) -> list[dict[str, object]]:
        return [effect.body for effect in self.told if isinstance(effect, Claim)]


async def opened() -> Desk:
    desk = Desk(MemoryWriter())
    await desk.open()
    return desk


async def at_the_leads() -> Desk:
    desk = await opened()
    await desk.acts()
    return desk


@contextlib.asynccontextmanager
async def on_disk(path: Path, clock: Clock | None = None) -> AsyncIterator[Desk]:
    writer = await Writer.open(path, "pi-1")
    try:
        yield Desk(MemoryWriter(writer), clock)
    finally:
        await writer.close()


def kept(path: Path, job: int = 1) -> list[Entry]:
    journal = Journal.read(path)
    found = list(journal.entries(job))
    journal.close()
    return found


# The order of writes


def test_nothing_is_told_before_it_is_on_disk(tmp_path: Path) -> None:
    async def visit() -> list[tuple[str, object]]:
        async with on_disk(tmp_path / "j.sqlite") as desk:
            await desk.open()
            await desk.acts()
            desk.show("OL MOhm", 2)
            desk.show("0.28 Ohm", 7)
            await desk.daemon.flush()
            return desk.writer.done

    done = asyncio.run(visit())
    committed: set[object] = set()
    told = 0
    for what, value in done:
        if what != "told":
            committed.add(value)
        elif isinstance(value, Shown):
            assert value.seq in committed
            told += 1
        elif isinstance(value, Claim):
            assert str(value.body) in committed
            assert value.body["cause"] in committed
            told += 1
    assert told == 9 + 36 + 1


@pytest.mark.parametrize("fails_at", ["frame", CLAIM])
def test_what_does_not_reach_the_disk_is_told_to_nobody(fails_at: str) -> None:
    async def fail() -> Desk:
        desk = await at_the_leads()
        desk.told.clear()
        desk.writer.fails_at = fails_at
        desk.show("OL MOhm", 2)
        desk.show("0.28 Ohm", 7)
        with pytest.raises(JournalError):
            await desk.daemon.flush()
        return desk

    assert asyncio.run(fail()).told == []


def test_what_waits_is_committed_together() -> None:
    async def show() -> list[list[str]]:
        desk = await at_the_leads()
        desk.writer.appends.clear()
        desk.show("OL MOhm", 2)
        desk.show("0.28 Ohm", 7)
        await desk.daemon.flush()
        await desk.daemon.flush()
        return desk.writer.appends

    assert asyncio.run(show()) == [["frame"] * 36, [CLAIM]]


def test_the_consumer_takes_frames_in_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_module, "GROUP_S", 0)

    async def run() -> Desk:
        desk = await at_the_leads()
        desk.writer.appends.clear()
        desk.writer.arrived.clear()
        consumer = asyncio.create_task(desk.daemon.run())
        desk.show("OL MOhm", 1)
        await desk.writer.arrived.wait()
        await cancelled(consumer)
        return desk

    assert asyncio.run(run()).writer.appends == [["frame"] * 4]


async def cancelled(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


def test_a_change_of_the_link_does_not_wait_for_a_group(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_module, "GROUP_S", 3600)

    async def run() -> Desk:
        desk = await at_the_leads()
        desk.writer.arrived.clear()
        consumer = asyncio.create_task(desk.daemon.run())
        desk.show("OL MOhm", 1)
        desk.daemon.put(LinkChange(desk.clock.tick(), jobs.METER, 1, up=False, reason="silence"))
        await desk.writer.arrived.wait()
        await cancelled(consumer)
        return desk

    assert asyncio.run(run()).writer.appends[-1] == ["frame"] * 4 + ["link"]


def test_a_group_waits_no_longer_than_a_quarter_of_a_second() -> None:
    assert daemon_module.GROUP_S <= 0.25


def test_a_consumer_that_is_stopped_in_mid_commit_leaves_nothing_underived() -> None:
    async def stop() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 2)
        desk.show("0.28 Ohm", 7)
        gate = desk.writer.gate = asyncio.Event()
        desk.writer.arrived.clear()
        consumer = asyncio.create_task(desk.daemon.flush())
        await desk.writer.arrived.wait()
        consumer.cancel()
        await asyncio.sleep(0)
        gate.set()
        with pytest.raises(asyncio.CancelledError):
            await consumer
        await desk.daemon.close_job("finish")
        return desk

    writer = asyncio.run(stop()).writer
    inputs = [found for found in writer.kept if found.job == 1 and found.kind != CLAIM]
    claims = [found.body for found in writer.of(CLAIM)]
    assert derive(inputs).claims == claims
    assert claims[-2]["claim"] == "attempt"


def test_a_commit_that_fails_while_its_consumer_is_stopped_still_says_so() -> None:
    async def stop() -> None:
        desk = await at_the_leads()
        desk.show("OL MOhm", 2)
        gate = desk.writer.gate = asyncio.Event()
        desk.writer.fails_at = "frame"
        desk.writer.arrived.clear()
        consumer = asyncio.create_task(desk.daemon.flush())
        await desk.writer.arrived.wait()
        consumer.cancel()
        await asyncio.sleep(0)
        gate.set()
        await consumer

    with pytest.raises(JournalError):
        asyncio.run(stop())


def test_whoever_tells_has_been_answered() -> None:
    async def tell() -> Desk:
        desk = await opened()
        answers = {"agreed-with": "the owner", "sources": "one", "fit": "yes"}
        await desk.daemon.tell("act", {"by": PERSON, "act": "permission", "answers": answers})
        return desk

    desk = asyncio.run(tell())
    assert [body["act"] for body in desk.claims()] == ["permission"]
    assert desk.told[-1] == Ask("act", "instruments-looked-over")
    assert desk.daemon.asked == desk.told[-1]


# Batches


def events_of_a_visit() -> list[tuple[str, dict[str, object], Instant]]:
    told = jobs.visit()
    told.acts()
    told.continuity("0.28 Ohm")
    told.continuity("2.31 Ohm")
    told.choose("again")
    told.continuity("0.35 Ohm")
    told.choose("finish")
    return told.bodies


EVENTS = events_of_a_visit()


@given(st.sets(st.integers(0, len(EVENTS)), max_size=20))
def test_in_whatever_batches_the_same_claims_are_written(cuts: set[int]) -> None:
    async def play(cuts: set[int]) -> list[dict[str, object]]:
        desk = await opened()
        for place, (kind, body, at) in enumerate(EVENTS):
            desk.clock.ns = at.boot_ns
            if kind == "frame":
                raw = bytes.fromhex(str(body["raw"]))
                number = place + 1
                desk.daemon.put(Frame(desk.clock.now(), jobs.METER, "x", 1, number, raw))
            else:
                desk.daemon._inbox.append(Draft(desk.daemon.job, kind, desk.clock.now(), body))
            if place in cuts:
                await desk.daemon.flush()
        await desk.daemon.flush()
        inputs = [found for found in desk.writer.kept if found.job == 1 and found.kind != CLAIM]
        claims = [found.body for found in desk.writer.of(CLAIM)]
        assert derive(inputs).claims == claims
        # `cause` and `window` name entries, whose numbers count the claims between them too.
        return [{key: body[key] for key in body.keys() - PLACES} for body in claims]

    claims = asyncio.run(play(cuts))
    assert claims == asyncio.run(play(set()))
    assert [body["claim"] for body in claims[-3:]] == ["choice", "attempt", "job"]


PLACES = {"cause", "window", "opened", "frames"}


# A full inbox, a jumping clock, the link


def test_a_full_inbox_counts_what_it_loses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_module, "MOST_WAITING", 5)

    async def flood() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 3)
        await desk.daemon.flush()
        desk.show("OL MOhm", 1)
        await desk.daemon.flush()
        return desk

    writer = asyncio.run(flood()).writer
    assert [found.body for found in writer.of("loss")] == [{"meter": jobs.METER, "count": 7}]
    assert [found.body["number"] for found in writer.of("frame")] == [1, 2, 3, 4, 5, 13, 14, 15, 16]


def test_what_a_person_does_finds_room_in_a_full_inbox(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_module, "MOST_WAITING", 2)

    async def flood() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 3)
        await desk.daemon.close_job("abandon")
        return desk

    desk = asyncio.run(flood())
    assert desk.daemon.ending == "abandoned"


def test_a_jump_of_the_wall_clock_is_written_down_before_what_follows() -> None:
    async def jump() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 0.5)
        desk.clock.utc_shift_ns = -90 * NS_PER_S
        desk.show("OL MOhm", 0.5)
        desk.clock.utc_shift_ns += daemon_module.CLOCK_STEP_NS
        desk.show("OL MOhm", 0.5)
        await desk.daemon.flush()
        return desk

    writer = asyncio.run(jump()).writer
    frames = [found.kind for found in writer.kept if found.kind in {"frame", "clock"}]
    assert frames == ["frame", "frame", "clock", "frame", "frame", "frame", "frame"]
    assert [found.body for found in writer.of("clock")] == [{"moved_ms": -90_000}]


def test_another_boot_is_no_jump_of_the_clock() -> None:
    async def boot() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 0.5)
        desk.clock.boot, desk.clock.ns = "boot-b", 5 * NS_PER_S
        desk.show("OL MOhm", 0.5)
        await desk.daemon.flush()
        return desk

    assert asyncio.run(boot()).writer.of("clock") == []


# How far off the wall clock may be


async def anchored(error_us: Callable[[], int | None]) -> Desk:
    desk = Desk(MemoryWriter())
    desk.daemon = Daemon(desk.writer, desk.clock.now, desk.listen, None, error_us)  # type: ignore[arg-type]
    await desk.open()
    return desk


def test_without_anybody_to_ask_there_are_no_anchors() -> None:
    assert asyncio.run(at_the_leads()).writer.of("anchor") == []
    assert asyncio.run(anchored(lambda: None)).writer.of("anchor") == []


def test_an_anchor_stands_at_the_opening_and_every_ten_minutes() -> None:
    async def wait() -> Desk:
        desk = await anchored(lambda: 1500)
        for _ in range(21):
            desk.clock.tick(60 * NS_PER_S)
            desk.daemon.put(desk.frame("OL MOhm"))
            await desk.daemon.flush()
        return desk

    writer = asyncio.run(wait()).writer
    first, *more = writer.of("anchor")
    assert (first.job, first.body) == (0, {"error_us": 1500, "source": "kernel"})
    assert writer.kept[first.seq - 2].kind == "definition"
    assert [(found.at.boot_ns - first.at.boot_ns) // (60 * NS_PER_S) for found in more] == [10, 20]


def test_an_anchor_stands_beside_an_attempt_and_the_closing_at_most_once_a_minute() -> None:
    async def measure() -> Desk:
        desk = await anchored(lambda: 1500)
        await desk.acts()
        desk.clock.tick(60 * NS_PER_S)
        desk.show("OL MOhm", 2)
        desk.show("0.28 Ohm", 7)
        await desk.daemon.flush()
        await desk.daemon.close_job("abandon")
        return desk

    writer = asyncio.run(measure()).writer
    assert [claim.body["claim"] for claim in writer.of(CLAIM)].count("attempt") == 1
    assert [kinds for kinds in writer.appends if "anchor" in kinds] == [
        ["job.open", "definition", "definition", "anchor"],
        [CLAIM, "anchor"],
    ]


def test_an_anchor_stands_where_the_clock_is_found_right_or_was_set() -> None:
    async def go_on() -> Desk:
        desk = await anchored(lambda: 1500)
        now, synced = desk.clock.now, False
        desk.clock.now = lambda: now()._replace(synced=synced)  # type: ignore[method-assign]
        desk.daemon._now = desk.clock.now
        desk.daemon._anchored = desk.clock.now()
        for shift_ns, is_synced in ((0, False), (0, True), (0, True), (NS_PER_S, True), (0, False)):
            desk.clock.utc_shift_ns += shift_ns
            synced = is_synced
            desk.daemon.put(desk.frame("OL MOhm"))
            await desk.daemon.flush()
        return desk

    writer = asyncio.run(go_on()).writer
    assert writer.appends[-5:] == [
        ["frame"],
        ["frame", "anchor"],
        ["frame"],
        ["clock", "frame", "anchor"],
        ["frame"],
    ]


def test_a_job_with_anchors_is_taken_up_with_another_and_derives_as_without(
    tmp_path: Path,
) -> None:
    async def fall() -> tuple[list[dict[str, object]], list[list[str]]]:
        async with on_disk(tmp_path / "j.sqlite") as desk:
            inner = desk.writer
            desk.daemon = Daemon(inner, desk.clock.now, desk.listen, None, lambda: 7)  # type: ignore[arg-type]
            await desk.open()
            await desk.acts()
            claims = list(desk.daemon._derivation.claims)
            again = Daemon(inner, desk.clock.now, desk.listen, None, lambda: 7)  # type: ignore[arg-type]
            await again.resume_job(1)
            return claims, inner.appends

    claims, appends = asyncio.run(fall())
    assert ["restart", "anchor"] in appends
    mixed: list[Entry] = []
    for found in kept(tmp_path / "j.sqlite"):
        mixed += [found, found._replace(kind="anchor", body={"error_us": 7, "source": "kernel"})]
    assert derive(mixed).claims[: len(claims)] == claims


def test_a_change_of_the_link_is_written_with_what_the_meter_said_of_itself() -> None:
    async def change() -> Desk:
        desk = await at_the_leads()
        facts = (("serial", "0042"),)
        at = desk.clock.tick()
        desk.daemon.put(LinkChange(at, jobs.METER, 3, up=True, reason="found", facts=facts))
        await desk.daemon.flush()
        return desk

    desk = asyncio.run(change())
    assert desk.writer.of("link")[0].body == {
        "meter": jobs.METER,
        "session": 3,
        "up": True,
        "reason": "found",
        "facts": {"serial": "0042"},
    }
    assert desk.daemon.next_session(jobs.METER) == 4


def test_a_frame_is_written_as_it_arrived() -> None:
    async def show() -> tuple[Desk, Frame]:
        desk = await at_the_leads()
        frame = desk.frame("OL MOhm")
        desk.daemon.put(frame)
        await desk.daemon.flush()
        return desk, frame

    desk, frame = asyncio.run(show())
    written = desk.writer.of("frame")[0]
    assert written.at == frame.at
    assert written.body == {
        "meter": jobs.METER,
        "source": frame.source,
        "session": 1,
        "number": 1,
        "raw": frame.data.hex(),
    }


# The end of a job


def test_a_closed_job_ends_with_its_totals_and_takes_nothing_more() -> None:
    async def close() -> Desk:
        desk = await at_the_leads()
        desk.show("OL MOhm", 2)
        desk.show("0.28 Ohm", 7)
        await desk.daemon.close_job("finish")
        desk.show("OL MOhm", 2)
        await desk.daemon.flush()
        await desk.daemon.tell("choose", {"by": PERSON, "what": "finish"})
        return desk

    desk = asyncio.run(close())
    claims = len(desk.writer.of(CLAIM))
    assert desk.writer.kept[-1].kind == "job.close"
    assert desk.writer.kept[-1].body == {"reason": "finished", "frames": 36, "claims": claims}
    assert desk.claims()[-1]["claim"] == "job"
    assert (desk.daemon.asked, desk.daemon.ending) == (Ask("close", ""), "finished")


def test_no_job_is_closed_before_one_is_open() -> None:
    async def close() -> None:
        desk = Desk(MemoryWriter())
        assert desk.daemon.asked == Ask("close", "")
        await desk.daemon.close_job("finish")

    with pytest.raises(OperatorError, match="job: none is open"):
        asyncio.run(close())


# Taken up again


def fall(path: Path, fails_at: str | None = None) -> None:
    """A recorder that falls in the middle of the first step, or before it has written a claim."""

    async def play() -> None:
        async with on_disk(path) as desk:
            await desk.open()
            await desk.acts()
            desk.show("OL MOhm", 2)
            desk.show("0.28 Ohm", 7)
            desk.writer.fails_at = fails_at
            with contextlib.suppress(JournalError):
                await desk.daemon.flush()

    asyncio.run(play())


def resume(path: Path, job: int = 1, clock: Clock | None = None) -> Desk:
    async def play() -> Desk:
        later = clock or Clock()
        later.tick(600 * NS_PER_S)
        async with on_disk(path, later) as desk:
            await desk.daemon.start()
            await desk.daemon.resume_job(job)
            return desk

    return asyncio.run(play())


def test_claims_that_a_fall_kept_from_the_disk_are_written_and_then_the_restart(
    tmp_path: Path,
) -> None:
    path = tmp_path / "j.sqlite"
    fall(path, CLAIM)
    before = [found.kind for found in kept(path)]
    assert before[-36:] == ["frame"] * 36
    desk = resume(path)
    after = kept(path)[len(before) :]
    assert [found.kind for found in after] == [CLAIM, "restart", CLAIM]
    assert after[0].body["step"] == "leads-nulled"
    assert after[0].body["verdict"] == "pass"
    assert after[2].body["claim"] == "void"
    assert "indicator-proved" in after[2].body["what"]  # type: ignore[operator]
    assert desk.daemon.asked == Ask("act", "indicator-proved")
    inputs = [found for found in kept(path) if found.kind != CLAIM]
    assert derive(inputs).claims == [f.body for f in kept(path) if f.kind == CLAIM]


def test_a_restart_ends_the_proof_even_where_nothing_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    fall(path)
    before = len(kept(path))
    desk = resume(path)
    assert [found.kind for found in kept(path)[before:]] == ["restart", CLAIM]
    assert desk.daemon.asked == Ask("act", "indicator-proved")
    assert [type(effect) for effect in desk.told] == [Claim, Ask]


def test_a_job_is_taken_up_again_and_again_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    fall(path)
    resume(path)
    resume(path)

    async def finish() -> None:
        clock = Clock()
        clock.tick(2000 * NS_PER_S)
        async with on_disk(path, clock) as desk:
            await desk.daemon.resume_job(1)
            assert desk.daemon.next_session(jobs.METER) == 2
            await desk.daemon.close_job("abandon")

    asyncio.run(finish())
    found = kept(path)
    assert found[-1].body["frames"] == 36
    assert sum(entry.kind == "restart" for entry in found) == 3


def test_an_end_that_fell_before_the_closing_entry_is_sealed(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"

    async def play() -> None:
        async with on_disk(path) as desk:
            await desk.open()
            desk.writer.fails_at = "job.close"
            with pytest.raises(JournalError):
                await desk.daemon.close_job("abandon")

    asyncio.run(play())
    assert kept(path)[-1].body["claim"] == "job"
    desk = resume(path)
    assert [found.kind for found in kept(path)[-2:]] == [CLAIM, "job.close"]
    assert desk.daemon.ending == "abandoned"


def test_a_closed_job_is_not_taken_up(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"

    async def play() -> None:
        async with on_disk(path) as desk:
            await desk.open()
            await desk.daemon.close_job("finish")

    asyncio.run(play())
    with pytest.raises(OperatorError, match="job 1: closed, expected one that was left open"):
        resume(path)


def test_a_job_that_is_not_there_is_not_taken_up(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    fall(path)
    with pytest.raises(OperatorError, match="job 9: not in this journal"):
        resume(path, 9)


def test_claims_that_the_entries_do_not_lead_to_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    fall(path, CLAIM)
    journal = Journal.open(path, "pi-1")
    body = {"claim": "attempt", "cause": 1, "step": "leads-nulled", "verdict": "pass"}
    journal.append([Draft(1, CLAIM, jobs.at(2000 * NS_PER_S), body)])
    journal.close()
    with pytest.raises(JournalError, match="its claims are not those that its entries lead to"):
        resume(path)


def test_two_jobs_of_one_journal_keep_apart(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    fall(path)

    async def second() -> int:
        async with on_disk(path) as desk:
            await desk.open()
            await desk.daemon.close_job("finish")
            return desk.daemon.job

    assert asyncio.run(second()) == 2
    resume(path, 1)
    assert kept(path, 2)[-1].kind == "job.close"
    assert kept(path, 1)[-1].body["claim"] == "void"
