"""Two days of a site in minutes: eight meters, a journal on disk, and faults all along.

`python tests/field/soak.py --hours 48 --seed 1`. Meters and radio are virtual, in this process; the
link, its time limits, the recorder and the journal are the real ones, on a played clock. It prints
at intervals what the process holds, and at the end what leaked; exit status 1 where something did.
"""
# ruff: noqa: E402, T201  what the tests share is found by a line that has to stand first; it prints

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import os
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from field.played import PlayedLoop
from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Shown
from metercap.errors import LinkError
from metercap.journal.store import Writer
from metercap.link.bluetooth import Radio, supervise
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.virtual import Air, VirtualMeter
from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.model import NS_PER_S, Frame, LinkChange
from metercap.procedure.description import parse_procedure
from metercap.visit import target_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parents[2]
METERS = 8
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
RSS_PER_MILLION_BYTES = 10_000_000  # the goal: resident memory that a million readings may cost
SETTLED = 0.25  # of the time, after which everything that grows once has grown
FAULT_EVERY_S = 600.0  # at most
AWAY_S = (1.0, 120.0)
DRIVER = parse_driver((ROOT / "drivers/bench-count.toml").read_text("utf-8"), "bench-count.toml")
DECODER = build_decoder(DRIVER)
PROCEDURE = """
id = "soak"
title = "Two days"
version = "1"
[[act]]
id = "wait"
do = "Wait."
title = "Wait"
say = "Wait."
source = "common practice"
"""


class Held(NamedTuple):
    """What the process holds after so many readings, `hours` into the play."""

    hours: float
    readings: int
    rss_bytes: int
    descriptors: int
    tasks: int
    journal_bytes: int


class Outcome(NamedTuple):
    """What came of it: `sent` notifications had a listener, `readings` were shown, in order."""

    held: list[Held]
    faults: Counter[str]
    sent: int
    readings: int
    twice: int
    unmarked: int
    took_s: float


def holds(hours: float, readings: int, journal: Path) -> Held:
    """Look at this process."""
    gc.collect()
    rss = int(Path("/proc/self/statm").read_text("ascii").split()[1]) * PAGE_BYTES
    files = [journal, journal.with_name(f"{journal.name}-wal")]
    return Held(
        hours,
        readings,
        rss,
        len(os.listdir("/proc/self/fd")),  # noqa: PTH208  counted, not read
        len(asyncio.all_tasks()),
        sum(file.stat().st_size for file in files if file.exists()),
    )


class Ledger:
    """Compares what is shown with what was sent: each meter counts its notifications."""

    def __init__(self) -> None:
        self.readings = self.twice = self.unmarked = 0
        self._last: dict[str, int] = {}
        self._marked: set[str] = set()

    def put(self, item: Frame | LinkChange) -> None:
        """Take what a link hands over."""
        if isinstance(item, LinkChange):
            self._marked.add(item.meter)
            return
        outcome = DECODER.decode(item.data)[0][0]
        if not getattr(outcome, "value", None):
            return  # rubbish, sent on purpose
        count, last = int(outcome.value), self._last.get(item.meter, 0)  # type: ignore[union-attr,arg-type]
        self.twice += count <= last
        self.unmarked += count > last + 1 and item.meter not in self._marked
        self._last[item.meter] = count
        self._marked.discard(item.meter)

    def listen(self, effect: object) -> None:
        """Take what the recorder shows."""
        self.readings += isinstance(effect, Shown)


class Sender:
    """One meter that counts while somebody listens, and what can be wrong with it."""

    def __init__(self, meter: VirtualMeter, every_s: float) -> None:
        self.meter = meter
        self.every_s = every_s
        self.sent = 0
        self.is_silent = False

    async def run(self) -> None:
        """Send until cancelled."""
        while True:
            await asyncio.sleep(self.every_s)
            if self.meter.subscribed and not self.is_silent:
                self.sent += 1
                reading = DRIVER.function[0].reading(str(self.sent))
                with contextlib.suppress(LinkError):
                    await self.meter.send(DECODER.encode(reading))


async def trouble(
    loop: PlayedLoop,
    senders: list[Sender],
    chance: random.Random,
    faults: Counter[str],
    most_s: float,
) -> None:
    """One fault after another, at most so far apart, until cancelled."""
    while True:
        await asyncio.sleep(chance.uniform(most_s / 10, most_s))
        sender = chance.choice(senders)
        away_s = chance.uniform(*AWAY_S)
        what = chance.choice(["drop", "off", "silent", "rubbish", "wall clock", "all off"])
        faults[what] += 1
        match what:
            case "drop":
                await sender.meter.drop()
            case "off" | "all off":
                struck = senders if what == "all off" else [sender]
                for one in struck:
                    await one.meter.off()
                await asyncio.sleep(away_s)
                for one in struck:
                    await one.meter.on()
            case "silent":
                sender.is_silent = True
                await asyncio.sleep(away_s)
                sender.is_silent = False
            case "rubbish":
                with contextlib.suppress(LinkError):
                    await sender.meter.send(chance.randbytes(chance.randint(0, 20)))
            case "wall clock":
                loop.wall_ns += chance.randint(-3600, 3600) * NS_PER_S


async def soak(
    hours: float,
    seed: int,
    every_s: float,
    looks: int,
    say: Callable[[Held], None],
    fault_s: float,
) -> Outcome:
    """Play so many hours."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, PlayedLoop)
    begun_s, ledger, faults = time.monotonic(), Ledger(), Counter[str]()
    chance = random.Random(seed)
    held: list[Held] = []
    with tempfile.TemporaryDirectory() as folder:
        journal = Path(folder, "journal.sqlite")
        async with Air() as air:
            addresses = [f"F0:00:00:00:00:{number:02X}" for number in range(1, METERS + 1)]
            senders = [
                Sender(air.meter(DRIVER, f"BENCH-COUNT {a[-2:]}", a), every_s) for a in addresses
            ]
            for sender in senders:
                await sender.meter.on()
            radio = bumble_radio(await air.host())
            writer = await Writer.open(journal, "soak")
            daemon = Daemon(writer, loop.now, ledger.listen)
            await daemon.start()
            meters = [DeclaredMeter(f"meter-{a[-2:]}", a, DRIVER) for a in addresses]
            await daemon.open_job(
                parse_procedure(PROCEDURE, "soak"), meters, who="P", where="W", practice=True
            )

            def sink(item: Frame | LinkChange) -> None:
                ledger.put(item)
                daemon.put(item)

            tasks = [
                *_links(radio, meters, loop, sink, chance),
                *(asyncio.create_task(sender.run()) for sender in senders),
                asyncio.create_task(daemon.run()),
                asyncio.create_task(trouble(loop, senders, chance, faults, fault_s)),
            ]
            for look in range(looks + 1):
                held.append(holds(hours * look / looks, ledger.readings, journal))
                say(held[-1])
                if look < looks:
                    ended, _ = await asyncio.wait(
                        tasks, timeout=3600 * hours / looks, return_when=asyncio.FIRST_COMPLETED
                    )
                    for task in ended:
                        task.result()  # nothing here ends by itself
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            await daemon.flush()
            await writer.close()
    sent = sum(sender.sent for sender in senders)
    took_s = time.monotonic() - begun_s
    return Outcome(held, faults, sent, ledger.readings, ledger.twice, ledger.unmarked, took_s)


def _links(
    radio: Radio,
    meters: list[DeclaredMeter],
    loop: PlayedLoop,
    sink: Callable[[Frame | LinkChange], None],
    chance: random.Random,
) -> Iterator[asyncio.Task[None]]:
    def jitter() -> float:
        return chance.uniform(0.5, 1.5)

    for meter in meters:
        link = supervise(radio, target_of(meter), loop.now, sink, jitter=jitter)
        yield asyncio.create_task(link)


def play(
    hours: float,
    seed: int,
    every_s: float = 0.5,
    looks: int = 8,
    say: Callable[[Held], None] = lambda _: None,
    fault_s: float = FAULT_EVERY_S,
) -> Outcome:
    """Play so many hours on a clock of their own."""
    with asyncio.Runner(loop_factory=PlayedLoop) as runner:
        return runner.run(soak(hours, seed, every_s, looks, say, fault_s))


def growth_per_million(outcome: Outcome) -> tuple[float, float]:
    """Bytes of memory, and of journal, for a million readings, once all has settled."""
    first = outcome.held[round(SETTLED * (len(outcome.held) - 1))]
    last = outcome.held[-1]
    millions = max(last.readings - first.readings, 1) / 1e6
    return (
        (last.rss_bytes - first.rss_bytes) / millions,
        (last.journal_bytes - first.journal_bytes) / millions,
    )


def main() -> int:
    """Play, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=48.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=float, default=0.5, help="seconds between two readings")
    parser.add_argument("--looks", type=int, default=24)
    given = parser.parse_args()
    print("   hours   readings   RSS MB  descriptors  tasks  journal MB", flush=True)

    def say(one: Held) -> None:
        print(
            f"{one.hours:8.2f} {one.readings:10} {one.rss_bytes / 1e6:8.1f} {one.descriptors:12}"
            f" {one.tasks:6} {one.journal_bytes / 1e6:11.1f}",
            flush=True,
        )

    outcome = play(given.hours, given.seed, given.every, given.looks, say)
    rss, kept = growth_per_million(outcome)
    first, last = outcome.held[1], outcome.held[-1]
    leaked = last.descriptors - first.descriptors
    print(f"{sum(outcome.faults.values())} faults: {dict(outcome.faults)}")
    print(f"{outcome.sent} sent, {outcome.readings} shown, in {outcome.took_s:.0f} s")
    print(f"a million readings: {rss / 1e6:.1f} MB of memory, {kept / 1e6:.0f} MB of journal")
    print(f"shown twice {outcome.twice}, gaps unmarked {outcome.unmarked}, leaked {leaked}")
    return int(bool(outcome.twice or outcome.unmarked or leaked > 0))


if __name__ == "__main__":
    sys.exit(main())
