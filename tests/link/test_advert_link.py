"""Hearing what a meter advertises: over the virtual air, and with faults of a played service."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from fake_bluez import BluezProcess, FakeBluez, private_bus

from metercap.errors import LinkError
from metercap.link.bluetooth import Limits, Radio, Target, listen, scan, supervise
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.virtual import Air, VirtualMeter
from metercap.meter.advert import SERVICE_DATA, seal, write_advert
from metercap.meter.decode import build_decoder, decode_opened
from metercap.meter.description import parse_driver
from metercap.meter.match import find_driver
from metercap.model import Frame, Instant, LinkChange, Reading, Refusal

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Iterator

DRIVERS = [
    parse_driver(path.read_text(encoding="utf-8"), path.name)
    for path in sorted((Path(__file__).parents[2] / "drivers").glob("*.toml"))
]
DRIVER = next(driver for driver in DRIVERS if driver.id == "open-advert")
DECODER = build_decoder(DRIVER)
ADDRESS, OTHER = "F0:00:00:00:00:01", "F0:00:00:00:00:02"
KEY = bytes(range(16))
TARGET = Target("sensor", ADDRESS.lower(), SERVICE_DATA, None, None, silence_s=10.0)
PROMPT = Limits(backoff_first_s=0.01, backoff_most_s=0.05)
SHORT_S = 0.2  # for the one limit that a test wants to see reached
GUARD_S = 30.0  # against hanging only


class Heard:
    """A sink that a test can wait on."""

    def __init__(self) -> None:
        self.items: list[Frame | LinkChange] = []
        self._came = asyncio.Event()

    def __call__(self, item: Frame | LinkChange) -> None:
        self.items.append(item)
        self._came.set()

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

    async def until(self, is_enough: Callable[[], bool]) -> None:
        while not is_enough():
            self._came.clear()
            await self._came.wait()


def run(test: Callable[[], Awaitable[None]]) -> None:
    """Run a test and see that it leaves no task of ours behind."""

    async def watched() -> None:
        before = asyncio.all_tasks()
        async with asyncio.timeout(GUARD_S):
            await test()
        left = asyncio.all_tasks() - before
        # The client library keeps one watcher of its bus for the life of the loop.
        assert [task for task in left if "_monitor_bus_disconnect" not in repr(task)] == []

    asyncio.run(watched())


def _ticks() -> Iterator[Instant]:
    for count in itertools.count(1):
        yield Instant(count * 1000, count * 1000, "b", synced=True)


@contextlib.asynccontextmanager
async def heard(radio: Radio, target: Target = TARGET, **more: Any) -> AsyncIterator[Heard]:
    """Listen to one meter for the length of the block."""
    box, ticks = Heard(), _ticks()
    more = {"limits": PROMPT, "jitter": lambda: 1.0, **more}
    task = asyncio.create_task(listen(radio, target, lambda: next(ticks), box, **more))
    try:
        yield box
    finally:
        task.cancel()
        await asyncio.wait({task})
        assert task.cancelled()


@contextlib.asynccontextmanager
async def bench(address: str = ADDRESS) -> AsyncIterator[tuple[Radio, VirtualMeter, Air]]:
    """A sender that is on, and a radio that can hear it."""
    # The shortest interval that Bluetooth allows (Core 5.4, Vol 6, Part B, 4.4.2.2.1).
    async with Air(interval_ms=20) as air:
        meter = air.meter(DRIVER, "Bench sender", address)
        radio = bumble_radio(await air.host())
        await meter.on()
        yield radio, meter, air
        assert radio.ears == set()
        assert radio.gone == set()


def volts(tenths: int, packet: int | None = None) -> bytes:
    return write_advert([(0x4A, tenths)], packet)


def test_every_example_crosses_the_air_and_reads_the_same() -> None:
    shown = [DECODER.decode(bytes.fromhex(example.hex or ""))[0][0] for example in DRIVER.example]

    async def test() -> None:
        async with bench() as (radio, meter, _), heard(radio) as box:
            for count, reading in enumerate(shown, 1):
                assert isinstance(reading, Reading)
                await meter.send_reading(reading)
                await box.until(lambda count=count: len(box.frames) == count)
        assert [DECODER.decode(frame.data)[0] for frame in box.frames] == [(one,) for one in shown]
        assert [frame.number for frame in box.frames] == list(range(1, len(shown) + 1))
        assert {(f.meter, f.source, f.session, f.opened) for f in box.frames} == {
            ("sensor", SERVICE_DATA, 1, None)
        }
        assert box.changes == [(1, True, "heard"), (1, False, "closed")]
        assert isinstance(box.items[0], LinkChange)
        stamps = [item.at.boot_ns for item in box.items]
        assert stamps == sorted(set(stamps))

    run(test)


def test_a_packet_sent_again_is_one_frame() -> None:
    async def test() -> None:
        async with bench() as (radio, meter, _), heard(radio) as box:
            for data in (volts(2301, 1), volts(2999, 1), volts(2302, 2), volts(2303), volts(2303)):
                await meter.advertise(data)
                await asyncio.sleep(0.1)  # so that the air carries each several times
            await meter.advertise(volts(0, 9))
            await box.until(lambda: box.frames[-1:] != [] and box.frames[-1].data == volts(0, 9))
        assert [frame.data for frame in box.frames] == [
            volts(2301, 1), volts(2302, 2), volts(2303), volts(0, 9),
        ]  # fmt: skip

    run(test)


def test_only_the_meter_named_is_heard() -> None:
    async def test() -> None:
        async with bench(OTHER) as (radio, stranger, air):
            await stranger.advertise(volts(9999))
            async with heard(radio) as box:
                meter = air.meter(DRIVER, "Bench sender", ADDRESS)
                await meter.advertise(volts(2301))
                await meter.on()
                await box.until(lambda: bool(box.frames))
            assert [frame.data for frame in box.frames] == [volts(2301)]

    run(test)


def test_a_silent_meter_is_told_once_and_comes_back_as_a_new_session() -> None:
    async def test() -> None:
        target = TARGET._replace(silence_s=SHORT_S)
        never = (
            f"the meter {target.address} was not heard within 0.2 s: is it switched on and near?"
        )
        async with bench() as (radio, meter, _), heard(radio, target) as box:
            await box.until(lambda: bool(box.changes))
            await meter.advertise(volts(2301))
            await box.until(lambda: len(box.frames) == 1)
            await meter.off()
            await box.until(lambda: len(box.changes) == 3)
            await meter.advertise(volts(2302))
            await meter.on()
            await box.until(lambda: len(box.frames) == 2)
        assert box.changes[:4] == [
            (1, False, never),
            (1, True, "heard"),
            (1, False, "the meter was not heard for 0.2 s"),
            (2, True, "heard"),
        ]  # fmt: skip
        assert [(frame.session, frame.number) for frame in box.frames] == [(1, 1), (2, 1)]

    run(test)


def test_sealed_packets_are_handed_on_with_what_they_held() -> None:
    async def test() -> None:
        plain = volts(2301, 1)
        async with bench() as (radio, meter, _), heard(radio, key=KEY, first_session=4) as box:
            packets = [
                seal(plain, ADDRESS, KEY, 10),
                seal(volts(2302, 2), ADDRESS, KEY, 10),
                seal(volts(2302, 2), ADDRESS, KEY, 11),
                seal(volts(2303, 3), ADDRESS, bytes(16), 12),
                volts(2304, 4),
                seal(volts(2305, 5), ADDRESS, KEY, 12),
            ]
            for count, data in enumerate(packets, 1):
                await meter.advertise(data)
                await box.until(lambda count=count: len(box.frames) == count)
        assert [frame.data for frame in box.frames] == packets
        assert [frame.opened for frame in box.frames] == [
            plain,
            Refusal("sealed: found counter 10, expected more than 10"),
            volts(2302, 2),
            Refusal("sealed: the key for this meter is wrong, or bytes are"),
            Refusal("plain: there is a key for this meter, so only sealed packets are taken"),
            volts(2305, 5),
        ]
        first = box.frames[0]
        assert first.session == 4
        assert first.opened is not None
        assert decode_opened(DECODER, first.data, first.opened) == DECODER.decode(plain)

    run(test)


def test_without_the_key_the_decoder_says_that_it_is_missing() -> None:
    async def test() -> None:
        sealed = seal(volts(2301), ADDRESS, KEY, 10)
        async with bench() as (radio, meter, _), heard(radio) as box:
            await meter.advertise(sealed)
            await box.until(lambda: bool(box.frames))
        (frame,) = box.frames
        assert (frame.data, frame.opened) == (sealed, None)
        assert DECODER.decode(frame.data)[0] == (
            Refusal("sealed: found no key for this meter, expected one in keys.toml"),
        )

    run(test)


def test_a_packet_that_no_advertisement_can_carry_is_refused() -> None:
    async def test() -> None:
        async with bench() as (_, meter, _):
            with pytest.raises(LinkError, match="25 bytes of service data, at most 24 expected"):
                await meter.advertise(bytes(25))
            await meter.advertise(b"\x40" + bytes([0x0F, 0]) * 11)

    run(test)


def test_a_scan_shows_the_sender_and_the_driver_that_fits() -> None:
    async def test() -> None:
        async with bench() as (radio, meter, _):
            await meter.advertise(volts(2301))
            (seen,) = await scan(radio, SHORT_S)
        assert seen.services == (SERVICE_DATA,)
        assert find_driver(DRIVERS, seen.name, seen.services)[0] == DRIVER

    run(test)


def test_several_meters_share_one_radio_with_one_that_is_connected_to() -> None:
    async def test() -> None:
        count = next(driver for driver in DRIVERS if driver.id == "bench-voltage")
        async with bench() as (radio, meter, air):
            second = air.meter(DRIVER, "Bench sender 2", OTHER)
            connected = air.meter(count, "BENCH-VOLT", "F0:00:00:00:00:03")
            await second.on()
            await connected.on()
            target = Target("meter", connected.address, count.link.notify, None, None, 10.0)
            ticks, inbox = _ticks(), Heard()
            async with (
                heard(radio, turn_s=SHORT_S) as one,
                heard(radio, TARGET._replace(address=OTHER), turn_s=SHORT_S) as two,
            ):
                task = asyncio.create_task(supervise(radio, target, lambda: next(ticks), inbox))
                await connected.until_subscribed()
                await meter.advertise(volts(2301))
                await second.advertise(volts(2302))
                await connected.send(b"\x80\x39")
                await one.until(lambda: bool(one.frames))
                await two.until(lambda: bool(two.frames))
                await inbox.until(lambda: bool(inbox.frames))
                task.cancel()
                await asyncio.wait({task})
            assert [box.frames[0].data for box in (one, two, inbox)] == [
                volts(2301), volts(2302), b"\x80\x39",
            ]  # fmt: skip

    run(test)


# ---- the real client library against a played service ----

METER = {"address": ADDRESS, "name": "sender", "service": SERVICE_DATA, "notify": SERVICE_DATA}


@contextlib.asynccontextmanager
async def played() -> AsyncIterator[tuple[FakeBluez, Radio]]:
    with private_bus():
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(**METER)
            yield bluez, radio


def advertise(bluez: FakeBluez, data: bytes) -> None:
    bluez.advertise(ADDRESS, SERVICE_DATA, data.hex())


def test_the_real_library_tells_of_every_new_packet() -> None:
    async def test() -> None:
        async with played() as (bluez, radio):
            advertise(bluez, volts(2301, 1))
            async with heard(radio, turn_s=SHORT_S) as box:
                await box.until(lambda: len(box.frames) == 1)
                for packet in range(2, 50):
                    advertise(bluez, volts(2301, packet))
                await box.until(lambda: len(box.frames) == 49)
                await bluez.until_called("StartDiscovery", 3)
            assert [frame.number for frame in box.frames] == list(range(1, 50))
            assert bluez.state()["scanning"] == 0
            assert bluez.state()["connected"] == []

    run(test)


@pytest.mark.parametrize("turns", [1, 2])
def test_no_scan_is_left_behind_wherever_it_is_stopped(turns: int) -> None:
    async def test() -> None:
        async with played() as (bluez, radio):
            async with heard(radio, turn_s=SHORT_S):
                await bluez.until_called("StartDiscovery", turns)  # not answered yet
            assert bluez.state()["scanning"] == 0

    run(test)


def test_a_scan_that_hears_nothing_any_more_is_started_again() -> None:
    async def test() -> None:
        async with played() as (bluez, radio):
            advertise(bluez, volts(2301, 1))
            async with heard(radio, turn_s=SHORT_S) as box:
                await box.until(lambda: bool(box.frames))
                bluez.vanish(ADDRESS)
                started = bluez.calls.count("StartDiscovery")
                await bluez.until_called("StartDiscovery", started + 2)
                bluez.meter(**METER)
                advertise(bluez, volts(2302, 2))
                await box.until(lambda: len(box.frames) == 2)
            assert box.changes == [(1, True, "heard"), (1, False, "closed")]

    run(test)


def test_an_adapter_that_goes_off_ends_the_session_and_says_what_to_do() -> None:
    async def test() -> None:
        async with played() as (bluez, radio):
            advertise(bluez, volts(2301, 1))
            async with heard(radio, turn_s=SHORT_S) as box:
                await box.until(lambda: bool(box.frames))
                bluez.power(on=False)
                await box.until(lambda: len(box.changes) == 2)
                await bluez.until_called("StartDiscovery", 1)
                bluez.power(on=True)
                advertise(bluez, volts(2302, 2))
                await box.until(lambda: len(box.frames) == 2)
            assert box.changes[1][:2] == (1, False)
            assert "adapter is off: switch it on" in box.changes[1][2]
            assert box.frames[1].session == 2

    run(test)


def test_a_busy_adapter_is_told_once_and_tried_again() -> None:
    async def test() -> None:
        async with played() as (bluez, radio):
            advertise(bluez, volts(2301, 1))
            bluez.fault("error", "StartDiscovery", "org.bluez.Error.InProgress", times=3)
            async with heard(radio) as box:
                await box.until(lambda: bool(box.frames))
            assert [change[:2] for change in box.changes[:2]] == [(1, False), (1, True)]
            assert "busy with another scan" in box.changes[0][2]

    run(test)


def test_a_service_that_dies_ends_the_session_at_once_and_comes_back() -> None:
    async def test() -> None:
        with private_bus():
            bluez = await FakeBluez().start()
            bluez.meter(**METER)
            advertise(bluez, volts(2301, 1))
            async with Radio() as radio, heard(radio) as box:
                await box.until(lambda: bool(box.frames))
                await bluez.stop()
                await box.until(lambda: len(box.changes) == 2)
                async with FakeBluez() as again:
                    again.meter(**METER)
                    advertise(again, volts(2302, 2))
                    await box.until(lambda: len(box.frames) == 2)
            assert box.changes[1] == (1, False, "the Bluetooth service left the system bus")
            assert box.frames[1].session == 2

    run(test)


def test_watch_reads_a_sender_without_any_driver_named(tmp_path: Path) -> None:
    keys = tmp_path / "keys.toml"
    keys.write_text(f'"{ADDRESS.lower()}" = "{KEY.hex()}"\n')
    keys.chmod(0o600)
    sealed = seal(write_advert([(0x4A, 2301), (0x45, 215)], 1), ADDRESS, KEY, 1)
    with private_bus(), BluezProcess() as bluez:
        bluez.send({"do": "meter", **METER})
        bluez.send(
            {"do": "advertise", "address": ADDRESS, "uuid": SERVICE_DATA, "hex": sealed.hex()}
        )
        command = [sys.executable, "-m", "metercap", "watch", ADDRESS, "--json", "--seconds", "3"]
        done = subprocess.run(
            [*command, "--data", str(tmp_path)], capture_output=True, text=True, check=True
        )
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(row["quantity"], row["value"], row["unit"]) for row in rows] == [
        ("temperature", "21.5", "Cel"),
        ("voltage", "230.1", "V"),
    ]
    assert {(row["driver"], row["raw"]) for row in rows} == {("open-advert", sealed.hex())}
    assert all(row["marks"] == ["sampled"] for row in rows)
    said = [line.partition("  ")[2] for line in done.stderr.splitlines()]
    assert said == ["heard", "link ended: closed"]
