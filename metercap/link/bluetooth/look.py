"""One short connection to one meter in, its GATT table with what its descriptors say out.

It reads descriptors and no values, subscribes to nothing, writes nothing, and decides nothing.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from metercap.errors import LinkError, LinkLost
from metercap.link.bluetooth.radio import FAILURES, bounded, plain
from metercap.link.bluetooth.session import LIMITS, Limits, connect, disconnect, find_meter
from metercap.meter.found import TELLING, Characteristic, Descriptor

if TYPE_CHECKING:
    from bleak import BleakClient

    from metercap.link.bluetooth.radio import Radio

MOST_CHARACTERISTICS = 256  # our choice: far more than an instrument has, little enough to read


async def look(radio: Radio, address: str, limits: Limits = LIMITS) -> tuple[Characteristic, ...]:
    """Connect, read what the table says of itself, and disconnect.

    Raises LinkError with one plain line that says what a person can do.
    """
    lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    client: BleakClient | None = None
    linked = False

    def lose(reason: str) -> None:
        if not lost.done():
            lost.set_result(reason)

    def on_gone() -> None:
        lose("the Bluetooth service left the system bus")

    def on_dropped() -> None:
        # While connecting, a link comes up and falls several times and the library tries again.
        if linked:
            lose("the meter dropped the link")

    radio.gone.add(on_gone)
    try:
        async with radio.lock:
            device = await find_meter(radio, address, limits, lost)
            client = radio.client(device, on_dropped, 2 * limits.connect_s)
            await connect(client, limits, lost)
            linked = True
        return await _read(client, limits, lost)
    except LinkError as error:
        raise type(error)(f"{address}: {error}") from error
    except FAILURES as error:
        raise LinkError(f"{address}: {plain(error)}") from error
    finally:
        radio.gone.discard(on_gone)
        if client is not None:
            await disconnect(client, limits)


async def _read(
    client: BleakClient, limits: Limits, lost: asyncio.Future[str]
) -> tuple[Characteristic, ...]:
    all_ = [(service.uuid, each) for service in client.services for each in service.characteristics]
    values: dict[int, bytes] = {}
    telling = [
        descriptor
        for _, each in all_[:MOST_CHARACTERISTICS]
        for descriptor in each.descriptors
        if descriptor.uuid.lower() in TELLING
    ]
    for descriptor in telling:
        try:
            read = client.read_gatt_descriptor(descriptor)
            values[descriptor.handle] = bytes(await bounded(read, limits.notify_s, lost))
        except TimeoutError:
            break  # one that does not answer is enough: a person waits
        except LinkLost:
            raise
        except FAILURES:
            continue  # this one may need a right that nobody has here
    return tuple(
        Characteristic(
            service.lower(),
            each.uuid.lower(),
            each.handle,
            tuple(each.properties),
            tuple(
                Descriptor(one.handle, one.uuid.lower(), values.get(one.handle))
                for one in each.descriptors
                if one.uuid.lower() in TELLING
            ),
        )
        for service, each in all_[:MOST_CHARACTERISTICS]
    )
