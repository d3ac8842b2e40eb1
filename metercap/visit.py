"""Radio, journal, person and board, put together into one visit."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from metercap.daemon import Daemon, DeclaredMeter, Notary
from metercap.derive import derive
from metercap.errors import OperatorError
from metercap.journal.store import Journal, Writer
from metercap.link.bluetooth import Radio, Target, listen, look, supervise
from metercap.link.capture import CaptureSink
from metercap.link.simulated import SimulatedMeter
from metercap.meter.description import AttributeDriver, Driver, LineDriver
from metercap.meter.found import find_found
from metercap.model import NS_PER_S, Frame, Instant, LinkChange
from metercap.person import Person
from metercap.procedure.description import Procedure
from metercap.sequence.effect import Ask
from metercap.terminal import Board

# Senders that save their battery advertise every half minute or so (common practice).
LEAST_ADVERT_SILENCE_S = 60.0
LEAST_SILENCE_S = 3.0  # a link that stands and says nothing for this long, or for five intervals
SILENCE_INTERVALS = 5
_SIMULATED_INTERVAL_S = 0.25  # four readings a second, as most meters with a radio send


def target_of(meter: DeclaredMeter) -> Target:
    """How to reach a declared meter by radio."""
    link = meter.driver.link
    least_s = LEAST_ADVERT_SILENCE_S if meter.driver.kind == "advert" else LEAST_SILENCE_S
    silence_s = max(least_s, SILENCE_INTERVALS * link.interval_ns / NS_PER_S)
    silence_s = max(silence_s, link.silence_ns / NS_PER_S)
    asked = meter.driver if isinstance(meter.driver, LineDriver) and meter.driver.poll else None
    if asked is not None and asked.poll is not None:
        # Late answers end in the question who the meter is, which has time-outs of its own.
        silence_s += SILENCE_INTERVALS * asked.poll.time_out_ns / NS_PER_S
    return Target(
        meter=meter.name,
        address=meter.address,
        notify=link.notify,
        write=link.write,
        start=bytes.fromhex(link.start) if link.start else None,
        silence_s=silence_s,
        asked=asked,
        also=tuple(meter.driver.sources)[1:] if isinstance(meter.driver, AttributeDriver) else (),
        read=meter.driver.read if isinstance(meter.driver, AttributeDriver) else (),
        every_s=link.interval_ns / NS_PER_S,
        serial=meter.instrument.serial if meter.instrument else None,
    )


async def look_at(radio: Radio, address: str) -> tuple[Driver | None, str]:
    """Make a driver of what a meter says of itself, and say what it reads, or why there is none.

    Raises LinkError where it cannot be looked at.
    """
    return find_found(await look(radio, address))


def follow(
    radio: Radio,
    meter: DeclaredMeter,
    now: Callable[[], Instant],
    sink: Callable[[Frame | LinkChange], None],
    keys: Mapping[str, bytes],
    first_session: int = 1,
) -> Coroutine[Any, Any, None]:
    """Keep to a meter in the way of its driver: connected to, or heard.

    `keys` open what meters encrypt, by address in capitals.
    """
    target = target_of(meter)
    if meter.driver.kind == "advert":
        key = keys.get(meter.address.upper())
        return listen(radio, target, now, sink, key=key, first_session=first_session)
    return supervise(radio, target, now, sink, first_session=first_session)


class Begun(NamedTuple):
    """A job as it was begun, and how far it has come; `who` is at work on it now."""

    job: int
    procedure: Procedure
    meters: list[DeclaredMeter]
    practice: bool
    who: str
    claims: list[dict[str, object]]


def look_up(path: Path, job: int) -> Begun:
    """A job that the journal at `path` holds, whether or not it is still open.

    Raises JournalError where there is no such journal, OperatorError where there is no such job.
    """
    journal = Journal.read(path)
    try:
        entries = journal.entries(job)
        first = next(entries, None)
        if first is None:
            raise OperatorError(f"job {job}: not in this journal")
        derivation = derive(itertools.chain((first,), entries))
    finally:
        journal.close()
    if derivation.walk is None or derivation.procedure is None:
        raise OperatorError(f"job {job}: was never quite opened, begin another")
    opening = first.body
    if "simulated" in opening:
        raise OperatorError(f"job {job}: its simulated circuit is gone, begin another")
    rows = opening["meters"]
    meters = [
        DeclaredMeter(
            row["name"],
            row["address"],
            derivation.driver_of(row["name"]),
            derivation.instrument_of(row["name"]),
        )
        for row in (rows if isinstance(rows, list) else [])
    ]
    return Begun(
        job,
        derivation.procedure,
        meters,
        opening["practice"] is True,
        derivation.walk.operator,
        derivation.claims,
    )


async def take_up(daemon: Daemon, begun: Begun, who: str) -> None:
    """Go on with a job, and say so where it is another person who does."""
    await daemon.resume_job(begun.job)
    if who != begun.who:
        await daemon.tell("operator", {"by": who})


@contextlib.asynccontextmanager
async def open_daemon(
    journal: Path,
    log: str,
    now: Callable[[], Instant],
    board: Board,
    notary: Notary | None = None,
    error_us: Callable[[], int | None] | None = None,
) -> AsyncIterator[Daemon]:
    """A daemon on the journal at `journal`, started, whose effects go to `board`.

    `notary` signs the log as the job goes on; `error_us` tells how far off the wall clock may be.
    """
    writer = await Writer.open(journal, log)
    try:
        daemon = Daemon(writer, now, board.listen, notary, error_us)
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
    capture: TextIO | None = None,
    keys: Mapping[str, bytes] | None = None,
) -> AsyncIterator[None]:
    """Keep to every meter while the body runs; `capture` keeps the raw bytes, `keys` open them."""
    sink: Callable[[Frame | LinkChange], None] = daemon.put
    if capture is not None:
        sink = CaptureSink(capture, sink, **{meter.name: meter.driver.id for meter in meters})
    tasks = [
        asyncio.create_task(
            follow(radio, meter, now, sink, keys or {}, daemon.next_session(meter.name))
        )
        for meter in meters
    ]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@contextlib.asynccontextmanager
async def simulated(daemon: Daemon, meter: SimulatedMeter, board: Board) -> AsyncIterator[None]:
    """Let a simulated meter send while the body runs, its probes where the step wants them."""

    async def send() -> None:
        daemon.put(meter.connect())
        shown: Ask | None = None
        while True:
            meter.follow(daemon.asked, daemon.wanted, board.claims)
            if daemon.asked != shown and (seen := meter.seen(daemon.asked)):
                board.say(f"    What there is to see: {seen}", "cyan")
            shown = daemon.asked
            daemon.put(meter.frame())
            await asyncio.sleep(_SIMULATED_INTERVAL_S)

    task = asyncio.create_task(send())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


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
