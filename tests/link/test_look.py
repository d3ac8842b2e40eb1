"""A meter that no file describes: its table is looked at over the air, and its values are read."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING

import pytest
from fake_bluez import FakeBluez, private_bus

from metercap.daemon import DeclaredMeter
from metercap.errors import LinkError
from metercap.link.bluetooth import LIMITS, Radio, look, supervise
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.virtual import Air, VirtualMeter
from metercap.meter.adopted import uuid_of
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import AttributeDriver
from metercap.meter.found import Characteristic, Descriptor, find_found
from metercap.model import Frame, Instant, LinkChange, Reading, Status
from metercap.visit import look_at, target_of

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

ADDRESS = "F0:00:00:00:00:01"
SERVICE = "de5c0000-e492-47f0-9b6d-c81a5703f2be"
OWN = "de5c0002-e492-47f0-9b6d-c81a5703f2be"
VOLTAGE, CURRENT = uuid_of(0x2B18), uuid_of(0x2AEE)
FORMAT, TEXT, RMS = bytes.fromhex("17002827010000"), b"AC voltage", bytes([0, 0, 3, *bytes(8)])
QUICK = LIMITS._replace(scan_s=0.3, connect_s=1.0, notify_s=0.3, disconnect_s=0.3)


def run(test: Callable[[], Awaitable[None]]) -> None:
    """Run a test and see that it leaves no task behind."""

    async def watched() -> None:
        await test()
        # The client library keeps one watcher of its bus for the life of the loop.
        left = [task for task in asyncio.all_tasks() if "_monitor_bus" not in repr(task)]
        assert left == [asyncio.current_task()]

    asyncio.run(watched())


def sending(uuid: str, *descriptors: Descriptor) -> Characteristic:
    return Characteristic(SERVICE, uuid, 3, ("read", "notify"), descriptors)


def found(*table: Characteristic) -> AttributeDriver:
    driver, why = find_found(table)
    assert isinstance(driver, AttributeDriver), why
    return driver


def now() -> Instant:
    return Instant(0, 0, "bench", synced=False)


async def read(
    driver: AttributeDriver, meter: VirtualMeter, radio: Radio, *shown: Reading
) -> list[Frame]:
    """Connect as `watch` does and take the frames of these readings."""
    frames: list[Frame] = []
    came = asyncio.Event()

    def sink(item: Frame | LinkChange) -> None:
        if isinstance(item, Frame):
            frames.append(item)
            if len(frames) == len(shown):
                came.set()

    target = target_of(DeclaredMeter("meter", ADDRESS, driver))
    link = asyncio.create_task(supervise(radio, target, now, sink))
    async with asyncio.timeout(10):
        await meter.until_subscribed()
        for reading in shown:
            await meter.send_reading(reading)
        await came.wait()
    link.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await link
    return frames


def test_a_meter_that_describes_itself_is_looked_at_and_read() -> None:
    built = found(
        sending(
            OWN,
            Descriptor(7, uuid_of(0x2904), FORMAT),
            Descriptor(8, uuid_of(0x2901), TEXT),
            Descriptor(9, uuid_of(0x290C), RMS),
        )
    )

    async def test() -> None:
        async with Air(interval_ms=20) as air:
            meter = air.meter(built, "Bench", ADDRESS, {OWN: {0x2901: TEXT, 0x290C: RMS}})
            await meter.on()
            radio = bumble_radio(await air.host())
            driver, why = await look_at(radio, ADDRESS)
            assert isinstance(driver, AttributeDriver)
            assert why == "describes itself: main: voltage ac in V"
            (row,) = driver.function
            (frame,) = await read(driver, meter, radio, built.function[0].reading("230.10"))
            (reading,), _ = decode_frame(build_decoder(driver), frame.source, frame.data)
            assert reading == row.reading("230.10")
            assert reading.coupling == "ac"  # type: ignore[union-attr]

    run(test)


def test_two_adopted_values_of_one_meter_are_two_channels() -> None:
    built = found(sending(VOLTAGE), sending(CURRENT))

    async def test() -> None:
        async with Air(interval_ms=20) as air:
            meter = air.meter(built, "Bench", ADDRESS)
            await meter.on()
            radio = bumble_radio(await air.host())
            driver, _ = await look_at(radio, ADDRESS)
            assert isinstance(driver, AttributeDriver)
            volts, amperes = driver.function
            shown = (
                volts.reading("230.015625"),
                amperes.reading("12.34"),
                amperes.reading(None, Status.UNKNOWN),
                volts.reading(None, Status.OVER),
            )
            frames = await read(driver, meter, radio, *shown)
            decoder = build_decoder(driver)
            assert [frame.source for frame in frames] == [VOLTAGE, CURRENT, CURRENT, VOLTAGE]
            assert tuple(decode_frame(decoder, f.source, f.data)[0][0] for f in frames) == shown
            assert [reading.channel for reading in shown[:2]] == ["main", "electric-current"]

    run(test)


def test_a_valid_range_goes_over_the_air() -> None:
    limits = bytes.fromhex("00000000 40420F00")
    built = found(
        sending(
            OWN,
            Descriptor(7, uuid_of(0x2904), bytes.fromhex("10FD2827010000")),
            Descriptor(8, uuid_of(0x2906), limits),
        )
    )

    async def test() -> None:
        async with Air(interval_ms=20) as air:
            await air.meter(built, "Bench", ADDRESS).on()
            table = await look(bumble_radio(await air.host()), ADDRESS)
            own = next(each for each in table if each.uuid == OWN)
            assert own.find(uuid_of(0x2906)) == limits
            assert own.is_sending
            assert own.service == SERVICE
            driver, _ = find_found(table)
            # The serial number of its Device Information is no measurement.
            assert driver is not None
            assert driver.function == built.function

    run(test)


def test_a_value_that_is_not_sent_is_read_again_and_again() -> None:
    built = found(Characteristic(SERVICE, uuid_of(0x2A6E), 3, ("read",)))

    async def test() -> None:
        async with Air(interval_ms=20) as air:
            meter = air.meter(built, "Bench", ADDRESS)
            await meter.on()
            await meter.send_reading(built.function[0].reading("21.50"))
            radio = bumble_radio(await air.host())
            driver, _ = await look_at(radio, ADDRESS)
            assert driver is not None
            target = target_of(DeclaredMeter("meter", ADDRESS, driver))
            assert (target.read, target.every_s) == ((uuid_of(0x2A6E),), 1.0)
            frames: list[Frame] = []
            enough = asyncio.Event()

            def sink(item: Frame | LinkChange) -> None:
                if isinstance(item, Frame):
                    frames.append(item)
                    if len(frames) == 3:
                        enough.set()

            link = asyncio.create_task(supervise(radio, target._replace(every_s=0.01), now, sink))
            async with asyncio.timeout(10):
                await enough.wait()
            link.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await link
            assert [frame.number for frame in frames[:3]] == [1, 2, 3]
            (reading,), _ = decode_frame(build_decoder(driver), frames[2].source, frames[2].data)
            assert (reading.value, reading.marks) == ("21.50", ("read on request",))  # type: ignore[union-attr]

    run(test)


def test_a_meter_that_is_not_there_is_said_in_one_line() -> None:
    async def test() -> None:
        async with Air(interval_ms=20) as air:
            radio = bumble_radio(await air.host())
            with pytest.raises(LinkError, match=r"was not seen within 0\.3 s") as caught:
                await look(radio, ADDRESS, QUICK)
            assert "\n" not in str(caught.value)

    run(test)


# ---- with the platform's own back end, on the emulated service ----


def put(bluez: FakeBluez, **more: str) -> None:
    bluez.meter(address=ADDRESS, name="Bench", service=SERVICE, notify=OWN, descriptors=more)


def test_the_platforms_own_back_end_reads_the_same() -> None:
    async def test() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            put(bluez, **{"2904": FORMAT.hex(), "2901": TEXT.hex()})
            driver, why = await look_at(radio, ADDRESS)
            assert driver is not None
            assert why == "describes itself: main: voltage ac in V"
            assert bluez.state()["connected"] == []  # it hung up

    with private_bus():
        run(test)


def test_a_meter_that_does_not_answer_is_left_within_the_limits() -> None:
    async def test() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            put(bluez, **{"2904": FORMAT.hex(), "2901": TEXT.hex()})
            bluez.fault("no-reply", method="ReadValue")
            table = await look(radio, ADDRESS, QUICK)
            own = next(each for each in table if each.uuid == OWN)
            assert {each.value for each in own.descriptors} == {None}
            driver, why = find_found(table)
            assert driver is None
            assert "its 0x2904 could not be read" in why

    with private_bus():
        run(test)


def test_a_descriptor_that_is_refused_leaves_the_others_readable() -> None:
    async def test() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            put(bluez, **{"2901": TEXT.hex(), "2904": FORMAT.hex()})
            bluez.fault("error", method="ReadValue", times=1)
            table = await look(radio, ADDRESS, QUICK)
            own = next(each for each in table if each.uuid == OWN)
            assert [each.value is None for each in own.descriptors] == [True, False]

    with private_bus():
        run(test)


def test_a_meter_that_drops_the_link_meanwhile_is_one_plain_line() -> None:
    async def test() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            put(bluez, **{"2904": FORMAT.hex()})
            bluez.fault("no-reply", method="ReadValue")
            looking = asyncio.create_task(look(radio, ADDRESS, QUICK._replace(notify_s=5)))
            await bluez.until_called("ReadValue")
            bluez.drop(ADDRESS)
            with pytest.raises(LinkError, match="dropped the link") as caught:
                await looking
            assert str(caught.value).startswith(f"{ADDRESS}: ")

    with private_bus():
        run(test)
