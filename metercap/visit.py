"""Radio, journal, person and board, put together into one visit."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Derivation, derive
from metercap.errors import OperatorError
from metercap.journal.store import Journal, Writer
from metercap.link.bluetooth import Radio, Target, supervise
from metercap.link.capture import CaptureSink
from metercap.model import NS_PER_S, Frame, Instant, LinkChange
from metercap.person import Person
from metercap.sequence.effect import Ask
from metercap.terminal import Board

LEAST_SILENCE_S = 3.0  # a link that stands and says nothing for this long, or for five intervals
SILENCE_INTERVALS = 5


def target_of(meter: DeclaredMeter) -> Target:
    """How to reach a declared meter by radio."""
    link = meter.driver.link
    return Target(
        meter=meter.name,
        address=meter.address,
        notify=link.notify,
        write=link.write,
        start=bytes.fromhex(link.start) if link.start else None,
        silence_s=max(LEAST_SILENCE_S, SILENCE_INTERVALS * link.interval_ns / NS_PER_S),
    )


def look_up(path: Path, job: int) -> tuple[Derivation, list[DeclaredMeter]]:
    """A job that the journal at `path` holds, as far as it has come, and the meters it declares.

    Raises JournalError where there is no such journal, OperatorError where there is no such job.
    """
    journal = Journal.read(path)
    try:
        entries = list(journal.entries(job))
    finally:
        journal.close()
    if not entries:
        raise OperatorError(f"job {job}: not in this journal")
    derivation = derive(entries)
    if derivation.walk is None:
        raise OperatorError(f"job {job}: was never quite opened, begin another")
    rows = entries[0].body["meters"]
    meters = [
        DeclaredMeter(row["name"], row["address"], derivation.driver_of(row["name"]))
        for row in (rows if isinstance(rows, list) else [])
    ]
    return derivation, meters


@contextlib.asynccontextmanager
async def open_daemon(
    journal: Path, log: str, now: Callable[[], Instant], board: Board
) -> AsyncIterator[Daemon]:
    """A daemon on the journal at `journal`, started, whose effects go to `board`."""
    writer = await Writer.open(journal, log)
    try:
        daemon = Daemon(writer, now, board.listen)
        await daemon.start()
        yield daemon
    finally:
        await writer.close()


@contextlib.asynccontextmanager
async def linked(
    daemon: Daemon,
    radio: Radio,
    meters: list[DeclaredMeter],
    now: Callable[[], Instant],
    capture: Path | None = None,
) -> AsyncIterator[None]:
    """Keep every meter connected while the body runs; a capture keeps the raw notifications."""
    targets = [target_of(meter) for meter in meters]
    async with contextlib.AsyncExitStack() as stack:
        sink: Callable[[Frame | LinkChange], None] = daemon.put
        if capture is not None:
            file = stack.enter_context(capture.open("x", encoding="utf-8"))
            sink = CaptureSink(file, sink, **{m.name: m.driver.id for m in meters})
        tasks = [
            asyncio.create_task(
                supervise(radio, target, now, sink, first_session=daemon.next_session(target.meter))
            )
            for target in targets
        ]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)


async def walk_through(daemon: Daemon, person: Person, board: Board, who: str) -> bool:
    """Let the person answer until the job is closed; whether every step holds.

    A script that ends early, or a keyboard that closes, abandons the job.
    """
    consumer = asyncio.create_task(daemon.run())
    board.remind(daemon.asked)
    try:
        while (ask := daemon.asked).what != "close":
            board.changed.clear()
            await _answer(daemon, person, board, ask, who=who, consumer=consumer)
        ending = "finish"
    except OperatorError as error:
        board.say(str(error), "red")
        ending = "abandon"
    finally:
        consumer.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await consumer
    if daemon.ending is None:
        await daemon.close_job(ending)
    result = next(claim for claim in reversed(board.claims) if claim["claim"] == "job")
    return result["result"] == "all steps hold"


async def _answer(
    daemon: Daemon,
    person: Person,
    board: Board,
    ask: Ask,
    *,
    who: str,
    consumer: asyncio.Task[None],
) -> None:
    """Wait for the person's deed, or until the readings have changed what is asked."""
    deed = asyncio.create_task(person.answer(ask))
    moved_on = asyncio.create_task(board.changed.wait())
    try:
        await asyncio.wait({deed, moved_on, consumer}, return_when=asyncio.FIRST_COMPLETED)
        if consumer.done():
            consumer.result()
        if deed.done():
            kind, body = deed.result()
            await daemon.tell(kind, {**body, "by": who})
    finally:
        for task in (deed, moved_on):
            task.cancel()
        await asyncio.gather(deed, moved_on, return_exceptions=True)
