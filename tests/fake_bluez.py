"""Plays the Bluetooth service org.bluez on a private message bus, with faults on demand.

Behaves as bluetoothd 5.66 was traced to do (tests/vm): the strength of a device is withdrawn when
scanning stops; a connect gives Connected, then the GATT objects, then ServicesResolved, with UUIDs
when these are new, then the reply; after a drop, and when the adapter goes off, the device and its
GATT objects stay, and are forgotten half a minute later; a drop is told in one signal, an asked-for
disconnect in two; a client that leaves the bus ends its subscriptions; every subscribed bus client
brings one signal for each value; the descriptor 0x2902 is shown, the service 0x1800 is not. It
pairs nothing and plays no radio. The real one takes 2 to 3 s for a disconnect; this one does not.

In one process: `with private_bus(): bluez = await FakeBluez().start()`.
In another: `with private_bus(), BluezProcess() as bluez: bluez.send({"do": "meter", ...})`.
By hand: `python tests/fake_bluez.py`, then one JSON command a line; each is answered by one line.
The commands are the methods of `FakeBluez` named in `COMMANDS`, their arguments the other keys.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

BLUEZ = "org.bluez"
MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
ADAPTER = f"{BLUEZ}.Adapter1"
DEVICE = f"{BLUEZ}.Device1"
SERVICE = f"{BLUEZ}.GattService1"
CHARACTERISTIC = f"{BLUEZ}.GattCharacteristic1"
DESCRIPTOR = f"{BLUEZ}.GattDescriptor1"
HCI = f"/org/bluez/{os.environ.get('FAKE_HCI', 'hci0')}"
BASE = "-0000-1000-8000-00805f9b34fb"
BURST = 100  # a client library that sends some 230 signals unread loses its bus connection
ADVERTISE_S = 0.01
FORGET_S = 29.9  # bluetoothd 5.66, for a device that is not paired
RANDOM = 0xC0  # how a static random address begins (Bluetooth Core 5.4, Vol 6, Part B, 1.3.2.1)
LEAST_PAYLOAD = 20  # bytes of a notification at the smallest ATT_MTU, 23

CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={folder}/bus</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
  </policy>
</busconfig>
"""


@contextlib.contextmanager
def private_bus() -> Iterator[str]:
    """Run a message bus of our own, and name it as the system bus to this process and its children.

    Hands back the address of the bus.
    """
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    with tempfile.TemporaryDirectory() as folder:
        configuration = Path(folder, "bus.conf")
        configuration.write_text(CONFIGURATION.format(folder=folder), encoding="ascii")
        command = ["dbus-daemon", f"--config-file={configuration}", "--nofork", "--print-address=1"]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        ) as daemon:
            assert daemon.stdout is not None
            address = daemon.stdout.readline().strip()  # printed once it listens
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
            try:
                yield address
            finally:
                if before is None:
                    del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
                else:
                    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
                daemon.terminate()


class Meter(NamedTuple):
    """What one advertising meter is: `information` maps 16-bit UUIDs (4 hex digits) to text.

    `descriptors` maps them to the octets of what describes `notify`.
    """

    address: str
    name: str
    service: str
    notify: str
    write: str | None
    start: bytes | None
    information: dict[str, str]
    manufacturer: dict[int, bytes]
    rssi: int
    descriptors: dict[str, bytes]


class Fault(NamedTuple):
    """One thing that goes wrong: `method` is the bus method it strikes, `times` None for always."""

    kind: str
    method: str
    error: str
    text: str
    times: int | None


class FakeBluez:
    """The service; the methods named in `COMMANDS` are commands of the subprocess as well."""

    def __init__(self) -> None:
        self.meters: dict[str, Meter] = {}  # by device path; on the air
        self.objects: dict[str, dict[str, dict[str, Variant]]] = {}
        self.service_data: dict[str, dict[str, Variant]] = {}  # by device path and UUID
        self.scanning: set[str] = set()  # bus names of the clients that scan
        self.subscribed: dict[str, list[str]] = {}  # characteristic path: bus names
        self.written: dict[str, list[bytes]] = {}
        self.calls: list[str] = []
        self.faults: list[Fault] = []
        self.players: dict[str, asyncio.Task[None]] = {}
        self.silenced: set[str] = set()
        self.stale: set[str] = set()  # device paths whose services are another meter's
        self.phantoms: set[str] = set()  # device paths that say connected with no link behind it
        self.deaf = False
        self.sent: dict[str, int] = {}  # by address: values of its player that were due
        self._sent_more = asyncio.Event()
        self.responders: dict[str, Callable[[bytes], bytes]] = {}  # by device path
        self.responses: set[asyncio.Task[None]] = set()
        self.bus = MessageBus(bus_type=BusType.SYSTEM)
        self._called = asyncio.Event()
        self._sent = 0
        self._near_s: dict[str, float] = {}  # by device path: when last heard or connected
        self._advertiser: asyncio.Task[None] | None = None

    async def start(self) -> Self:
        """Connect to the bus, show one powered adapter and take the name org.bluez."""
        await self.bus.connect()
        self.bus.add_message_handler(self._on_message)
        await self._ask_bus("AddMatch", "s", "type='signal',member='NameOwnerChanged'")
        self.adapter(present=True)
        await self.bus.request_name(BLUEZ)
        self._advertiser = asyncio.create_task(self._advertise())
        return self

    async def stop(self) -> None:
        """Leave the bus as a killed service does: without a word to anybody."""
        tasks = {*self.players.values(), *self.responses}
        tasks |= {self._advertiser} if self._advertiser else set()
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        self.bus.disconnect()
        await self.bus.wait_for_disconnect()

    async def __aenter__(self) -> Self:
        return await self.start()

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    # -- commands ----------------------------------------------------------------------------------

    def meter(
        self,
        *,
        address: str,
        name: str,
        service: str,
        notify: str,
        write: str | None = None,
        start: str | None = None,
        information: dict[str, str] | None = None,
        manufacturer: dict[str, str] | None = None,
        rssi: int = -60,
        descriptors: dict[str, str] | None = None,
    ) -> None:
        """Put a meter on the air; it plays only after `start` (hex) was written, if that is given.

        `manufacturer` maps a company identifier in decimal to hex, and `descriptors` the 4 hex
        digits of what describes `notify`.
        """
        self.meters[_path(address)] = Meter(
            address,
            name,
            service.lower(),
            notify.lower(),
            write.lower() if write else None,
            bytes.fromhex(start) if start else None,
            information or {},
            {int(key): bytes.fromhex(value) for key, value in (manufacturer or {}).items()},
            rssi,
            {short: bytes.fromhex(value) for short, value in (descriptors or {}).items()},
        )

    async def notify(self, address: str, hex: str) -> None:  # noqa: A002  the commands' word
        """Send one value to every subscribed client; nothing happens when there is none."""
        path = self._notifying(address)
        if path is None:
            return
        copies = 2 if self._strikes("duplicate") else 1
        for _ in range(copies * len(self.subscribed.get(path, ()))):
            self._change(path, CHARACTERISTIC, Value=Variant("ay", bytes.fromhex(hex)))
        await self._pace()

    def play(self, address: str, every_ms: float, frames: list[str], loop: bool = False) -> None:
        """Send `frames` (hex) one by one while somebody is subscribed; goes on after a drop."""
        if address in self.players:
            self.players[address].cancel()
        self.players[address] = asyncio.create_task(self._play(address, every_ms, frames, loop))

    def answer(self, address: str, answers: dict[str, list[str]]) -> None:
        """Answer lines of text that are written, each with the next of its texts, then the last.

        A line that is no key is not answered. For more than a table, set `responders`.
        """
        left = {query: list(texts) for query, texts in answers.items()}
        buffer = b""

        def respond(data: bytes) -> bytes:
            nonlocal buffer
            *lines, buffer = (buffer + data).split(b"\n")
            texts = [left.get(line.decode(), []) for line in lines]
            said = [some.pop(0) if len(some) > 1 else some[0] for some in texts if some]
            return b"".join(text.encode() + b"\n" for text in said)

        self.responders[_path(address)] = respond

    async def until_sent(self, address: str, count: int, within_s: float = 30.0) -> None:
        """Answer once the player has sent so many more values to somebody who listens."""
        wanted = self.sent.get(address, 0) + count
        async with asyncio.timeout(within_s):
            while self.sent.get(address, 0) < wanted:
                self._sent_more.clear()
                await self._sent_more.wait()

    def spoil(self, address: str) -> None:
        """Let the service hold another meter's services for it, until it is made to forget it."""
        self.stale.add(_path(address))

    def phantom(self, address: str) -> None:
        """Let the service call it connected, with no link behind that, until made to forget it."""
        path = _path(address)
        self.remove(address)
        self._add_device(path, self.meters[path])
        self.phantoms.add(path)
        self._change(path, DEVICE, Connected=Variant("b", True))

    def drop(self, address: str) -> None:
        """Lose the link; the service's objects stay."""
        self._disconnected(_path(address))

    def remove(self, address: str) -> None:
        """Let the service forget the device; it comes back with the next advertisement."""
        path = _path(address)
        self._disconnected(path)
        self._forget_services(path)
        if path in self.objects:
            self._forget(path)

    def vanish(self, address: str) -> None:
        """Switch the meter off: lost and no longer on the air."""
        self.drop(address)
        self.meters.pop(_path(address), None)

    def advertise(self, address: str, uuid: str, hex: str) -> None:  # noqa: A002  as above
        """Advertise these service data from now on."""
        self.service_data.setdefault(_path(address), {})[uuid] = Variant("ay", bytes.fromhex(hex))
        if _path(address) in self.objects and self.scanning:
            self._change(_path(address), DEVICE, ServiceData=self._service_data(_path(address)))

    def _service_data(self, path: str) -> Variant:
        # A copy, so that what was told can be compared with what is.
        return Variant("a{sv}", dict(self.service_data.get(path, {})))

    def silence(self, address: str, on: bool = True) -> None:
        """Keep the link but send nothing, or send again."""
        (self.silenced.add if on else self.silenced.discard)(address)

    def power(self, on: bool) -> None:
        """Switch the adapter on or off."""
        if on:
            self._change(HCI, ADAPTER, Powered=Variant("b", True))
            return
        for path in self._devices():
            self._disconnected(path)
        self.scanning.clear()
        self._change(HCI, ADAPTER, Powered=Variant("b", False), Discovering=Variant("b", False))

    def adapter(self, present: bool) -> None:
        """Plug the adapter in or out."""
        if present:
            self._add(
                HCI,
                ADAPTER,
                Address=Variant("s", "00:11:22:33:44:55"),
                Powered=Variant("b", True),
                Discovering=Variant("b", False),
                Roles=Variant("as", ["central", "peripheral"]),
            )
        else:
            self._forget_all()
            self._signal("/", MANAGER, "InterfacesRemoved", "oas", HCI, list(self.objects.pop(HCI)))

    def fault(
        self,
        kind: str,
        method: str = "Connect",
        error: str = f"{BLUEZ}.Error.Failed",
        text: str = "",
        times: int | None = None,
    ) -> None:
        """Let `kind` happen the next `times` times (None: until `calm`).

        "error": `method` fails with `error` and `text`. "no-reply": `method` is never answered.
        "deaf": like it, but `method` does its work. "abort": Connect comes up and falls at once.
        "unresolved": the services never resolve. "no-services": they resolve to nothing.
        "forgotten": like "abort", and the device is forgotten. "fall": Connect answers, and the
        link falls before the services are there. "duplicate": each value is sent twice. "lost": a
        value of a player is not sent. "deaf-scan": a scan begins and hears nothing.
        """
        self.faults.append(Fault(kind, method, error, text, times))

    def calm(self) -> None:
        """End all faults."""
        self.faults.clear()

    def state(self) -> dict[str, Any]:
        """Tell who is known, connected, subscribed, what was written (hex), which methods came."""
        return {
            "known": [self.objects[p][DEVICE]["Address"].value for p in self._devices()],
            "connected": [m.address for p, m in self.meters.items() if self._is_connected(p)],
            "subscribed": sum(len(senders) for senders in self.subscribed.values()),
            "scanning": len(self.scanning),
            "sent": self.sent,
            "written": {p: [data.hex() for data in all_] for p, all_ in self.written.items()},
            "calls": self.calls,
        }

    async def until_called(self, method: str, times: int = 1) -> None:
        """Wait until clients have called `method` so often; not a command."""
        while self.calls.count(method) < times:
            self._called.clear()
            await self._called.wait()

    # -- the air -----------------------------------------------------------------------------------

    async def _advertise(self) -> None:
        while True:
            now_s = asyncio.get_running_loop().time()
            for path, meter in list(self.meters.items()):
                if not self.scanning or self.deaf:
                    break
                if path not in self.objects:
                    self._add_device(path, meter)
                elif not self._is_connected(path):
                    known = self.objects[path][DEVICE]
                    told = {
                        "ServiceData": self._service_data(path),
                        "ManufacturerData": _manufacturer_data(meter),
                    }
                    new = {name: told[name] for name in told if known.get(name) != told[name]}
                    self._change(path, DEVICE, RSSI=Variant("n", meter.rssi), **new)
                self._near_s[path] = now_s
            for path in self._devices():
                if self._is_connected(path):
                    self._near_s[path] = now_s
                elif now_s - self._near_s[path] > FORGET_S:
                    self.remove(self.objects[path][DEVICE]["Address"].value)
            await self._pace()
            await asyncio.sleep(ADVERTISE_S)

    def _add_device(self, path: str, meter: Meter) -> None:
        self._near_s[path] = asyncio.get_running_loop().time()
        self._add(
            path,
            DEVICE,
            Address=Variant("s", meter.address),
            AddressType=Variant("s", _kind(meter.address)),
            Name=Variant("s", meter.name),
            Alias=Variant("s", meter.name),
            Adapter=Variant("o", HCI),
            UUIDs=Variant("as", [meter.service]),
            RSSI=Variant("n", meter.rssi),
            Paired=Variant("b", False),
            Connected=Variant("b", False),
            ServicesResolved=Variant("b", False),
            ServiceData=self._service_data(path),
            ManufacturerData=_manufacturer_data(meter),
        )

    async def _play(self, address: str, every_ms: float, frames: list[str], loop: bool) -> None:
        sent = 0
        while loop or sent < len(frames):
            await asyncio.sleep(every_ms / 1000)
            if self._notifying(address) and self._is_started(address):
                if not self._strikes("lost"):
                    await self.notify(address, frames[sent % len(frames)])
                sent += 1
                self.sent[address] = self.sent.get(address, 0) + 1
                self._sent_more.set()

    def _is_started(self, address: str) -> bool:
        meter = self.meters.get(_path(address))
        return meter is not None and (
            meter.start is None or meter.start in self.written.get(_path(address), ())
        )

    def _is_connected(self, path: str) -> bool:
        return path in self.objects and self.objects[path][DEVICE]["Connected"].value

    def _notifying(self, address: str) -> str | None:
        """Find the characteristic that sends: connected, subscribed and not silenced."""
        path = _path(address)
        if not self._is_connected(path) or address in self.silenced:
            return None
        uuid = self.meters[path].notify
        for one, interfaces in self.objects.items():
            properties = interfaces.get(CHARACTERISTIC)
            if properties and one.startswith(path) and properties["UUID"].value == uuid:
                return one if self.subscribed.get(one) else None
        return None

    # -- objects -----------------------------------------------------------------------------------

    def _signal(self, path: str, interface: str, member: str, signature: str, *body: Any) -> None:
        self.bus.send(Message.new_signal(path, interface, member, signature, list(body)))
        self._sent += 1

    async def _pace(self) -> None:
        """Let the bus read what was sent, by asking it something, before it becomes too much."""
        if self._sent >= BURST:
            self._sent = 0
            await self._ask_bus("GetId", "")

    async def _ask_bus(self, member: str, signature: str, *body: str) -> None:
        bus = "org.freedesktop.DBus"
        await self.bus.call(
            Message(
                destination=bus,
                path="/org/freedesktop/DBus",
                interface=bus,
                member=member,
                signature=signature,
                body=list(body),
            )
        )

    def _add(self, path: str, interface: str, **properties: Variant) -> None:
        if path not in self.objects:
            self.objects[path] = {interface: properties}
            self._signal(
                "/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", path, {interface: properties}
            )

    def _change(self, path: str, interface: str, **properties: Variant) -> None:
        self.objects[path][interface].update(properties)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", interface, properties, [])

    def _withdraw(self, path: str, interface: str, name: str) -> None:
        if self.objects[path][interface].pop(name, None) is not None:
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", interface, {}, [name])

    def _disconnected(self, path: str, *, asked: bool = False) -> None:
        if not self._is_connected(path):
            return
        self.written.pop(path, None)
        ends = {"ServicesResolved": Variant("b", False)}, {"Connected": Variant("b", False)}
        for properties in ends if asked else ({**ends[0], **ends[1]},):
            self._change(path, DEVICE, **properties)

    def _devices(self) -> list[str]:
        return [path for path, interfaces in self.objects.items() if DEVICE in interfaces]

    def _forget_all(self) -> None:
        for path in self._devices():
            self.remove(self.objects[path][DEVICE]["Address"].value)
        self.scanning.clear()

    def _forget(self, path: str) -> None:
        self.subscribed.pop(path, None)
        self._signal("/", MANAGER, "InterfacesRemoved", "oas", path, list(self.objects.pop(path)))

    def _forget_services(self, path: str) -> None:
        for one in sorted((p for p in self.objects if p.startswith(f"{path}/")), reverse=True):
            self._forget(one)

    def _add_services(self, path: str, meter: Meter) -> None:
        notify = {meter.notify: (["notify", "read"], b"")}
        write = {meter.write: (["write", "write-without-response"], b"")} if meter.write else {}
        facts = {
            f"0000{short}{BASE}": (["read"], text.encode())
            for short, text in meter.information.items()
        }
        changed = {f"00002a05{BASE}": (["indicate"], b"")}
        services = [(f"00001801{BASE}", changed), (meter.service, notify | write)]
        if facts:
            services.append((f"0000180a{BASE}", facts))
        for number, (uuid, characteristics) in enumerate(services):
            service = f"{path}/service{(number + 1) * 0x100:04x}"
            self._add(
                service,
                SERVICE,
                UUID=Variant("s", uuid),
                Primary=Variant("b", True),
                Device=Variant("o", path),
            )
            for place, (uuid_, (flags, value)) in enumerate(characteristics.items()):
                handle = (number + 1) * 0x100 + 1 + 3 * place
                one = f"{service}/char{handle:04x}"
                self._add(
                    one,
                    CHARACTERISTIC,
                    UUID=Variant("s", uuid_),
                    Service=Variant("o", service),
                    Flags=Variant("as", flags),
                    Value=Variant("ay", value),
                    Notifying=Variant("b", False),
                    MTU=Variant("q", 247),
                )
                if {"notify", "indicate"} & set(flags):
                    self._add(
                        f"{one}/desc{handle + 2:04x}",
                        DESCRIPTOR,
                        UUID=Variant("s", f"00002902{BASE}"),
                        Characteristic=Variant("o", one),
                        Value=Variant("ay", b""),
                    )
                told = meter.descriptors if uuid_ == meter.notify else {}
                for index, (short, octets) in enumerate(told.items()):
                    self._add(
                        f"{one}/desc{0x8000 + index:04x}",
                        DESCRIPTOR,
                        UUID=Variant("s", f"0000{short}{BASE}"),
                        Characteristic=Variant("o", one),
                        Value=Variant("ay", octets),
                    )

    # -- the bus -----------------------------------------------------------------------------------

    def _strikes(self, kind: str, method: str | None = None) -> Fault | None:
        """Find a fault of this kind that strikes now, and count it."""
        for place, fault in enumerate(self.faults):
            if fault.kind == kind and method in (None, fault.method):
                if fault.times is not None:
                    left = fault.times - 1
                    self.faults[place : place + 1] = [fault._replace(times=left)] if left else []
                return fault
        return None

    def _on_message(self, message: Message) -> Message | bool | None:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._client_left(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        self.calls.append(message.member)
        self._called.set()
        if message.interface == MANAGER:
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects])
        if self._strikes("no-reply", message.member):
            return True
        method = getattr(self, f"_on_{message.member}", None)
        reply = self._refusal(message) or (method and method(message))
        if method and not reply:
            reply = Message.new_method_return(message)
        return True if self._strikes("deaf", message.member) else reply

    def _refusal(self, message: Message) -> Message | None:
        if message.path not in self.objects:
            unknown = "org.freedesktop.DBus.Error.UnknownObject"
            return Message.new_error(message, unknown, f"no object {message.path}")
        if fault := self._strikes("error", message.member):
            if message.member == "StopDiscovery" and fault.error.endswith("InProgress"):
                self._stop_scanning(message.sender)  # bluetoothd has ended the session by then
            return Message.new_error(message, fault.error, fault.text)
        if message.member != "Set" and not self.objects[HCI][ADAPTER]["Powered"].value:
            return Message.new_error(message, f"{BLUEZ}.Error.NotReady", "Resource Not Ready")
        return None

    def _client_left(self, name: str) -> None:
        self._stop_scanning(name)
        for path in self.subscribed:
            self._unsubscribe(path, name)

    def _unsubscribe(self, path: str, name: str) -> None:
        senders = self.subscribed.get(path, [])
        if name in senders:
            senders.remove(name)
            if not senders:
                self._change(path, CHARACTERISTIC, Notifying=Variant("b", False))

    def _stop_scanning(self, name: str) -> None:
        if name in self.scanning:
            self.scanning.discard(name)
            if not self.scanning:
                for path in self._devices():
                    self._withdraw(path, DEVICE, "RSSI")
                self._change(HCI, ADAPTER, Discovering=Variant("b", False))

    def _on_Set(self, message: Message) -> None:  # noqa: N802  the bus's name
        _interface, name, value = message.body
        assert name == "Powered", name
        self.power(value.value)

    def _on_SetDiscoveryFilter(self, message: Message) -> None:  # noqa: N802  the bus's name
        """Accept any filter; everything on the air is Low Energy."""

    def _on_StartDiscovery(self, message: Message) -> Message | None:  # noqa: N802  the bus's name
        if message.sender in self.scanning:
            return Message.new_error(
                message, f"{BLUEZ}.Error.InProgress", "Operation already in progress"
            )
        self.scanning.add(message.sender)
        self.deaf = self._strikes("deaf-scan") is not None
        self._change(HCI, ADAPTER, Discovering=Variant("b", True))
        return None

    def _on_StopDiscovery(self, message: Message) -> Message | None:  # noqa: N802  the bus's name
        if message.sender not in self.scanning:
            return Message.new_error(message, f"{BLUEZ}.Error.Failed", "No discovery started")
        self._stop_scanning(message.sender)
        return None

    def _on_RemoveDevice(self, message: Message) -> None:  # noqa: N802  the bus's name
        self.stale.discard(message.body[0])
        self.phantoms.discard(message.body[0])
        self.remove(self.objects[message.body[0]][DEVICE]["Address"].value)

    def _on_Connect(self, message: Message) -> Message | bool | None:  # noqa: N802  the bus's name
        path = message.path
        if self._is_connected(path):
            return None
        if path not in self.meters:
            return Message.new_error(message, f"{BLUEZ}.Error.Failed", "le-connection-unknown")
        self._change(path, DEVICE, Connected=Variant("b", True))
        forgets = self._strikes("forgotten")
        if forgets or self._strikes("abort"):
            self.bus.send(
                Message.new_error(message, f"{BLUEZ}.Error.Failed", "le-connection-abort-by-local")
            )
            self._change(path, DEVICE, Connected=Variant("b", False))
            if forgets:
                self.remove(self.meters[path].address)
            return True
        falls = self._strikes("fall")
        if falls:
            asyncio.get_running_loop().call_soon(self._disconnected, path)
        if falls or self._strikes("unresolved"):
            return None
        if path in self.stale:
            self._forget_services(path)
        elif not self._strikes("no-services"):
            self._add_services(path, self.meters[path])
        meter = self.meters[path]
        facts = [f"0000180a{BASE}"] if meter.information else []
        uuids = Variant("as", [f"00001800{BASE}", f"00001801{BASE}", *facts, meter.service])
        is_new = self.objects[path][DEVICE]["UUIDs"] != uuids
        told = {"UUIDs": uuids} if is_new else {}
        self._change(path, DEVICE, **told, ServicesResolved=Variant("b", True))
        return None

    def _on_Disconnect(self, message: Message) -> None:  # noqa: N802  the bus's name
        if message.path not in self.phantoms:
            self._disconnected(message.path, asked=True)

    def _on_StartNotify(self, message: Message) -> Message | None:  # noqa: N802  the bus's name
        if "notify" not in self.objects[message.path][CHARACTERISTIC]["Flags"].value:
            return Message.new_error(
                message, f"{BLUEZ}.Error.NotSupported", "Operation is not supported"
            )
        senders = self.subscribed.setdefault(message.path, [])
        if message.sender not in senders:
            senders.append(message.sender)
            self._change(message.path, CHARACTERISTIC, Notifying=Variant("b", True))
        return None

    def _on_StopNotify(self, message: Message) -> None:  # noqa: N802  the bus's name
        self._unsubscribe(message.path, message.sender)

    def _on_ReadValue(self, message: Message) -> Message:  # noqa: N802  the bus's name
        held = self.objects[message.path]
        kind = CHARACTERISTIC if CHARACTERISTIC in held else DESCRIPTOR
        value = held[kind]["Value"].value
        self._change(message.path, kind, Value=Variant("ay", value))
        return Message.new_method_return(message, "ay", [value])

    def _on_WriteValue(self, message: Message) -> None:  # noqa: N802  the bus's name
        device = "/".join(message.path.split("/")[:5])
        data = bytes(message.body[0])
        self.written.setdefault(device, []).append(data)
        if device in self.responders and (answer := self.responders[device](data)):
            task = asyncio.create_task(self._respond(device, answer))
            self.responses.add(task)
            task.add_done_callback(self.responses.discard)

    async def _respond(self, device: str, answer: bytes) -> None:
        """Send an answer in the parts that the smallest link cuts it into."""
        address = self.meters[device].address
        for start in range(0, len(answer), LEAST_PAYLOAD):
            await self.notify(address, answer[start : start + LEAST_PAYLOAD].hex())


COMMANDS = {
    "adapter",
    "advertise",
    "answer",
    "calm",
    "drop",
    "fault",
    "meter",
    "notify",
    "phantom",
    "play",
    "power",
    "remove",
    "silence",
    "spoil",
    "state",
    "until_sent",
    "vanish",
}


def _manufacturer_data(meter: Meter) -> Variant:
    each = {key: Variant("ay", data) for key, data in meter.manufacturer.items()}
    return Variant("a{qv}", each)


def _kind(address: str) -> str:
    return "random" if int(address[:2], 16) >= RANDOM else "public"


def _path(address: str) -> str:
    return f"{HCI}/dev_{address.upper().replace(':', '_')}"


async def obey(bluez: FakeBluez, line: str) -> dict[str, Any]:
    """Do one JSON command; {"ok": true, ...} or {"ok": false, "error": ...}."""
    try:
        arguments = json.loads(line)
        command = arguments.pop("do")
        if command not in COMMANDS:
            return {"ok": False, "error": f"{command!r} is none of {', '.join(sorted(COMMANDS))}"}
        result = getattr(bluez, command)(**arguments)
        if asyncio.iscoroutine(result):
            result = await result
    except (ValueError, TypeError, KeyError, TimeoutError) as error:
        return {"ok": False, "error": f"{type(error).__name__}: {error}"}
    return {"ok": True, **(result if isinstance(result, dict) else {})}


async def main() -> None:
    """Obey standard input until it ends."""
    reader = asyncio.StreamReader(limit=1 << 24)
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), sys.stdin
    )
    async with FakeBluez() as bluez:
        sys.stdout.write('{"ok": true, "ready": true}\n')
        sys.stdout.flush()
        while line := await reader.readline():
            sys.stdout.write(json.dumps(await obey(bluez, line.decode())) + "\n")
            sys.stdout.flush()


class BluezProcess:
    """The service in a process of its own, so that it can be killed; needs `private_bus`."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self._setup: list[dict[str, Any]] = []

    def start(self, hci: str = "hci0") -> Self:
        """Start it, wait until it is on the bus, and repeat the meters and players of before."""
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "FAKE_HCI": hci},
        )
        self._answer()
        for command in self._setup:
            self._ask(command)
        return self

    def send(self, command: dict[str, Any]) -> dict[str, Any]:
        """Give one command; its answer. Raises RuntimeError when it was not obeyed."""
        if command["do"] in ("answer", "meter", "play"):
            self._setup.append(command)
        return self._ask(command)

    def kill(self) -> None:
        """Kill it as the kernel does when memory runs out; `start` brings it back."""
        assert self._process is not None
        self._process.kill()
        self.close()

    def close(self) -> None:
        """End it, if it runs."""
        if self._process is not None:
            with self._process as process:
                assert process.stdin is not None
                process.stdin.close()
            self._process = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.close()

    def _ask(self, command: dict[str, Any]) -> dict[str, Any]:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()
        return self._answer()

    def _answer(self) -> dict[str, Any]:
        assert self._process is not None
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        answer: dict[str, Any] = json.loads(line) if line else {"ok": False, "error": "it ended"}
        if not answer["ok"]:
            raise RuntimeError(answer["error"])
        return answer


if __name__ == "__main__":
    asyncio.run(main())
