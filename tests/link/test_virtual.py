"""bleak's own scanner and client on one side, a virtual meter on the other, real GATT between."""

import asyncio
import io
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError, BleakGATTProtocolError, BleakGATTProtocolErrorCode
from bumble.controller import Controller
from bumble.core import UUID
from bumble.gatt import CharacteristicValue
from bumble.transport import open_transport
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import LinkError
from metercap.link.bluetooth.bumble_radio import bumble_backend, bumble_radio
from metercap.link.bluetooth.scan import scan
from metercap.link.bluetooth.session import LIMITS, Sink, Target, supervise
from metercap.link.capture import CaptureSink, read_capture, replay
from metercap.link.virtual import Air, VirtualMeter, _advertising, on_transport
from metercap.meter.decode import build_decoder
from metercap.meter.description import Driver, LineDriver, parse_driver
from metercap.meter.match import find_driver
from metercap.model import Frame, Instant, LinkChange, Reading

ADDRESSES = [f"F0:00:00:00:00:{number:02X}" for number in range(1, 100)]
FIRST, SECOND, THIRD, FOURTH = ADDRESSES[:4]
SHIPPED = [
    parse_driver(path.read_text(encoding="utf-8"), path.name)
    for path in sorted((Path(__file__).parents[2] / "drivers").glob("*.toml"))
]
SERVICE = "6b1d0001-7a51-4c0f-9d6e-2f5a1c3b4d5e"
NOTIFY = "6b1d0002-7a51-4c0f-9d6e-2f5a1c3b4d5e"
WRITE = "6b1d0003-7a51-4c0f-9d6e-2f5a1c3b4d5e"
VOLTAGE = "00002b18-0000-1000-8000-00805f9b34fb"
MODEL_NUMBER = "00002a24-0000-1000-8000-00805f9b34fb"
SERIAL_NUMBER = "00002a25-0000-1000-8000-00805f9b34fb"
PRESENTATION = "00002904-0000-1000-8000-00805f9b34fb"

COUNT = parse_driver(
    f"""
id = "bench-count"
title = "Bench meter, one count"
version = "1"
kind = "frame"
match = {{ service = "{SERVICE}" }}
link = {{ notify = "{NOTIFY}", write = "{WRITE}", start = "01", interval = "100 ms" }}
frame = {{ length = 4, const = [{{ at = 0, hex = "a5" }}], reserved = [] }}
field.code = {{ type = "uint", at = 1, bytes = 1 }}
field.count = {{ type = "uint", at = 2, bytes = 2 }}
value = {{ count = "count", over = [65535] }}
[[function]]
name = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
ceiling = "600"
decimals = 1
when = {{ code = 1 }}
[[example]]
hex = "a5 01 fd 08"
[example.reading]
function = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
value = "230.1"
[[example]]
hex = "a5 01 ff ff"
[example.reading]
function = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
status = "over"
""",
    "bench-count.toml",
)
LINE = parse_driver(
    f"""
id = "bench-line"
title = "Bench meter, lines of text"
version = "1"
kind = "line"
match = {{ name = "Bench line*" }}
link = {{ notify = "{NOTIFY}", interval = "500 ms" }}
line = {{ terminator = "0d 0a", longest = 32, sign = "always", over = "+OL" }}
[[function]]
name = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
ceiling = "600"
after = " V AC"
[[example]]
text = "+230.1 V AC"
[example.reading]
function = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
value = "230.1"
[[example]]
text = "+OL V AC"
[example.reading]
function = "volts-ac"
quantity = "voltage"
unit = "V"
coupling = "ac"
status = "over"
""",
    "bench-line.toml",
)


def self_described(notify: str) -> Driver:
    # 0x10 sint32, exponent -3, unit 0x2728 volt, name space 1, description 0.
    return parse_driver(
        f"""
id = "bench-described"
title = "Bench meter, self-described"
version = "1"
kind = "attribute"
match = {{ service = "0000181a-0000-1000-8000-00805f9b34fb" }}
link = {{ notify = "{notify}", interval = "500 ms" }}
attribute = {{ presentation = "10 fd 28 27 01 00 00" }}
[[function]]
name = "volts-dc"
quantity = "voltage"
unit = "V"
coupling = "dc"
ceiling = "600"
[[example]]
hex = "d2 04 00 00"
[example.reading]
function = "volts-dc"
quantity = "voltage"
unit = "V"
coupling = "dc"
value = "1.234"
""",
        "bench-described.toml",
    )


def run(test: Callable[[], Awaitable[None]]) -> None:
    """Run a test and see that it leaves no task behind."""

    async def watched() -> None:
        await test()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(watched())


def air() -> Air:
    # The shortest interval that Bluetooth allows (Core 5.4, Vol 6, Part B, 4.4.2.2.1).
    return Air(interval_ms=20)


class Ticks:
    """A clock that counts how often it was read."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self) -> Instant:
        self.count += 1
        return Instant(self.count * 1000, self.count, "bench", synced=False)


class Inbox:
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
    def changes(self) -> list[LinkChange]:
        return [item for item in self.items if isinstance(item, LinkChange)]

    async def until(self, is_enough: Callable[["Inbox"], bool]) -> None:
        async with asyncio.timeout(10):
            while not is_enough(self):
                self._came.clear()
                await self._came.wait()


async def find(backend: Any, address: str = FIRST) -> BLEDevice:
    device = await BleakScanner.find_device_by_address(address, backend=backend)
    assert device is not None
    return device


@asynccontextmanager
async def connected(driver: Driver) -> AsyncIterator[tuple[VirtualMeter, BleakClient]]:
    async with air() as here:
        meter = here.meter(driver, "Bench line", FIRST)
        await meter.on()
        scanner, client = bumble_backend(await here.host())
        async with BleakClient(await find(scanner), backend=client) as central:
            yield meter, central


@asynccontextmanager
async def supervised(
    here: Air, *meters: VirtualMeter, wrap: Callable[[Sink], Sink] = lambda sink: sink
) -> AsyncIterator[Inbox]:
    inbox, now = Inbox(), Ticks()
    limits = LIMITS._replace(backoff_first_s=0.01)
    async with bumble_radio(await here.host()) as radio:
        tasks = [
            asyncio.create_task(
                supervise(
                    radio,
                    Target(
                        meter.name,
                        meter.address,
                        meter.driver.link.notify,
                        meter.driver.link.write,
                        b"\x01" if meter.driver.link.write else None,
                        30.0,
                    ),
                    now,
                    wrap(inbox),
                    limits=limits,
                )
            )
            for meter in meters
        ]
        try:
            yield inbox
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)


def test_a_scan_shows_name_service_and_address_and_nothing_of_a_meter_switched_off() -> None:
    async def test() -> None:
        async with air() as here:
            await here.meter(COUNT, "Bench 1", FIRST).on()
            here.meter(COUNT, "Bench 2", SECOND)
            await here.meter(LINE, "Bench line 3", THIRD).on()
            await here.meter(self_described(VOLTAGE), "Bench 4", FOURTH).on()
            async with bumble_radio(await here.host()) as radio:
                seen = await scan(radio, 0.05)
        assert [(one.address, one.name, one.services) for one in seen] == [
            (FIRST, "Bench 1", (SERVICE,)),
            (THIRD, "Bench line 3", ()),
            (FOURTH, "Bench 4", ("0000181a-0000-1000-8000-00805f9b34fb",)),
        ]

    run(test)


def test_every_shipped_driver_is_found_by_what_its_meter_advertises() -> None:
    async def test() -> None:
        async with air() as here:
            for driver, address in zip(SHIPPED, ADDRESSES, strict=False):
                # As long as a name can be, because a pattern may ask for all of it.
                name = (driver.match.name or driver.id).replace("*", " one").ljust(29, "-")
                await here.meter(driver, name, address).on()
            async with bumble_radio(await here.host()) as radio:
                seen = await scan(radio, 0.05)
        assert len(seen) == len(SHIPPED)
        for one, driver in zip(seen, SHIPPED, strict=True):
            assert find_driver(SHIPPED, one.name, one.services)[0] == driver

    run(test)


# A meter that is asked sends nothing by itself: tests/link/test_polling.py. One that only
# advertises is never connected to: tests/link/test_advert_link.py.
UNASKED = [
    driver
    for driver in SHIPPED
    if driver.kind != "advert" and not (isinstance(driver, LineDriver) and driver.poll)
]


@pytest.mark.parametrize("driver", UNASKED, ids=lambda driver: driver.id)
def test_every_example_of_a_shipped_driver_crosses_the_air_and_reads_the_same(
    driver: Driver,
) -> None:
    decoder = build_decoder(driver)
    terminator = bytes.fromhex(driver.line.terminator) if isinstance(driver, LineDriver) else b""
    shown = [
        decoder.decode(
            bytes.fromhex(example.hex)
            if example.hex is not None
            else (example.text or "").encode() + terminator
        )[0]
        for example in driver.example
    ]

    async def test() -> None:
        async with air() as here:
            meter = here.meter(driver, "Bench", FIRST)
            await meter.on()
            async with supervised(here, meter) as inbox:
                await meter.until_subscribed()
                for readings in shown:
                    assert all(isinstance(reading, Reading) for reading in readings)
                    await meter.send_reading(*readings)
                await inbox.until(lambda box: len(box.frames) == len(shown))
        assert [decoder.decode(frame.data) for frame in inbox.frames] == [
            (readings, b"") for readings in shown
        ]

    assert {len(readings) for readings in shown} == {
        1 if example.second is None else 2 for example in driver.example
    }
    run(test)


def test_a_scan_for_a_service_passes_over_meters_without_it() -> None:
    async def test() -> None:
        async with air() as here:
            await here.meter(LINE, "Bench line", FIRST).on()
            await here.meter(COUNT, "Bench 2", SECOND).on()
            scanner, _ = bumble_backend(await here.host())
            found = await BleakScanner.find_device_by_filter(
                lambda _device, _heard: True, service_uuids=[SERVICE.upper()], backend=scanner
            )
        assert found is not None
        assert found.address == SECOND

    run(test)


@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
    st.sampled_from([None, UUID(SERVICE), UUID(0x181A)]),
)
def test_advertising_fits_and_says_as_much_of_the_name_as_it_can(
    name: str, service: UUID | None
) -> None:
    short, whole = _advertising(service, name)
    assert max(len(short), len(whole)) <= 31
    size = len(name.encode())
    room = 31 - 3 - (0 if service is None else 2 + len(service.uuid_bytes)) - 2
    kind, said = short[-(min(size, room) + 1) :][:1], short
    if size <= room:
        assert kind == b"\x09"
        assert said.endswith(name.encode())
    else:
        # A character may be up to four bytes, and is not cut.
        assert len(short) > 31 - 4


def test_two_hundred_notifications_arrive_once_and_in_order() -> None:
    async def test() -> None:
        async with connected(COUNT) as (meter, central):
            got: list[bytes] = []
            await central.start_notify(NOTIFY, lambda _, data: got.append(bytes(data)))
            await meter.until_subscribed()
            sent = [bytes([0xA5, 1, number, 0]) for number in range(200)]
            for data in sent:
                await meter.send(data)
            assert await central.read_gatt_char(NOTIFY) == sent[-1]
            assert got == sent
            await central.stop_notify(NOTIFY)
            assert not meter.subscribed
            await meter.send(sent[0])
            assert await central.read_gatt_char(NOTIFY) == sent[0]
            assert got == sent

    run(test)


def test_a_reading_goes_out_as_the_bytes_that_show_it() -> None:
    shown = Reading("voltage", "230.1", "V", coupling="ac", function="volts-ac", ceiling="600")

    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "Bench 1", FIRST)
            await meter.on()
            async with supervised(here, meter) as inbox:
                await meter.until_subscribed()
                await meter.send_reading(shown)
                await inbox.until(lambda box: len(box.frames) == 1)
        (frame,) = inbox.frames
        assert frame.data == bytes.fromhex("a501fd08")
        assert build_decoder(COUNT).decode(frame.data) == ((shown,), b"")

    run(test)


def test_the_device_information_and_what_was_written_are_there() -> None:
    async def test() -> None:
        async with connected(COUNT) as (meter, central):
            assert await central.read_gatt_char(MODEL_NUMBER) == b"bench meter"
            assert await central.read_gatt_char(SERIAL_NUMBER) == b"bench-f00000000001"
            await central.write_gatt_char(WRITE, b"\x01\x02", response=True)
            await central.write_gatt_char(WRITE, b"\x03", response=False)
            await central.read_gatt_char(MODEL_NUMBER)
            assert meter.written == [b"\x01\x02", b"\x03"]
            assert central.mtu_size == 247
            assert central.name == "Bench line"

    run(test)


def test_a_self_described_value_says_its_format_and_unit() -> None:
    async def test() -> None:
        async with connected(self_described(NOTIFY)) as (_, central):
            characteristic = central.services.get_characteristic(NOTIFY)
            assert characteristic is not None
            descriptor = characteristic.get_descriptor(PRESENTATION)
            assert descriptor is not None
            octets = await central.read_gatt_descriptor(descriptor)
            assert octets == bytes.fromhex("10fd2827010000")

    run(test)


def test_only_a_self_described_value_has_a_presentation_format() -> None:
    async def test() -> None:
        async with connected(COUNT) as (_, central):
            characteristic = central.services.get_characteristic(NOTIFY)
            assert characteristic is not None
            assert characteristic.get_descriptor(PRESENTATION) is None

    run(test)


def test_a_dropped_meter_is_found_again_in_a_new_session() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "Bench 1", FIRST)
            await meter.on()
            async with supervised(here, meter) as inbox:
                for session in (1, 2, 3):
                    await meter.until_subscribed()
                    await inbox.until(
                        lambda box, s=session: (
                            box.changes[-1:] != [] and box.changes[-1].session == s
                        )
                    )
                    for number in (1, 2):
                        await meter.send(bytes([0xA5, 1, number, session]))
                    await inbox.until(lambda box, s=session: len(box.frames) == 2 * s)
                    await meter.drop()
                    await inbox.until(lambda box: not box.changes[-1].up)
            assert meter.written == [b"\x01"] * 3
        assert [(f.session, f.number, f.data[2:]) for f in inbox.frames] == [
            (session, number, bytes([number, session]))
            for session in (1, 2, 3)
            for number in (1, 2)
        ]
        ups = [change for change in inbox.changes if change.up]
        assert [change.session for change in ups] == [1, 2, 3]
        assert dict(ups[0].facts) == {
            "model number": "bench meter",
            "serial number": "bench-f00000000001",
        }

    run(test)


def test_a_meter_switched_off_ends_its_session_and_comes_back_when_switched_on() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "Bench 1", FIRST)
            await meter.on()
            async with supervised(here, meter) as inbox:
                await meter.until_subscribed()
                await meter.off()
                await inbox.until(lambda box: box.changes[-1:] != [] and not box.changes[-1].up)
                assert not meter.subscribed
                await meter.on()
                await meter.until_subscribed()
                await inbox.until(lambda box: box.changes[-1].up)
        assert [(c.session, c.up) for c in inbox.changes[:3]] == [(1, True), (1, False), (2, True)]

    run(test)


def test_a_meter_switched_off_while_connected_is_not_seen_any_more() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "Bench 1", FIRST)
            await meter.on()
            async with supervised(here, meter):
                await meter.until_subscribed()
            async with bumble_radio(await here.host()) as radio:
                assert [one.address for one in await scan(radio, 0.05)] == [FIRST]
                async with supervised(here, meter):
                    await meter.until_subscribed()
                    await meter.off()
                    assert await scan(radio, 0.05) == []

    run(test)


def test_two_meters_at_once_do_not_mix() -> None:
    async def test() -> None:
        async with air() as here:
            pair = [here.meter(COUNT, "one", FIRST), here.meter(COUNT, "two", SECOND)]
            for meter in pair:
                await meter.on()
            async with supervised(here, *pair) as inbox:
                for meter in pair:
                    await meter.until_subscribed()
                for number in range(50):
                    for mark, meter in enumerate(pair):
                        await meter.send(bytes([0xA5, 1, number, mark]))
                await inbox.until(lambda box: len(box.frames) == 100)
        for mark, name in enumerate(("one", "two")):
            mine = [frame for frame in inbox.frames if frame.meter == name]
            assert [frame.data[2:] for frame in mine] == [bytes([n, mark]) for n in range(50)]
            assert [frame.number for frame in mine] == list(range(1, 51))

    run(test)


def test_a_line_instrument_is_cut_where_the_link_cuts_and_read_whole_again() -> None:
    lines = b"".join(f"+{number}.5 V AC\r\n".encode() for number in range(100, 140))

    async def test() -> None:
        async with connected(LINE) as (meter, central):
            got: list[bytes] = []
            await central.start_notify(NOTIFY, lambda _, data: got.append(bytes(data)))
            await meter.send(lines)
            await meter.send(b"+2")
            await meter.send(b"30.1 V AC\r\n+OL V")
            await meter.send(b" AC\r\n")
            await central.read_gatt_char(MODEL_NUMBER)
        assert [len(data) for data in got[:3]] == [244, 244, len(lines) - 488]
        assert b"".join(got[:3]) == lines
        decoder, pending, outcomes = build_decoder(LINE), b"", []
        for data in got:
            some, pending = decoder.decode(data, pending)
            outcomes += some
        assert [getattr(outcome, "value", outcome) for outcome in outcomes] == [
            *(f"{number}.5" for number in range(100, 140)),
            "230.1",
            None,
        ]

    run(test)


def test_a_link_with_the_smallest_notifications_cuts_a_line_after_20_bytes() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(LINE, "Bench line", FIRST)
            meter._device.gatt_server.max_mtu = 23
            await meter.on()
            async with supervised(here, meter) as inbox:
                await meter.until_subscribed()
                await meter.send(b"+230.1 V AC\r\n+230.2 V AC\r\n")
                await inbox.until(lambda box: len(box.frames) == 2)
        assert [frame.data for frame in inbox.frames] == [
            b"+230.1 V AC\r\n+230.2 ",
            b"V AC\r\n",
        ]

    run(test)


def test_a_run_kept_as_a_capture_plays_back_as_it_was() -> None:
    file, again = io.StringIO(), []

    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "Bench 1", FIRST)
            await meter.on()
            async with supervised(here, meter, wrap=lambda sink: CaptureSink(file, sink)) as inbox:
                for session in (1, 2):
                    await meter.until_subscribed()
                    await meter.send(b"\xa5\x01\xfd\x08")
                    await inbox.until(lambda box, s=session: len(box.frames) == s)
                    await meter.drop()
        await replay(read_capture(file.getvalue()), again.append)
        assert again == inbox.items
        assert [change.up for change in inbox.changes[:4]] == [True, False, True, False]

    run(test)


def test_a_frame_that_fits_no_notification_is_refused_and_not_cut() -> None:
    async def test() -> None:
        async with connected(COUNT) as (meter, central):
            got: list[bytes] = []
            await central.start_notify(NOTIFY, lambda _, data: got.append(bytes(data)))
            with pytest.raises(LinkError, match="245 bytes in one notification, at most 244"):
                await meter.send(bytes(245))
            await meter.send(bytes(244))
            await central.read_gatt_char(MODEL_NUMBER)
            assert [len(data) for data in got] == [244]

    run(test)


def test_a_connect_to_a_silent_meter_ends_in_time_and_leaves_the_radio_usable() -> None:
    async def test() -> None:
        async with air() as here:
            meter, other = here.meter(COUNT, "one", FIRST), here.meter(COUNT, "two", SECOND)
            await meter.on()
            await other.on()
            scanner, client = bumble_backend(await here.host())
            gone = await find(scanner)
            await meter.off()
            with pytest.raises(TimeoutError):
                await BleakClient(gone, backend=client, timeout=0.02).connect()
            attempt = asyncio.create_task(BleakClient(gone, backend=client).connect())
            await asyncio.sleep(0)
            attempt.cancel()
            with pytest.raises(asyncio.CancelledError):
                await attempt
            async with BleakClient(await find(scanner, SECOND), backend=client) as central:
                assert central.is_connected

    run(test)


def test_a_cancelled_connect_leaves_no_connection_behind() -> None:
    async def attempt(cycles: int) -> None:
        async with air() as here:
            meter = here.meter(COUNT, "one", FIRST)
            await meter.on()
            host = await here.host()
            scanner, client = bumble_backend(host)
            central = BleakClient(await find(scanner), backend=client)
            stands = asyncio.Event()
            host.on("connection", lambda _: stands.set())
            connect = asyncio.create_task(central.connect())
            await stands.wait()
            for _ in range(cycles):
                await asyncio.sleep(0)
            connect.cancel()
            with pytest.raises(asyncio.CancelledError):
                await connect
            assert not host.connections
            async with BleakClient(await find(scanner), backend=client) as central:
                assert central.is_connected

    for cycles in (0, 1, 2, 5, 20):
        run(lambda cycles=cycles: attempt(cycles))


def test_what_the_meter_refuses_is_bleaks_protocol_error() -> None:
    async def test() -> None:
        async with connected(COUNT) as (_, central):
            with pytest.raises(BleakGATTProtocolError) as caught:
                await central.read_gatt_char(WRITE)
            assert caught.value.code is BleakGATTProtocolErrorCode.READ_NOT_PERMITTED

    run(test)


def test_a_disconnect_calls_back_once_and_a_second_one_does_nothing() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "one", FIRST)
            await meter.on()
            scanner, client = bumble_backend(await here.host())
            lost: list[BleakClient] = []
            central = BleakClient(await find(scanner), lost.append, backend=client)
            await central.connect()
            await central.disconnect()
            await central.disconnect()
            assert lost == [central]

    run(test)


def test_a_meter_without_a_write_characteristic_has_none() -> None:
    async def test() -> None:
        async with connected(LINE) as (_, central):
            assert central.services.get_characteristic(NOTIFY) is not None
            assert central.services.get_characteristic(WRITE) is None

    run(test)


def test_a_drop_during_a_read_is_bleaks_error_and_calls_back_once() -> None:
    async def test() -> None:
        async with air() as here:
            meter = here.meter(COUNT, "one", FIRST)
            await meter.on()
            scanner, client = bumble_backend(await here.host())
            asked, answer, lost = asyncio.Event(), asyncio.Event(), []

            async def slow(_connection: object) -> bytes:
                asked.set()
                await answer.wait()
                return b""

            meter._sources[meter.driver.link.notify].value = CharacteristicValue(read=slow)
            central = BleakClient(await find(scanner), lost.append, backend=client)
            await central.connect()
            read = asyncio.create_task(central.read_gatt_char(NOTIFY))
            await asked.wait()
            await meter.drop()
            with pytest.raises(BleakError, match="the connection ended"):
                await read
            assert lost == [central]
            assert not central.is_connected
            with pytest.raises(BleakError):
                await central.read_gatt_char(NOTIFY)
            await central.disconnect()
            answer.set()
            assert lost == [central]

    run(test)


def test_an_abandoned_read_is_not_taken_for_the_next_ones_answer() -> None:
    async def test() -> None:
        async with connected(COUNT) as (_, central):
            for cycles in range(6):
                abandoned = asyncio.create_task(central.read_gatt_char(MODEL_NUMBER))
                for _ in range(cycles):
                    await asyncio.sleep(0)
                abandoned.cancel()
                assert await central.read_gatt_char(SERIAL_NUMBER) == b"bench-f00000000001"

    run(test)


def test_the_same_meter_stands_on_any_transport(tmp_path: Path) -> None:
    path = tmp_path / "hci"

    async def test() -> None:
        async with air() as here:
            scanner, client = bumble_backend(await here.host())
            adapter: Any = await open_transport(f"unix-server:{path}")
            source, sink = adapter
            Controller("adapter", host_source=source, host_sink=sink, link=here._link)
            async with (
                adapter.server,
                on_transport(f"unix-client:{path}", COUNT, "Bench 1", FIRST) as meter,
                BleakClient(await find(scanner), backend=client) as central,
            ):
                got: asyncio.Queue[bytearray] = asyncio.Queue()
                await central.start_notify(NOTIFY, lambda _, data: got.put_nowait(data))
                await meter.until_subscribed()
                await meter.send(b"\xa5\x01\xfd\x08")
                assert await got.get() == b"\xa5\x01\xfd\x08"

    run(test)


@pytest.mark.parametrize("spec", ["", "no-such:1", "unix-client:/nowhere/hci", "tcp-client:x"])
def test_a_transport_that_cannot_be_opened_is_one_line(spec: str) -> None:
    async def test() -> None:
        with pytest.raises(LinkError, match="cannot be opened as an adapter") as caught:
            async with on_transport(spec, COUNT, "Bench 1", FIRST):
                pass
        assert "\n" not in str(caught.value)

    run(test)


def test_an_adapter_that_does_not_answer_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "hci"
    monkeypatch.setattr("metercap.link.virtual._POWER_ON_S", 0.01)

    async def test() -> None:
        adapter: Any = await open_transport(f"unix-server:{path}")
        async with adapter.server:
            with pytest.raises(LinkError, match=r"the adapter does not start \(no answer\)"):
                async with on_transport(f"unix-client:{path}", COUNT, "Bench 1", FIRST):
                    pass

    run(test)


def test_an_adapter_that_stops_answering_does_not_hold_up_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "hci"
    monkeypatch.setattr("metercap.link.virtual._POWER_OFF_S", 0.01)

    async def test() -> None:
        adapter: Any = await open_transport(f"unix-server:{path}")
        source, sink = adapter
        async with adapter.server:
            controller = Controller("adapter", host_source=source, host_sink=sink)
            async with on_transport(f"unix-client:{path}", COUNT, "Bench 1", FIRST):
                controller.host = None
                for each in controller.advertising_sets.values():
                    each.stop()

    run(test)
