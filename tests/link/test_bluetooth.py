"""Links with the real client library against a played Bluetooth service, fault by fault."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
from typing import TYPE_CHECKING, Any

import pytest
from bleak.backends.bluezdbus.client import BleakClientBlueZDBus
from bleak.backends.bluezdbus.scanner import BleakScannerBlueZDBus
from fake_bluez import BluezProcess, FakeBluez, private_bus

from metercap.errors import LinkLost
from metercap.link.bluetooth import Limits, Radio, Target, supervise
from metercap.link.bluetooth.radio import bounded
from metercap.model import Frame, Instant, LinkChange

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Coroutine, Iterator

SERVICE = "0000ffb0-0000-1000-8000-00805f9b34fb"
NOTIFY = "0000ffb2-0000-1000-8000-00805f9b34fb"
WRITE = "0000ffb1-0000-1000-8000-00805f9b34fb"
ADDRESS = "AA:BB:CC:00:00:01"
METER = {"address": ADDRESS, "name": "bench", "service": SERVICE, "notify": NOTIFY}
TARGET = Target("hand meter", ADDRESS, NOTIFY, None, None, silence_s=10.0)
PROMPT = Limits(backoff_first_s=0.01, backoff_most_s=0.05)
SHORT_S = 0.2  # for the one limit that a test wants to see reached
GUARD_S = 30.0  # against hanging only


class Heard:
    """A sink that remembers everything and lets a test wait for what it expects."""

    def __init__(self) -> None:
        self.items: list[Frame | LinkChange] = []
        self._more = asyncio.Event()

    def __call__(self, item: Frame | LinkChange) -> None:
        self.items.append(item)
        self._more.set()

    @property
    def frames(self) -> list[Frame]:
        return [item for item in self.items if isinstance(item, Frame)]

    @property
    def changes(self) -> list[tuple[int, bool, str]]:
        return [
            (item.session, item.up, item.reason)
            for item in self.items
            if isinstance(item, LinkChange)
        ]

    @property
    def ups(self) -> list[LinkChange]:
        return [item for item in self.items if isinstance(item, LinkChange) and item.up]

    @property
    def downs(self) -> list[str]:
        return [reason for _, up, reason in self.changes if not up]

    async def until(self, is_enough: Callable[[], bool]) -> None:
        while not is_enough():
            self._more.clear()
            await self._more.wait()


def _ticks() -> Iterator[Instant]:
    for count in itertools.count(1):
        yield Instant(utc_ns=count * 1000, boot_ns=count * 1000, boot="b", synced=True)


@contextlib.asynccontextmanager
async def linked(
    target: Target = TARGET, radio: Radio | None = None, **more: Any
) -> AsyncIterator[Heard]:
    """Supervise one meter for the length of the block."""
    heard, ticks = Heard(), _ticks()
    more = {"limits": PROMPT, "jitter": lambda: 1.0, **more}
    async with radio or Radio() as held:
        task = asyncio.create_task(supervise(held, target, lambda: next(ticks), heard, **more))
        try:
            yield heard
        finally:
            task.cancel()
            await asyncio.wait({task})
            assert task.cancelled()


def run(scenario: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run one scenario on a bus of its own; no task of ours may be left."""

    async def guarded() -> None:
        before = asyncio.all_tasks()
        async with asyncio.timeout(GUARD_S):
            await scenario()
        ours = [
            task
            for task in asyncio.all_tasks() - before
            # The client library keeps one watcher of its bus for the life of the loop.
            if "_monitor_bus_disconnect" not in repr(task)
        ]
        assert ours == []

    with private_bus():
        asyncio.run(guarded())


async def send(bluez: FakeBluez, *values: int) -> None:
    for value in values:
        await bluez.notify(ADDRESS, f"{value:04x}")


def numbers(heard: Heard) -> list[tuple[int, int, int]]:
    return [
        (frame.session, frame.number, int.from_bytes(frame.data, "big")) for frame in heard.frames
    ]


def test_frames_arrive_in_order_with_session_number_and_time() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, *range(300))
                await heard.until(lambda: len(heard.frames) == 300)
            assert numbers(heard) == [(1, number + 1, number) for number in range(300)]
            assert {(frame.meter, frame.source) for frame in heard.frames} == {
                ("hand meter", NOTIFY)
            }
            stamps = [item.at.boot_ns for item in heard.items]
            assert stamps == sorted(set(stamps))
            assert heard.changes == [(1, True, "subscribed"), (1, False, "closed")]
            assert bluez.state()["connected"] == []

    run(scenario)


def test_two_equal_frames_are_two_frames() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 7, 7)
                await heard.until(lambda: len(heard.frames) == 2)
            assert numbers(heard) == [(1, 1, 7), (1, 2, 7)]

    run(scenario)


def test_a_meter_that_sends_everything_twice_is_recorded_as_it_sent() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("duplicate")
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 1, 2)
                await heard.until(lambda: len(heard.frames) == 4)
            assert numbers(heard) == [(1, 1, 1), (1, 2, 1), (1, 3, 2), (1, 4, 2)]

    run(scenario)


def test_what_the_meter_tells_of_itself_is_read_once_a_session() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER, information={"2a25": "0042\0", "2a24": "Bench 1", "2a26": ""})
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.ups[0].facts == (("model number", "Bench 1"), ("serial number", "0042"))

    run(scenario)


@pytest.mark.parametrize("kind", ["error", "no-reply"])
def test_facts_that_cannot_be_read_do_not_end_the_link(kind: str) -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER, information={"2a25": "0042"})
            bluez.fault(kind, "ReadValue", text="Operation failed with ATT error: 0x0e")
            async with linked(limits=PROMPT._replace(notify_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.ups[0].facts == ()
            assert heard.changes[0] == (1, True, "subscribed")

    run(scenario)


def test_the_start_command_is_written_after_subscribing() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER, write=WRITE, start="c0de")
            bluez.play(ADDRESS, every_ms=1, frames=["0001", "0002"])
            target = TARGET._replace(write=WRITE, start=b"\xc0\xde")
            async with linked(target) as heard:
                await heard.until(lambda: len(heard.frames) == 2)
            assert numbers(heard) == [(1, 1, 1), (1, 2, 2)]
            assert bluez.calls.index("StartNotify") < bluez.calls.index("WriteValue")

    run(scenario)


def test_a_frame_that_overtakes_the_subscription_comes_after_the_link_is_up() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("deaf", "StartNotify", times=1)
            async with linked(limits=PROMPT._replace(notify_s=GUARD_S)) as heard:
                await bluez.until_called("StartNotify")
                await send(bluez, 5)
                await heard.until(lambda: bool(heard.frames))
            assert heard.changes[0] == (1, True, "subscribed")
            assert isinstance(heard.items[0], LinkChange)
            assert numbers(heard) == [(1, 1, 5)]

    run(scenario)


def test_after_a_drop_the_next_session_shows_nothing_twice() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: len(heard.ups) == 1)
                await send(bluez, 1, 2)
                await heard.until(lambda: len(heard.frames) == 2)
                bluez.drop(ADDRESS)
                await heard.until(lambda: len(heard.ups) == 2)
                await send(bluez, 3, 4)
                await heard.until(lambda: len(heard.frames) == 4)
            assert numbers(heard) == [(1, 1, 1), (1, 2, 2), (2, 1, 3), (2, 2, 4)]
            assert heard.changes == [
                (1, True, "subscribed"),
                (1, False, "the meter dropped the link"),
                (2, True, "subscribed"),
                (2, False, "closed"),
            ]

    run(scenario)


def test_sessions_go_on_from_the_number_given() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked(first_session=8) as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 1)
                await heard.until(lambda: bool(heard.frames))
            assert numbers(heard) == [(8, 1, 1)]

    run(scenario)


def test_ten_drops_leak_no_file_descriptor() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                open_before = None
                for count in range(1, 12):
                    await heard.until(lambda wanted=count: len(heard.ups) == wanted)
                    await send(bluez, count)
                    await heard.until(lambda wanted=count: len(heard.frames) == wanted)
                    now_open = len(os.listdir("/proc/self/fd"))  # noqa: PTH208  counted, not read
                    open_before = open_before or now_open
                    bluez.drop(ADDRESS)
                assert now_open == open_before
            assert numbers(heard) == [(count, 1, count) for count in range(1, 12)]

    run(scenario)


def test_a_silent_meter_ends_the_session_although_the_link_stands() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked(TARGET._replace(silence_s=0.3)) as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 1)
                bluez.silence(ADDRESS)
                await heard.until(lambda: len(heard.ups) == 2)
                assert heard.changes[1] == (1, False, "the meter sent nothing for 0.3 s")
                bluez.silence(ADDRESS, on=False)
                await send(bluez, 2)
                await heard.until(lambda: len(heard.frames) == 2)
            assert heard.frames[0].session == 1
            assert heard.frames[1].session > 1

    run(scenario)


def test_a_killed_service_is_noticed_and_the_link_recovers_after_its_restart() -> None:
    async def scenario() -> None:
        with BluezProcess() as bluez:
            bluez.send({"do": "meter", **METER})
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                bluez.send({"do": "notify", "address": ADDRESS, "hex": "0001"})
                await heard.until(lambda: len(heard.frames) == 1)
                bluez.kill()
                await heard.until(lambda: len(heard.downs) >= 2)
                assert heard.downs[0] == "the Bluetooth service left the system bus"
                assert "start it (systemctl start bluetooth)" in heard.downs[1]
                bluez.start()
                await heard.until(lambda: len(heard.ups) == 2)
                bluez.send({"do": "notify", "address": ADDRESS, "hex": "0002"})
                await heard.until(lambda: len(heard.frames) == 2)
            assert numbers(heard) == [(1, 1, 1), (2, 1, 2)]

    run(scenario)


def test_a_meter_in_another_process_plays_only_to_who_listens_and_goes_on_after_a_kill() -> None:
    async def scenario() -> None:
        with BluezProcess() as bluez:
            bluez.send({"do": "meter", **METER})
            frames = [f"{number:04x}" for number in range(3)]
            play = {"do": "play", "address": ADDRESS, "every_ms": 1, "frames": frames}
            bluez.send({**play, "loop": True})
            async with linked() as heard:
                await heard.until(lambda: len(heard.frames) >= 7)
                played = [number for _, _, number in numbers(heard)]
                assert played[:7] == [0, 1, 2, 0, 1, 2, 0]
                bluez.kill()
                await heard.until(lambda: len(heard.downs) == 1)
                bluez.start()
                await heard.until(lambda: len(heard.ups) == 2)
                await heard.until(lambda: heard.frames[-1].session == 2)
            assert bluez.send({"do": "state"})["connected"] == []
            with pytest.raises(RuntimeError, match="'fly' is none of adapter, "):
                bluez.send({"do": "fly"})

    run(scenario)


def test_a_long_pause_ends_at_once_when_the_service_comes_back() -> None:
    async def scenario() -> None:
        patient = PROMPT._replace(backoff_first_s=GUARD_S * 10, backoff_most_s=GUARD_S * 10)
        with BluezProcess() as bluez:
            async with linked(limits=patient) as heard:
                bluez.kill()
                await heard.until(lambda: bool(heard.downs))
                bluez.start()
                bluez.send({"do": "meter", **METER})
                await heard.until(lambda: bool(heard.ups))

    run(scenario)


def test_connects_that_abort_are_tried_again() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("abort", times=2)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 1)
                await heard.until(lambda: bool(heard.frames))
            assert numbers(heard) == [(1, 1, 1)]
            assert bluez.calls.count("Connect") == 3
            assert heard.downs == ["closed"]

    run(scenario)


def test_a_device_that_the_service_forgot_is_found_by_the_next_scan() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: len(heard.ups) == 1)
                bluez.remove(ADDRESS)
                await heard.until(lambda: len(heard.ups) == 2)
                await send(bluez, 1)
                await heard.until(lambda: bool(heard.frames))
            assert numbers(heard) == [(2, 1, 1)]

    run(scenario)


def test_a_meter_that_was_off_for_so_long_that_the_service_forgot_it_is_taken_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("fake_bluez.FORGET_S", SHORT_S)

    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: len(heard.ups) == 1)
                bluez.vanish(ADDRESS)
                while bluez.state()["known"]:  # noqa: ASYNC110  the fake has no event for it
                    await asyncio.sleep(0)
                bluez.meter(**METER)
                await heard.until(lambda: len(heard.ups) == 2)
                await send(bluez, 1)
                await heard.until(lambda: bool(heard.frames))
            assert numbers(heard) == [(2, 1, 1)]

    run(scenario)


def test_a_meter_that_is_off_is_said_once_and_taken_when_it_comes() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            async with linked(limits=PROMPT._replace(scan_s=0.03)) as heard:
                await heard.until(lambda: bool(heard.downs))
                await bluez.until_called("StartDiscovery", times=4)
                bluez.meter(**METER)
                await heard.until(lambda: bool(heard.ups))
            assert [change[:2] for change in heard.changes] == [(1, False), (1, True), (1, False)]
            assert "was not seen within 0.03 s" in heard.downs[0]

    run(scenario)


def test_a_refused_subscription_is_named_and_tried_again() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            text = "Operation failed with ATT error: 0x80"
            bluez.fault("error", "StartNotify", text=text, times=1)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.changes[0][:2] == (1, False)
            assert heard.downs[0] == "the meter refused what it was asked (ATT error 0x80)"
            assert heard.changes[1] == (1, True, "subscribed")

    run(scenario)


@pytest.mark.parametrize(
    ("error", "text"),
    [
        ("org.bluez.Error.NotPermitted", "Not paired"),  # as bluetoothd 5.66 says it, see tests/vm
        ("org.bluez.Error.Failed", "Operation failed with ATT error: 0x0f"),
    ],
)
def test_a_meter_that_wants_to_be_paired_says_what_to_do(error: str, text: str) -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("error", "StartNotify", error, text)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.downs))
            assert heard.downs[0].startswith("the meter answers only to a paired adapter: pair")

    run(scenario)


def test_a_subscription_that_is_never_answered_ends_by_its_limit() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-reply", "StartNotify", times=1)
            async with linked(limits=PROMPT._replace(notify_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.downs[0] == "the meter did not accept the subscription within 0.2 s"

    run(scenario)


def test_a_drop_ends_a_subscription_that_is_never_answered() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-reply", "StartNotify", times=1)
            async with linked(limits=PROMPT._replace(notify_s=GUARD_S * 10)) as heard:
                await bluez.until_called("StartNotify")
                bluez.drop(ADDRESS)
                await heard.until(lambda: bool(heard.ups))
            assert heard.downs[0] == "the meter dropped the link"

    run(scenario)


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("no-services", f"the meter does not show the characteristic {NOTIFY}"),
        ("unresolved", "the meter did not finish connecting within 0.2 s"),
    ],
)
def test_a_connect_without_services_is_named_and_tried_again(kind: str, reason: str) -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault(kind, times=1)
            async with linked(limits=PROMPT._replace(connect_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.downs[0].startswith(reason)

    run(scenario)


def test_a_connect_that_is_never_answered_ends_even_if_nothing_else_is() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-reply", "Connect", times=1)
            bluez.fault("no-reply", "Disconnect", times=1)
            async with linked(limits=PROMPT._replace(connect_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.downs[0] == "the meter did not finish connecting within 0.2 s"

    run(scenario)


def test_a_disconnect_that_is_never_answered_does_not_hang() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-reply", "Disconnect")
            async with linked(limits=PROMPT._replace(disconnect_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
            assert heard.downs == ["closed"]
            assert "Disconnect" in bluez.calls

    run(scenario)


def test_the_end_of_a_session_is_told_before_the_disconnect_is_done() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-reply", "Disconnect")
            slow = PROMPT._replace(disconnect_s=GUARD_S * 10)
            async with linked(TARGET._replace(silence_s=0.1), limits=slow) as heard:
                await heard.until(lambda: bool(heard.downs))
                assert heard.downs == ["the meter sent nothing for 0.1 s"]
                await bluez.until_called("Disconnect")
                assert bluez.state()["connected"] == [ADDRESS]

    run(scenario)


def test_a_scan_that_is_busy_is_tried_again() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("error", "StartDiscovery", "org.bluez.Error.InProgress", times=2)
            bluez.fault("error", "StopDiscovery", "org.bluez.Error.InProgress", times=1)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
            assert len(heard.downs) == 2
            assert "busy with another scan" in heard.downs[0]

    run(scenario)


def test_an_adapter_that_goes_off_is_named_and_used_again_when_it_is_on() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked() as heard:
                await heard.until(lambda: bool(heard.ups))
                bluez.power(on=False)
                await heard.until(lambda: len(heard.downs) == 2)
                assert "switch it on" in heard.downs[1]
                bluez.power(on=True)
                await heard.until(lambda: len(heard.ups) == 2)

    run(scenario)


def test_a_link_that_an_earlier_process_left_standing_is_taken_over() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            await _leave_connected(bluez)
            async with linked(limits=PROMPT._replace(scan_s=SHORT_S)) as heard:
                await heard.until(lambda: bool(heard.ups))
                await send(bluez, 1)
                await heard.until(lambda: bool(heard.frames))
            assert heard.changes[0] == (1, True, "subscribed")
            assert bluez.calls.count("Connect") == 1

    run(scenario)


def test_a_link_that_would_not_be_ended_is_taken_over_by_the_next_session() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            limits = PROMPT._replace(scan_s=SHORT_S, disconnect_s=SHORT_S)
            async with linked(TARGET._replace(silence_s=0.3), limits=limits) as heard:
                await heard.until(lambda: len(heard.ups) == 1)
                bluez.fault("no-reply", "Disconnect", times=1)
                await heard.until(lambda: len(heard.ups) == 2)
            assert bluez.calls.count("Connect") == 1

    run(scenario)


async def _leave_connected(bluez: FakeBluez) -> None:
    """Leave the meter connected in the service, as a killed recorder does."""
    async with linked(limits=PROMPT._replace(disconnect_s=SHORT_S)) as heard:
        await heard.until(lambda: bool(heard.ups))
        bluez.fault("no-reply", "Disconnect", times=1)
    assert bluez.state()["connected"] == [ADDRESS]


class LateClient(BleakClientBlueZDBus):
    """The library's own client, keeping every callback that it was ever given."""

    callbacks: list[Callable[[bytearray], None]]

    async def start_notify(self, characteristic: Any, callback: Any, **more: Any) -> None:
        self.callbacks.append(callback)
        await super().start_notify(characteristic, callback, **more)


def test_a_late_call_from_an_older_session_is_ignored() -> None:
    async def scenario() -> None:
        LateClient.callbacks = []
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            radio = Radio(BleakScannerBlueZDBus, LateClient)
            async with linked(radio=radio) as heard:
                await heard.until(lambda: len(heard.ups) == 1)
                bluez.drop(ADDRESS)
                await heard.until(lambda: len(heard.ups) == 2)
                LateClient.callbacks[0](bytearray(b"\x00\x09"))
                LateClient.callbacks[1](bytearray(b"\x00\x01"))
            LateClient.callbacks[1](bytearray(b"\x00\x09"))
            assert numbers(heard) == [(2, 1, 1)]
            assert heard.changes[-1] == (2, False, "closed")

    run(scenario)


def test_two_meters_share_one_radio() -> None:
    other = "AA:BB:CC:00:00:02"

    async def scenario() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(**METER)
            bluez.meter(**{**METER, "address": other})
            heard, ticks = Heard(), _ticks()
            second = TARGET._replace(meter="proving meter", address=other)
            async with asyncio.TaskGroup() as group:
                tasks = [
                    group.create_task(
                        supervise(radio, target, lambda: next(ticks), heard, limits=PROMPT)
                    )
                    for target in (TARGET, second)
                ]
                await heard.until(lambda: len(heard.ups) == 2)
                await bluez.notify(ADDRESS, "0001")
                await bluez.notify(other, "0002")
                await heard.until(lambda: len(heard.frames) == 2)
                for task in tasks:
                    task.cancel()
            assert {(frame.meter, frame.data[-1]) for frame in heard.frames} == {
                ("hand meter", 1),
                ("proving meter", 2),
            }

    run(scenario)


def test_a_call_that_refuses_to_be_cancelled_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("metercap.link.bluetooth.radio.UNWIND_S", 0.01)
    release = asyncio.Event()

    async def stubborn() -> None:
        while not release.is_set():
            with contextlib.suppress(asyncio.CancelledError):
                await release.wait()

    async def scenario() -> None:
        with pytest.raises(TimeoutError):
            await bounded(stubborn(), 0.01)
        release.set()

    asyncio.run(scenario())


def test_a_bounded_call_ends_with_the_reason_of_the_loss() -> None:
    async def scenario() -> None:
        lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        asyncio.get_running_loop().call_soon(lost.set_result, "the meter dropped the link")
        with pytest.raises(LinkLost, match="the meter dropped the link"):
            await bounded(asyncio.sleep(GUARD_S), GUARD_S, lost)

    asyncio.run(scenario())
