"""Eight meters at twenty readings a second into a journal on disk, and what each fault costs.

The meters are played by a Bluetooth service in a process of its own, the links are bleak's, and the
processor time is that of the recorder's process alone. The goals come from the rate of one
notification each 50 ms for each of eight meters, and from half a minute to recover.
"""
# ruff: noqa: E402  what the tests share is found by a line that has to stand first

from __future__ import annotations

import asyncio
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1])]

from fake_bluez import BluezProcess, private_bus
from field.faults import FAULTS, SLOW
from field.recorder import COUNTED, DRIVER, Field, counting

from metercap import clock
from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Shown
from metercap.journal.store import Journal, Writer
from metercap.link.bluetooth import Radio
from metercap.procedure.description import parse_procedure
from metercap.visit import linked

METERS = 8
EVERY_MS = 50
SECONDS = 30.0
STRIKES = 3
PROCEDURE = """
id = "eight"
title = "Eight"
version = "1"
[[act]]
id = "wait"
title = "Wait"
do = "Wait."
say = "Wait."
source = "common practice"
"""


class _Seen:
    """Counts what is shown, and how long it took from its arrival to after its commit."""

    def __init__(self) -> None:
        self.latencies_ms: list[float] = []

    def listen(self, effect: object) -> None:
        if isinstance(effect, Shown):
            self.latencies_ms.append((clock.now().boot_ns - effect.at.boot_ns) / 1e6)


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


async def _eight(folder: Path, bluez: BluezProcess) -> list[tuple[str, str]]:
    addresses = [f"C0:FF:EE:00:00:{number:02X}" for number in range(1, METERS + 1)]
    link = DRIVER.link
    for address in addresses:
        bluez.send(
            {
                "do": "meter",
                "address": address,
                "name": "BENCH-COUNT",
                "service": DRIVER.match.service,
                "notify": link.notify,
                "write": link.write,
                "start": (link.start or "").replace(" ", ""),
            }
        )
    meters = [DeclaredMeter(f"m{address[-2:]}", address, DRIVER) for address in addresses]
    seen = _Seen()
    writer = await Writer.open(folder / "journal.sqlite", "bench")
    daemon = Daemon(writer, clock.now, seen.listen)
    await daemon.start()
    await daemon.open_job(parse_procedure(PROCEDURE, "x"), meters, who="", where="", practice=True)
    consumer = asyncio.create_task(daemon.run())
    async with Radio() as radio, linked(daemon, radio, meters, clock.now):
        while bluez.send({"do": "state"})["subscribed"] < METERS:  # noqa: ASYNC110  no event for it
            await asyncio.sleep(0.1)
        frames = [counting(number) for number in range(COUNTED)]
        for address in addresses:
            play = {"do": "play", "address": address, "every_ms": EVERY_MS, "frames": frames}
            bluez.send(play)
        cpu_s, begun_s = time.process_time(), time.monotonic()
        await asyncio.sleep(SECONDS)
        cpu_s, took_s = time.process_time() - cpu_s, time.monotonic() - begun_s
        for address in addresses:
            bluez.send({"do": "silence", "address": address})
        await asyncio.sleep(1.0)
        sent = sum(bluez.send({"do": "state"})["sent"].values())
    await daemon.flush()
    consumer.cancel()
    await asyncio.wait({consumer})
    await writer.close()
    journal = Journal.read(folder / "journal.sqlite")
    kept = sum(entry.kind == "frame" for entry in journal.entries(daemon.job))
    journal.close()
    cut = statistics.quantiles(seen.latencies_ms, n=100)
    return [
        ("meters, readings a second each, as played", f"{METERS}, {sent / METERS / took_s:.1f}"),
        ("readings kept of sent", f"{kept} of {sent}, {kept / took_s:.0f} a second"),
        ("processor time of one core", f"{100 * cpu_s / took_s:.1f} %"),
        ("arrival to committed and shown, p50", f"{cut[49]:.0f} ms"),
        ("arrival to committed and shown, p99", f"{cut[98]:.0f} ms"),
        ("resident memory", f"{_resident_mb():.0f} MB"),
    ]


def _faults() -> list[tuple[str, str]]:
    rows = []
    with Field() as field:
        for name, fault in {**FAULTS, **SLOW}.items():
            times = 1 if name in SLOW else STRIKES
            took_s = statistics.median(field.strike(fault) for _ in range(times))
            leaked = max(field.recorder.descriptors - field.steady, 0)
            field.assert_nothing_twice_nor_left_out()
            rows.append((name, f"{took_s:.1f} s, {leaked} descriptors leaked"))
        field.finish()
    return rows


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts: the rate, then a row for each fault: the median of three, or one
    that waits for a limit."""
    with private_bus(), BluezProcess() as bluez, tempfile.TemporaryDirectory() as folder:
        rate = asyncio.run(_eight(Path(folder), bluez))
    return rate + _faults()


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:44} {measured}")
