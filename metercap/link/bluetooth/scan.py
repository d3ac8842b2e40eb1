"""Turns a few seconds of listening into the list of what advertises nearby; connects to nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import LinkError
from metercap.link.bluetooth.radio import FAILURES, bounded, plain

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

    from metercap.link.bluetooth.radio import Radio

# Starting and stopping a scan took up to 7 s when the adapter was busy; our choice on top of that.
GRACE_S = 10.0

_NO_RSSI = -127  # what bleak says when the stack gave no strength


class Seen(NamedTuple):
    """One device that advertised.

    `services` are UUID texts in lower case, those it lists and those it sends data under,
    `manufacturers` the company identifiers of its manufacturer data, `rssi` its strength in dBm, or
    None when the stack gave none.
    """

    address: str
    name: str | None
    services: tuple[str, ...]
    manufacturers: tuple[int, ...]
    rssi: int | None


async def scan(radio: Radio, seconds: float) -> list[Seen]:
    """Listen for `seconds`; what was seen, strongest first, then by address.

    Raises LinkError with one plain line that says what a person can do.
    """
    try:
        async with radio.lock:
            found = await bounded(radio.discover(seconds), seconds + GRACE_S)
    except FAILURES as error:
        raise LinkError(plain(error)) from error
    seen = [_seen(device, advertisement) for device, advertisement in found]
    return sorted(seen, key=lambda one: (one.rssi is None, -(one.rssi or 0), one.address))


async def find_held(radio: Radio) -> list[tuple[str, str | None]]:
    """Address and name of what some program of this machine is connected to, by address.

    A meter that is held does not advertise, so no scan hears it. One that a phone holds is found
    by nobody. Raises LinkError as `scan` does.
    """
    try:
        devices = await bounded(radio.connected(), GRACE_S)
    except FAILURES as error:
        raise LinkError(plain(error)) from error
    return sorted((device.address, device.name) for device in devices)


def _seen(device: BLEDevice, advertisement: AdvertisementData) -> Seen:
    named = (*advertisement.service_uuids, *advertisement.service_data)
    return Seen(
        address=device.address,
        name=advertisement.local_name or device.name,
        services=tuple(sorted({uuid.lower() for uuid in named})),
        manufacturers=tuple(sorted(advertisement.manufacturer_data)),
        rssi=None if advertisement.rssi == _NO_RSSI else advertisement.rssi,
    )
