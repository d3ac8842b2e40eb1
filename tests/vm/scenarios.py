"""What a link must survive, written once for the played Bluetooth service and for the real one.

A scenario takes a `World` (one meter in reach, and the faults it can be made to have), runs
`supervise` on bleak's own back end, and hands back the seconds from the fault to the next frame, or
None where nothing was to recover. It raises AssertionError where the link did not do as it should.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path
from typing import NamedTuple, Protocol

from bleak import BleakAdapter
from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from metercap import clock
from metercap.link.bluetooth import LIMITS, Limits, Radio, Target, scan, supervise
from metercap.link.bluetooth.mend import cycle_power, forget
from metercap.meter.description import parse_driver
from metercap.meter.match import find_driver
from metercap.model import Frame, LinkChange

DRIVERS = [
    parse_driver(path.read_text(encoding="utf-8"), path.name)
    for path in sorted((Path(__file__).parents[2] / "drivers").glob("*.toml"))
]
DRIVER = next(driver for driver in DRIVERS if driver.id == "bench-count")
NAME = "BENCH-COUNT-17"
METER = "hand meter"
QUIET_S = 600.0  # a silence limit that no scenario reaches unless it wants to
GUARD_S = 60.0  # against hanging; the goal is to recover within 30 s (reliability, section 1)
RECOVER_S = 30.0
SETTLE_S = 0.02  # a closed transport lets go of its socket one turn of the loop later
SETTLE_TIMES = 100  # a virtual meter takes about a second of emulated time to advertise again


class World(Protocol):
    """One meter, the service that reaches it, and what can go wrong with either."""

    address: str

    async def send(self, data: bytes) -> None:
        """Let the meter notify whoever is subscribed."""

    async def drop(self) -> None:
        """Let the meter end the link; it advertises again."""

    async def switch(self, on: bool) -> None:
        """Switch the meter off or on."""

    async def refuse(self, on: bool) -> None:
        """Let the meter refuse every subscription with ATT error 0x80, or no longer."""

    async def kill_service(self) -> None:
        """Kill the service, by SIGKILL."""

    async def start_service(self) -> None:
        """Start the service again, and return when its adapter is there."""


Scenario = Callable[[World, Limits], Coroutine[None, None, float | None]]


class Heard:
    """A sink that remembers everything and lets a scenario wait for what it expects."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.changes: list[LinkChange] = []
        self._more = asyncio.Event()

    def __call__(self, item: Frame | LinkChange) -> None:
        if isinstance(item, Frame):
            self.frames.append(item)
        else:
            self.changes.append(item)
        self._more.set()

    @property
    def ups(self) -> int:
        return sum(change.up for change in self.changes)

    @property
    def downs(self) -> list[str]:
        return [change.reason for change in self.changes if not change.up]

    @property
    def values(self) -> list[tuple[int, int, int]]:
        """Session, number within the session, and the number that the meter sent."""
        return [
            (frame.session, frame.number, int.from_bytes(frame.data, "big"))
            for frame in self.frames
        ]

    async def until(self, is_enough: Callable[[], bool]) -> None:
        while not is_enough():
            self._more.clear()
            await self._more.wait()


@contextlib.asynccontextmanager
async def linked(world: World, limits: Limits, silence_s: float = QUIET_S) -> AsyncIterator[Heard]:
    """Supervise the meter for the length of the block, then end it as the recorder does."""
    heard = Heard()
    link = DRIVER.link
    target = Target(METER, world.address, link.notify, None, None, silence_s)
    async with Radio() as radio:
        assert radio.note == ""
        task = asyncio.create_task(
            supervise(radio, target, clock.now, heard, limits=limits, jitter=lambda: 1.0)
        )
        try:
            yield heard
        except BaseException as error:
            told = "; ".join(
                f"{c.session} {'up' if c.up else 'down'} {c.reason}" for c in heard.changes
            )
            error.add_note(f"heard {len(heard.frames)} frames and: {told}")
            raise
        finally:
            task.cancel()
            await asyncio.wait({task})
            assert task.cancelled(), task.exception()


async def send(world: World, heard: Heard, *numbers: int) -> None:
    """Send `numbers`, one frame each, and wait until all came."""
    wanted = len(heard.frames) + len(numbers)
    for number in numbers:
        await world.send(number.to_bytes(4, "big"))
    await heard.until(lambda: len(heard.frames) >= wanted)


def seconds() -> float:
    return asyncio.get_running_loop().time()


async def next_session(world: World, heard: Heard, since_s: float, *numbers: int) -> float:
    """Wait for one more session and its frames; the seconds from `since_s` to the first frame."""
    wanted = heard.ups + 1
    await heard.until(lambda: heard.ups == wanted)
    await send(world, heard, *numbers[:1])
    took_s = seconds() - since_s
    await send(world, heard, *numbers[1:])
    return took_s


async def found_by_scan(world: World, limits: Limits) -> None:
    async with Radio() as radio:
        seen = {one.address: one for one in await scan(radio, limits.scan_s / 4)}
    assert world.address in seen, seen
    one = seen[world.address]
    assert one.name == NAME
    assert one.rssi is not None
    driver, why = find_driver(DRIVERS, one.name, one.services)
    assert driver is DRIVER, why


async def _paced(world: World, limits: Limits, rate: int, count: int) -> None:
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        begin_s = seconds()
        for number in range(count):
            await asyncio.sleep(begin_s + number / rate - seconds())
            await world.send(number.to_bytes(4, "big"))
        await heard.until(lambda: len(heard.frames) >= count)
    assert heard.values == [(1, number + 1, number) for number in range(count)]
    assert heard.downs == ["closed"]


async def ten_frames_a_second(world: World, limits: Limits) -> None:
    await _paced(world, limits, 10, 20)


async def hundred_frames_a_second(world: World, limits: Limits) -> None:
    await _paced(world, limits, 100, 200)


async def dropped_link(world: World, limits: Limits) -> float:
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1, 2)
        begin_s = seconds()
        await world.drop()
        took_s = await next_session(world, heard, begin_s, 3, 4)
    assert heard.values == [(1, 1, 1), (1, 2, 2), (2, 1, 3), (2, 2, 4)]
    assert heard.downs == ["the meter dropped the link", "closed"]
    return took_s


async def five_drops(world: World, limits: Limits) -> float:
    """Recover time and after time; one descriptor lost each time would show as five."""
    longest_s = 0.0
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        for number in range(2, 7):
            begin_s = seconds()
            await world.drop()
            longest_s = max(longest_s, await next_session(world, heard, begin_s, number))
    assert heard.values == [(number, 1, number) for number in range(1, 7)]
    return longest_s


async def meter_off_and_on(world: World, limits: Limits) -> float:
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        await world.switch(on=False)
        await heard.until(lambda: len(heard.downs) == 1)
        await asyncio.sleep(limits.scan_s / 5)  # the next scan has begun and hears nothing
        begin_s = seconds()
        await world.switch(on=True)
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    return took_s


async def refused_subscription(world: World, limits: Limits) -> float:
    await world.refuse(on=True)
    async with linked(world, limits) as heard:
        await heard.until(lambda: bool(heard.downs))
        assert heard.ups == 0
        assert "0x80" in heard.downs[0], heard.downs
        begin_s = seconds()
        await world.refuse(on=False)
        took_s = await next_session(world, heard, begin_s, 1)
    assert heard.values == [(1, 1, 1)]
    return took_s


async def silent_meter(world: World, limits: Limits) -> float:
    async with linked(world, limits, silence_s=3.0) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        begin_s = seconds()
        await heard.until(lambda: bool(heard.downs))
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    assert heard.downs[0] == "the meter sent nothing for 3 s"
    return took_s


async def adapter_off_and_on(world: World, limits: Limits) -> float:
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        await power(on=False)
        await heard.until(lambda: len(heard.downs) >= 2)
        assert "the Bluetooth adapter is off: switch it on" in heard.downs[1], heard.downs
        begin_s = seconds()
        await power(on=True)
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    return took_s


async def cycled_adapter(world: World, limits: Limits) -> float:
    """What the link's own mending does to an adapter: off and on in one go."""
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        begin_s = seconds()
        await cycle_power()
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    return took_s


async def forgotten_meter(world: World, limits: Limits) -> float:
    """What the link's own mending does to a meter: the service drops all that it holds of it."""
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        begin_s = seconds()
        assert await forget(world.address)
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    return took_s


async def killed_service(world: World, limits: Limits) -> float:
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        await world.kill_service()
        await heard.until(lambda: bool(heard.downs))
        assert heard.downs[0] == "the Bluetooth service left the system bus"
        await heard.until(lambda: len(heard.downs) >= 2)
        assert "start it (systemctl start bluetooth)" in heard.downs[1], heard.downs
        begin_s = seconds()
        await world.start_service()
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    return took_s


async def killed_service_and_meter_off(world: World, limits: Limits) -> float:
    """The client library goes on calling the meter connected; the person is told the truth."""
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        await world.kill_service()
        await world.switch(on=False)
        await heard.until(lambda: bool(heard.downs))
        await world.start_service()
        await heard.until(lambda: "was not seen" in heard.downs[-1])
        begin_s = seconds()
        await world.switch(on=True)
        took_s = await next_session(world, heard, begin_s, 2)
    assert heard.values == [(1, 1, 1), (2, 1, 2)]
    assert not any("forgotten" in reason for reason in heard.downs[2:]), heard.downs
    return took_s


async def orphaned_link(world: World, limits: Limits) -> float:
    """A recorder is killed, and the next one finds its link still standing."""
    child = await asyncio.create_subprocess_exec(
        sys.executable, __file__, world.address, stdout=asyncio.subprocess.PIPE
    )
    assert child.stdout is not None
    assert await child.stdout.readline() == b"up\n"
    child.kill()
    await child.wait()
    assert await connected() == [world.address]
    begin_s = seconds()
    async with linked(world, limits) as heard:
        took_s = await next_session(world, heard, begin_s, 1, 2)
    assert heard.values == [(1, 1, 1), (1, 2, 2)]
    return took_s


async def disconnect(world: World, limits: Limits) -> float:
    """Not a recovery: how long the end of a link takes, and that it is an end."""
    async with linked(world, limits) as heard:
        await heard.until(lambda: heard.ups == 1)
        await send(world, heard, 1)
        begin_s = seconds()
    took_s = seconds() - begin_s
    assert await connected() == []
    return took_s


SCENARIOS: tuple[Scenario, ...] = (
    found_by_scan,
    ten_frames_a_second,
    hundred_frames_a_second,
    dropped_link,
    five_drops,
    meter_off_and_on,
    refused_subscription,
    silent_meter,
    adapter_off_and_on,
    cycled_adapter,
    forgotten_meter,
    killed_service,
    killed_service_and_meter_off,
    orphaned_link,
    disconnect,
)


class Outcome(NamedTuple):
    """How one scenario went: `problem` is None when all was as it should be."""

    took_s: float | None
    leaked: int
    problem: BaseException | None

    def line(self, scenario: Scenario) -> str:
        took = "-" if self.took_s is None else f"{self.took_s:.1f}"
        verdict = "ok" if self.problem is None else "FAILED"
        return f"{scenario.__name__:<30}  {took:>5}  {self.leaked:>2}  {verdict}"


async def play(scenario: Scenario, world: World, limits: Limits = LIMITS) -> Outcome:
    """Run one scenario; it fails on a leak and on a recovery that takes too long, too."""
    took_s, problem = None, None
    before, tasks = descriptors(), asyncio.all_tasks()
    try:
        async with asyncio.timeout(GUARD_S):
            took_s = await scenario(world, limits)
        assert took_s is None or took_s <= RECOVER_S, f"recovered after {took_s:.1f} s"
    except Exception as error:  # noqa: BLE001  told with the outcome
        problem = error
    left = await settle(tasks)
    leaked = descriptors() - before
    if problem is None and leaked > 0:
        problem = AssertionError(f"{leaked} file descriptors leaked")
    if problem is None and left:
        problem = AssertionError(f"tasks left behind: {left}")
    return Outcome(took_s, leaked, problem)


async def warm_up() -> None:
    """Let the client library open what it keeps for the life of the loop."""
    async with asyncio.timeout(GUARD_S):
        await BleakAdapter.get()


async def settle(before: set[asyncio.Task[object]]) -> set[asyncio.Task[object]]:
    """Let what was ended in the last step end; the tasks that did not, of those not in `before`."""
    left = set()
    for _ in range(SETTLE_TIMES):
        await asyncio.sleep(SETTLE_S)
        left = {
            task
            for task in asyncio.all_tasks() - before
            # The client library keeps one watcher of its bus for the life of the loop.
            if "_monitor_bus_disconnect" not in repr(task)
        }
        if not left:
            break
    return left


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208  counted, not read


async def connected() -> list[str]:
    """Ask the service which meters are connected."""
    adapter = await BleakAdapter.get()
    return [device.address for device in await adapter.get_connected_devices()]


async def power(on: bool) -> None:
    """Switch the adapter as a person does, through the service."""
    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    try:
        reply = await bus.call(
            Message(
                destination="org.bluez",
                path="/org/bluez/hci0",
                interface="org.freedesktop.DBus.Properties",
                member="Set",
                signature="ssv",
                body=["org.bluez.Adapter1", "Powered", Variant("b", on)],
            )
        )
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()
    assert reply is not None
    assert reply.message_type is MessageType.METHOD_RETURN, reply.body


async def _hold(address: str) -> None:
    """Be the recorder that will be killed: say "up" once the link stands, and stay."""

    def sink(item: Frame | LinkChange) -> None:
        if isinstance(item, LinkChange) and item.up:
            sys.stdout.write("up\n")
            sys.stdout.flush()

    async with Radio() as radio:
        target = Target(METER, address, DRIVER.link.notify, None, None, QUIET_S)
        await supervise(radio, target, clock.now, sink)


if __name__ == "__main__":
    asyncio.run(_hold(sys.argv[1]))
