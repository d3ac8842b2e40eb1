"""Turns one Bluetooth adapter into scans and clients, one at a time, each call with a time limit.

Holds what all links of one process share: which back end carries them, the lock that keeps a scan
and a connect apart, and who wants to know that the Bluetooth service left the bus. It keeps no link
up and decodes nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from typing import TYPE_CHECKING, Self, TypeVar

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)

from metercap.errors import LinkError, LinkLost
from metercap.link.bluetooth import mend, service

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Coroutine
    from types import TracebackType
    from typing import Any

    from bleak.backends.client import BaseBleakClient
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

# What the client library lets out when a link or the bus under it fails. The last three come from
# its own assumptions breaking when objects vanish in the middle of a call (seen with bleak 3.1).
FAILURES = (BleakError, TimeoutError, OSError, EOFError, AttributeError, KeyError, AssertionError)

UNWIND_S = 1.0  # our choice: how long a cancelled call may tidy up before it is cancelled again
UNWIND_TIMES = 3  # our choice: after that the call is left alone, and the link goes on without it
WATCH_S = 2.0  # our choice: a local bus answers within milliseconds, or something is wrong with it

_T = TypeVar("_T")

_SWITCH_ON = (
    "the Bluetooth adapter is off: switch it on (bluetoothctl power on, rfkill unblock bluetooth)"
)
_NO_ADAPTER = "no Bluetooth adapter was found: plug one in, or look why the system does not see it"
_NO_SERVICE = "no Bluetooth service on the system bus: start it (systemctl start bluetooth)"
_NO_BUS = "no system message bus to reach Bluetooth through: start D-Bus, or run where it is"
_NO_RIGHT = "this user may not use Bluetooth: add the user to the group bluetooth and log in again"
BUSY = (
    "the Bluetooth adapter is busy with another scan: stop other programs that scan, then try again"
)
_WRONG_BEARER = (
    "the Bluetooth service called the meter over classic Bluetooth: set ControllerMode = le in "
    "/etc/bluetooth/main.conf and restart it"
)
_UNPAIRED = (
    "the meter answers only to a paired adapter: pair them once (bluetoothctl: scan on, then pair "
    "and the meter's address)"
)
_FORGOTTEN = "the Bluetooth service has forgotten the meter, or lost its adapter"

_UNAVAILABLE = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: _NO_ADAPTER,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: (
        "the Bluetooth adapter cannot connect to Low Energy meters: use another adapter"
    ),
    BleakBluetoothNotAvailableReason.POWERED_OFF: _SWITCH_ON,
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: _NO_RIGHT,
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: _NO_RIGHT,
    BleakBluetoothNotAvailableReason.DENIED_BY_UNKNOWN: _NO_RIGHT,
}

# Names from the D-Bus specification ("Message Bus Messages") and from BlueZ's own documentation.
_BUS_ERRORS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": _NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": _NO_RIGHT,
    "org.freedesktop.DBus.Error.NoReply": "the Bluetooth service did not answer: restart it",
    "org.freedesktop.DBus.Error.UnknownObject": _FORGOTTEN,
    "org.freedesktop.DBus.Error.UnknownMethod": _FORGOTTEN,
    "org.bluez.Error.NotReady": _SWITCH_ON,
    "org.bluez.Error.InProgress": BUSY,
}
# Authentication, a longer key, encryption (Bluetooth Core 5.4, Vol 3, Part F, 3.4.1.1), and what
# bluetoothd 5.66 makes of each (seen in tests/vm). By the same name, with other words, it refuses
# reads and writes that the meter does not allow at all.
_PAIRING = (0x05, 0x0C, 0x0F)
_NOT_PAIRED = ("org.bluez.Error.NotPermitted", "Not paired")
# Errors of a bus that tried to start the service itself and could not.
_STARTING = ("org.freedesktop.systemd1.", "org.freedesktop.DBus.Error.Spawn")

# The first that fits counts: TimeoutError and PermissionError are kinds of OSError.
_KINDS: tuple[tuple[type[BaseException], str], ...] = (
    (BleakDeviceNotFoundError, _FORGOTTEN),
    (TimeoutError, "the Bluetooth service did not answer in time"),
    (PermissionError, _NO_RIGHT),
    (OSError, _NO_BUS),
    (EOFError, _NO_BUS),
)


class Radio:
    """One Bluetooth adapter, shared by every link of this process.

    `scanner_backend` and `client_backend` are bleak back-end classes, or None for those of this
    platform. Entered as a context, it watches the Bluetooth service on the system bus (Linux with
    bleak's own back end only): each callable in `gone` is called when the service leaves, each in
    `back` when it comes. Each in `ears` is given every advertisement that any scan of it hears.
    `note` is empty while the watch stands, else one plain line why not. `may_cycle` says whether
    the adapter may be switched off and on where nothing else helps; other programs lose their links
    with it. `standing` holds the links that are up.
    """

    def __init__(
        self,
        scanner_backend: type[BaseBleakScanner] | None = None,
        client_backend: type[BaseBleakClient] | None = None,
        *,
        may_cycle: bool = False,
    ) -> None:
        self.scanner_backend = scanner_backend
        self.client_backend = client_backend
        self.may_cycle = may_cycle
        self.standing: set[object] = set()
        self.lock = asyncio.Lock()
        self.gone: set[Callable[[], None]] = set()
        self.back: set[Callable[[], None]] = set()
        self.ears: set[Callable[[BLEDevice, AdvertisementData], None]] = set()
        self.note = "the Bluetooth service is not watched"
        self._watch: asyncio.Task[None] | None = None

    @property
    def is_platform(self) -> bool:
        """Whether bleak's own back ends for this platform carry the links."""
        return self.scanner_backend is None and self.client_backend is None

    async def __aenter__(self) -> Self:
        if sys.platform == "linux" and self.is_platform:
            told = asyncio.Event()

            def state(note: str) -> None:
                self.note = note
                told.set()

            self._watch = asyncio.create_task(service.watch(self._changed, state))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(WATCH_S):
                    await told.wait()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait({self._watch})
            self._watch = None

    def _changed(self, present: bool) -> None:
        for listener in tuple(self.back if present else self.gone):
            listener()

    @contextlib.asynccontextmanager
    async def _scanning(
        self, on_advertisement: Callable[[BLEDevice, AdvertisementData], None]
    ) -> AsyncIterator[BleakScanner]:
        """Scan for the length of the block.

        Whoever is cancelled while the scan starts waits until it has, and then stops it: the
        library cannot stop one whose start was cut off, and the service would go on scanning for
        it. Cancelled again, it is left so.
        """
        name = await self._find_adapter()
        scanner = BleakScanner(
            on_advertisement,
            bluez={} if name is None else {"adapter": name},
            backend=self.scanner_backend,
        )
        start = asyncio.ensure_future(scanner.start())
        try:
            await asyncio.shield(start)
            yield scanner
        finally:
            if not start.done():
                try:
                    await asyncio.wait({start})
                finally:
                    start.cancel()
            if not start.cancelled() and start.exception() is None:
                await scanner.stop()

    async def _find_adapter(self) -> str | None:
        """Find the adapter that is on; None leaves it to the library, which says so if none is."""
        if not self.can_mend:
            return None
        with contextlib.suppress(*FAILURES, LinkError):
            return await mend.find_adapter()
        return None

    def _hear(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        for ear in tuple(self.ears):
            ear(device, advertisement)

    async def is_service_back(self, seconds: float) -> bool:
        """Wait, but no longer than until the Bluetooth service comes; whether it came."""
        came = asyncio.Event()
        self.back.add(came.set)
        try:
            async with asyncio.timeout(seconds):
                return await came.wait()
        except TimeoutError:
            return False
        finally:
            self.back.discard(came.set)

    async def discover(self, seconds: float) -> list[tuple[BLEDevice, AdvertisementData]]:
        """Listen for `seconds` and hand back each device with its newest advertisement."""
        async with self._scanning(self._hear) as scanner:
            await asyncio.sleep(seconds)
            return list(scanner.discovered_devices_and_advertisement_data.values())

    async def find_device(self, address: str, limit_s: float) -> BLEDevice | None:
        """Listen until `address` advertises; None when it did not within `limit_s`."""
        seen: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()

        def on_advertisement(device: BLEDevice, advertisement: AdvertisementData) -> None:
            self._hear(device, advertisement)
            if device.address.upper() == address.upper() and not seen.done():
                seen.set_result(device)

        async with self._scanning(on_advertisement):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(limit_s):
                    return await seen
        return None

    async def find_connected(self, address: str) -> BLEDevice | None:
        """Find a link to `address` that still stands in the system; it does not advertise."""
        for device in await self.connected():
            if device.address.upper() == address.upper():
                return device
        return None

    async def connected(self) -> list[BLEDevice]:
        """Every device that some program of this machine holds; none on a back end of our own."""
        if not self.is_platform:
            return []
        linked = await mend.find_linked()
        name = await self._find_adapter()
        adapter = await BleakAdapter.get(bluez={} if name is None else {"adapter": name})
        devices = await adapter.get_connected_devices()
        return [device for device in devices if device.address.upper() in linked]

    async def is_linked(self, address: str) -> bool:
        """Whether the service says that a link to `address` stands, be there anything behind it."""
        return self.is_platform and address.upper() in await mend.find_linked()

    @property
    def can_mend(self) -> bool:
        """Whether the Bluetooth service can be asked to forget and to switch."""
        return sys.platform == "linux" and self.is_platform

    async def forget(self, address: str) -> None:
        """Let the service drop all that it holds of a meter; see `mend.forget`."""
        async with self.lock:
            await mend.forget(address)

    async def cycle_power(self) -> None:
        """Switch the adapter off and on, unless a link has come up meanwhile."""
        async with self.lock:
            if not self.standing:
                await mend.cycle_power()

    def client(self, device: BLEDevice, on_lost: Callable[[], None], limit_s: float) -> BleakClient:
        """Make a client for one connection; never use one for a second."""
        return BleakClient(
            device, lambda _: on_lost(), timeout=limit_s, backend=self.client_backend
        )


async def bounded(
    call: Coroutine[Any, Any, _T], limit_s: float, lost: asyncio.Future[str] | None = None
) -> _T:
    """Await `call` for at most `limit_s`, and no longer than until `lost` holds a reason.

    A plain time limit is not enough for this client library: a cancelled call tidies up by calling
    the Bluetooth service once more, which may never answer either. So the call runs as a task of
    its own and is cancelled again until it ends.
    Raises TimeoutError, LinkLost, or whatever `call` raises.
    """
    task = asyncio.ensure_future(call)
    waited: set[asyncio.Future[Any]] = {task, lost} if lost else {task}
    try:
        await asyncio.wait(waited, timeout=limit_s, return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            return task.result()
        # Asked now, because tidying up ends the link as well.
        was_lost = lost is not None and lost.done()
    finally:
        await _unwind(task)
    if lost is not None and was_lost:
        raise LinkLost(lost.result())
    raise TimeoutError


async def _unwind(task: asyncio.Task[_T]) -> None:
    for _ in range(UNWIND_TIMES):
        if task.done():
            break
        task.cancel()
        await asyncio.wait({task}, timeout=UNWIND_S)
    if task.done() and not task.cancelled():
        task.exception()  # looked at, so that nobody is warned about an error nobody waits for


def plain(error: BaseException) -> str:
    """Say in one line what failed and, where a person can do something, what."""
    said = " ".join(str(error).split())
    if isinstance(error, LinkError):
        return said
    if isinstance(error, BleakBluetoothNotAvailableError):
        return _UNAVAILABLE.get(error.reason, f"Bluetooth is not available: {error.args[0]}")
    if isinstance(error, BleakGATTProtocolError):
        refused = f"the meter refused what it was asked (ATT error 0x{error.code:02x})"
        return _UNPAIRED if error.code in _PAIRING else refused
    if isinstance(error, BleakDBusError):
        return _plain_refusal(error, said)
    for kind, line in _KINDS:
        if isinstance(error, kind):
            return line
    return f"the Bluetooth stack failed: {said or type(error).__name__}"


def _plain_refusal(error: BleakDBusError, said: str) -> str:
    if "br-connection-" in (error.dbus_error_details or ""):
        return _WRONG_BEARER
    if (error.dbus_error, error.dbus_error_details) == _NOT_PAIRED:
        return _UNPAIRED
    starting = error.dbus_error.startswith(_STARTING)
    known = _NO_SERVICE if starting else _BUS_ERRORS.get(error.dbus_error)
    return known or f"the Bluetooth service refused: {said}"
