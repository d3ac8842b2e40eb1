"""Scanning with the real client library against a played Bluetooth service."""

import asyncio

import pytest
from fake_bluez import FakeBluez, private_bus

from metercap.errors import LinkError
from metercap.link.bluetooth import Radio, Seen, scan

SERVICE = "0000ffb0-0000-1000-8000-00805f9b34fb"
NOTIFY = "0000ffb2-0000-1000-8000-00805f9b34fb"
NEAR = "AA:BB:CC:00:00:01"
FAR = "AA:BB:CC:00:00:02"
LISTEN_S = 0.1


def test_a_scan_lists_what_advertises_strongest_first() -> None:
    async def main() -> list[Seen]:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(address=FAR, name="bench b", service=SERVICE, notify=NOTIFY, rssi=-80)
            bluez.meter(
                address=NEAR,
                name="bench a",
                service=SERVICE,
                notify=NOTIFY,
                manufacturer={"65535": "0102"},
                rssi=-50,
            )
            return await scan(radio, LISTEN_S)

    with private_bus():
        seen = asyncio.run(main())
    assert seen == [
        Seen(NEAR, "bench a", (SERVICE,), (0xFFFF,), -50),
        Seen(FAR, "bench b", (SERVICE,), (), -80),
    ]


def test_a_second_scan_still_knows_the_strength_that_the_first_one_ended() -> None:
    async def main() -> list[Seen]:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(address=NEAR, name="bench a", service=SERVICE, notify=NOTIFY, rssi=-50)
            await scan(radio, LISTEN_S)
            assert "RSSI" not in next(
                one["org.bluez.Device1"]
                for one in bluez.objects.values()
                if "org.bluez.Device1" in one
            )
            return await scan(radio, LISTEN_S)

    with private_bus():
        assert [one.rssi for one in asyncio.run(main())] == [-50]


def test_a_scan_whose_stop_is_refused_keeps_what_it_saw() -> None:
    async def main() -> list[Seen]:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(address=NEAR, name="bench a", service=SERVICE, notify=NOTIFY)
            bluez.fault("error", "StopDiscovery", "org.bluez.Error.InProgress", times=1)
            return await scan(radio, LISTEN_S)

    with private_bus():
        assert [one.address for one in asyncio.run(main())] == [NEAR]


async def _refused(bluez: FakeBluez | None) -> str:
    async with Radio() as radio:
        with pytest.raises(LinkError) as caught:
            await scan(radio, LISTEN_S)
    if bluez:
        await bluez.stop()
    return str(caught.value)


def test_an_adapter_that_is_off_is_named_with_what_to_do() -> None:
    async def main() -> str:
        bluez = await FakeBluez().start()
        bluez.power(on=False)
        return await _refused(bluez)

    with private_bus():
        reason = asyncio.run(main())
    assert "adapter is off: switch it on" in reason


def test_an_adapter_that_goes_off_after_the_first_scan_is_named_too() -> None:
    async def main() -> str:
        async with FakeBluez() as bluez, Radio() as radio:
            await scan(radio, LISTEN_S)
            bluez.power(on=False)
            with pytest.raises(LinkError) as caught:
                await scan(radio, LISTEN_S)
            return str(caught.value)

    with private_bus():
        assert "adapter is off: switch it on" in asyncio.run(main())


def test_a_missing_adapter_is_named() -> None:
    async def main() -> str:
        bluez = await FakeBluez().start()
        bluez.adapter(present=False)
        return await _refused(bluez)

    with private_bus():
        assert "no Bluetooth adapter was found" in asyncio.run(main())


def test_a_missing_service_is_named() -> None:
    with private_bus():
        reason = asyncio.run(_refused(None))
    assert "no Bluetooth service on the system bus: start it" in reason


def test_a_missing_bus_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
    assert "no system message bus" in asyncio.run(_refused(None))


def test_a_missing_right_is_named() -> None:
    async def main() -> str:
        bluez = await FakeBluez().start()
        bluez.fault("error", "StartDiscovery", "org.freedesktop.DBus.Error.AccessDenied")
        return await _refused(bluez)

    with private_bus():
        assert "add the user to the group bluetooth" in asyncio.run(main())


def test_an_adapter_busy_with_another_scan_is_named() -> None:
    async def main() -> str:
        bluez = await FakeBluez().start()
        bluez.fault("error", "StartDiscovery", "org.bluez.Error.InProgress")
        return await _refused(bluez)

    with private_bus():
        reason = asyncio.run(main())
    assert "busy with another scan" in reason
    assert "\n" not in reason


def test_a_radio_without_a_bus_says_that_it_cannot_watch(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")

    async def main() -> str:
        async with Radio() as radio:
            return radio.note

    assert asyncio.run(main()).startswith("the Bluetooth service is not watched: ")


def test_a_radio_with_a_bus_watches_without_a_note() -> None:
    async def main() -> str:
        async with Radio() as radio:
            return radio.note

    with private_bus():
        assert not asyncio.run(main())
