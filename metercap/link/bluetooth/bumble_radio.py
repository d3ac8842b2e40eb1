"""A bumble host in, a radio out: what bleak asks of an operating system, done by bumble.

The demo and the tests read a virtual meter through it with bleak's own scanner and client. It
makes no host and ends none, and it is not what runs on a machine with an adapter.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble.att import ATT_Error
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Peer
from bumble.hci import Address, HCI_LE_Create_Connection_Cancel_Command

from metercap.link.bluetooth.radio import Radio

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Coroutine

    from bleak.args import SizedBuffer
    from bleak.assigned_numbers import CharacteristicPropertyName
    from bumble.device import Advertisement, Connection, Device
    from bumble.gatt_client import CharacteristicProxy

_T = TypeVar("_T")

# What an adapter commonly asks for: 244 bytes of payload and L2CAP's header fill one packet of
# LE data length extension (251 bytes, Bluetooth Core 5.4, Vol 6, Part B, 2.4).
_MTU = 247
_DISCONNECT_S = 5.0
# Bit by bit as in the characteristic's declaration (Core 5.4, Vol 3, Part G, 3.3.1.1).
_PROPERTIES: tuple[CharacteristicPropertyName, ...] = (
    "broadcast",
    "read",
    "write-without-response",
    "write",
    "notify",
    "indicate",
    "authenticated-signed-writes",
    "extended-properties",
)
_SERVICE_LISTS = (
    AdvertisingData.Type.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.INCOMPLETE_LIST_OF_32_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.COMPLETE_LIST_OF_32_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
)
_SERVICE_DATA = (
    AdvertisingData.Type.SERVICE_DATA_16_BIT_UUID,
    AdvertisingData.Type.SERVICE_DATA_32_BIT_UUID,
    AdvertisingData.Type.SERVICE_DATA_128_BIT_UUID,
)


def bumble_radio(host: Device) -> Radio:
    """Make a radio that scans and connects through `host`, which must be powered on."""
    scanner, client = bumble_backend(host)
    return Radio(scanner_backend=scanner, client_backend=client)


def bumble_backend(host: Device) -> tuple[type[BaseBleakScanner], type[BaseBleakClient]]:
    """Make the two classes that `BleakScanner` and `BleakClient` take as `backend`."""
    shared = _Host(host)

    class BumbleScanner(_Scanner):
        host = shared

    class BumbleClient(_Client):
        host = shared

    return BumbleScanner, BumbleClient


class _Host:
    """What the scanners and clients of one host share: it scans once and connects one at a time."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.seen: dict[str, Address] = {}
        self._scanners = 0
        self._scan = asyncio.Lock()
        self._connect = asyncio.Lock()

    async def start_scanning(self) -> None:
        async with self._scan:
            if self._scanners == 0:
                await _as_bleak(self.device.start_scanning())
            self._scanners += 1

    async def stop_scanning(self) -> None:
        async with self._scan:
            self._scanners -= 1
            if self._scanners == 0:
                await _as_bleak(self.device.stop_scanning())

    async def connect(self, address: Address) -> Connection:
        """Connect, or when cancelled, call the attempt off so that the next one may be made."""
        async with self._connect:
            attempt = asyncio.create_task(self.device.connect(address, timeout=None))
            try:
                return await asyncio.shield(attempt)
            except asyncio.CancelledError:
                with suppress(BaseBumbleError):
                    await self.device.send_sync_command(HCI_LE_Create_Connection_Cancel_Command())
                # The meter may have answered just before.
                with suppress(BaseBumbleError):
                    await (await attempt).disconnect()
                raise
            except BaseBumbleError as problem:
                raise BleakError(f"cannot connect: {problem}") from problem


class _Scanner(BaseBleakScanner):
    """Turns bumble's advertisements into bleak's."""

    host: ClassVar[_Host]

    def __init__(
        self,
        detection_callback: Callable[[BLEDevice, AdvertisementData], Any] | None,
        service_uuids: list[str] | None,
        scanning_mode: str,
        **_options: Any,
    ) -> None:
        # Every scan is active: bumble joins a meter's two parts by itself.
        del scanning_mode
        super().__init__(detection_callback, service_uuids)
        self._started = False

    async def start(self) -> None:
        self.seen_devices = {}
        self.host.device.on("advertisement", self._on_advertisement)
        try:
            await self.host.start_scanning()
        except BaseException:
            self.host.device.remove_listener("advertisement", self._on_advertisement)
            raise
        self._started = True

    async def stop(self) -> None:
        if self._started:
            self._started = False
            self.host.device.remove_listener("advertisement", self._on_advertisement)
            await self.host.stop_scanning()

    def _on_advertisement(self, heard: Advertisement) -> None:
        data: Any = heard.data  # each kind of part has a type of its own
        if data is None:  # cut off on the air
            return
        # bumble joins advertisement and scan response, which may name a service twice.
        named = (
            _text(uuid) for kind in _SERVICE_LISTS for each in data.get_all(kind) for uuid in each
        )
        services = list(dict.fromkeys(named))
        if not self.is_allowed_uuid(services):
            return
        name = data.get(AdvertisingData.Type.COMPLETE_LOCAL_NAME) or data.get(
            AdvertisingData.Type.SHORTENED_LOCAL_NAME
        )
        address = heard.address.to_string(with_type_qualifier=False)
        self.host.seen[address] = heard.address
        advertisement = AdvertisementData(
            local_name=name,
            manufacturer_data=dict(data.get_all(AdvertisingData.Type.MANUFACTURER_SPECIFIC_DATA)),
            service_data={
                _text(uuid): value for kind in _SERVICE_DATA for uuid, value in data.get_all(kind)
            },
            service_uuids=services,
            tx_power=data.get(AdvertisingData.Type.TX_POWER_LEVEL),
            rssi=heard.rssi,
            platform_data=(heard,),
        )
        device = self.create_or_update_device(address, address, name, heard.address, advertisement)
        self.call_detection_callbacks(device, advertisement)


class _Client(BaseBleakClient):
    """One connection to one meter."""

    host: ClassVar[_Host]

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        *,
        services: set[str] | None = None,
        **options: Any,
    ) -> None:
        super().__init__(address_or_ble_device, **options)
        self._name = getattr(address_or_ble_device, "name", None)
        self._wanted = services
        self._connection: Connection | None = None
        self._requests: set[asyncio.Task[Any]] = set()
        self._subscribers: dict[int, Callable[[bytes], None]] = {}

    @property
    def name(self) -> str:
        return self._name or self.address.replace(":", "-")

    @property
    def mtu_size(self) -> int:
        return self._standing().att_mtu

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **_options: Any) -> None:
        """Connect, agree on a size and learn the GATT table, all within the client's time limit."""
        if self._connection is not None:
            raise BleakError("already connected")
        address = self.host.seen.get(self.address) or Address(self.address)
        async with asyncio.timeout(self._timeout):
            connection = await self.host.connect(address)
            self._connection = connection
            connection.on("disconnection", self._on_disconnection)
            try:
                peer = Peer(connection)
                await self._ask(peer.request_mtu(_MTU))
                await self._ask(peer.discover_all())  # type: ignore[no-untyped-call]
                if pair:
                    await self.pair()
                self.services = self._table(peer)
            except BaseException:
                await self.disconnect()
                raise

    async def disconnect(self) -> None:
        connection = self._connection
        if connection is None:
            return
        try:
            async with asyncio.timeout(_DISCONNECT_S):
                await connection.disconnect()
        except BaseBumbleError:
            pass  # the meter hung up first
        finally:
            if self._connection is connection:
                self._on_disconnection()
            for request in self._requests:
                request.cancel()
            if self._requests:
                await asyncio.wait(self._requests)

    async def pair(self, *_args: Any, **_options: Any) -> None:
        await self._ask(self._standing().pair())

    async def unpair(self) -> None:
        raise BleakError("a bumble host keeps no pairing")

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, **_options: Any
    ) -> bytearray:
        return bytearray(await self._ask(characteristic.obj.read_value()))

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, **_options: Any
    ) -> bytearray:
        return bytearray(await self._ask(descriptor.obj.read_value()))

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
    ) -> None:
        await self._ask(characteristic.obj.write_value(bytes(data), with_response=response))

    async def write_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, data: SizedBuffer
    ) -> None:
        await self._ask(descriptor.obj.write_value(bytes(data), with_response=True))

    async def start_notify(
        self,
        characteristic: BleakGATTCharacteristic,
        callback: Callable[[bytearray], None],
        **_options: Any,
    ) -> None:
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        if proxy.handle in self._subscribers:
            raise BleakError(f"{characteristic.uuid}: notifications are already on")

        def subscriber(value: bytes) -> None:
            callback(bytearray(value))

        self._subscribers[proxy.handle] = subscriber
        try:
            await self._ask(proxy.subscribe(subscriber))
        except BaseException:
            self._subscribers.pop(proxy.handle, None)
            raise

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        subscriber = self._subscribers.pop(proxy.handle, None)
        if subscriber is not None:
            await self._ask(proxy.unsubscribe(subscriber))

    def _standing(self) -> Connection:
        if self._connection is None:
            raise BleakError("not connected")
        return self._connection

    def _on_disconnection(self, _reason: int = 0) -> None:
        self._connection = None
        self.services = None
        self._subscribers.clear()
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def _ask(self, request: Coroutine[Any, Any, _T]) -> _T:
        """Await an ATT request, in bleak's words.

        A request that its caller gives up is let finish: ATT allows one at a time, and the answer
        to an abandoned one must not be taken for the answer to the next.
        """
        if self._connection is None:
            request.close()
            raise BleakError("not connected")
        task = asyncio.create_task(request)
        self._requests.add(task)
        task.add_done_callback(self._on_answer)
        return await _as_bleak(asyncio.shield(task))

    def _on_answer(self, task: asyncio.Task[Any]) -> None:
        self._requests.discard(task)
        if not task.cancelled():
            task.exception()  # an abandoned request's error is nobody's any more

    def _table(self, peer: Peer) -> BleakGATTServiceCollection:
        table = BleakGATTServiceCollection()
        for service in peer.services:
            uuid = _text(service.uuid)
            if self._wanted is not None and uuid not in self._wanted:
                continue
            held = BleakGATTService(service, service.handle, uuid)
            table.add_service(held)
            for each in service.characteristics:
                characteristic = BleakGATTCharacteristic(
                    each,
                    each.handle,
                    _text(each.uuid),
                    [name for bit, name in enumerate(_PROPERTIES) if each.properties >> bit & 1],
                    lambda: self.mtu_size - 3,
                    held,
                )
                table.add_characteristic(characteristic)
                for descriptor in each.descriptors:
                    table.add_descriptor(
                        BleakGATTDescriptor(
                            descriptor, descriptor.handle, _text(descriptor.type), characteristic
                        )
                    )
        return table


def _text(uuid: UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-"))


async def _as_bleak(answer: Awaitable[_T]) -> _T:
    """Await bumble's answer and raise its errors as bleak's own."""
    try:
        return await answer
    except ATT_Error as problem:
        raise BleakGATTProtocolError(problem.error_code) from problem
    except BaseBumbleError as problem:
        raise BleakError(str(problem)) from problem
    except asyncio.CancelledError:
        # bumble cancels a pending request when the connection ends; that is not ours to obey.
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise
        raise BleakError("the connection ended") from None
