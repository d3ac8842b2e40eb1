"""Asks the Bluetooth service what it is linked to, to forget a meter, to switch its adapter.

On Linux only. The client library offers none of it. Nothing here decides when: see `ladder`.
"""

from __future__ import annotations

import contextlib
from typing import Any

from dbus_fast import AuthError, BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from metercap.errors import LinkError
from metercap.link.bluetooth.service import SERVICE

_ADAPTER = f"{SERVICE}.Adapter1"
_DEVICE = f"{SERVICE}.Device1"
_PROPERTIES = "org.freedesktop.DBus.Properties"


async def find_linked() -> set[str]:
    """Find the addresses, in capitals, that the service holds a link to, asking it now.

    The client library goes on calling linked what was so when the service died. Empty where the
    service refuses or is not there; raises OSError or EOFError where there is no bus.
    """
    bus = await _connect()
    try:
        with contextlib.suppress(LinkError):
            return {
                interfaces[_DEVICE]["Address"].value.upper()
                for interfaces in (await _objects(bus)).values()
                if _DEVICE in interfaces and interfaces[_DEVICE]["Connected"].value
            }
        return set()
    finally:
        bus.disconnect()


async def find_adapter() -> str | None:
    """Find the first adapter that is on ("hci0"), asking the service now; None where none is.

    The client library goes on choosing one that was there before the service died. Raises as
    `forget` does.
    """
    bus = await _connect()
    try:
        objects = await _objects(bus)
    finally:
        bus.disconnect()
    on = (p for p, held in objects.items() if _ADAPTER in held and held[_ADAPTER]["Powered"].value)
    path = min(on, default=None)
    return None if path is None else path.rsplit("/", 1)[-1]


async def forget(address: str) -> bool:
    """Let the service drop all that it holds of a meter; whether there was anything.

    With it go a link that is none any more and a list of services that is not the meter's. A meter
    that is paired is left alone, for the pairing would go too and only its owner can renew it.
    Raises LinkError where the service refuses, OSError or EOFError where there is no bus.
    """
    bus = await _connect()
    try:
        for path, interfaces in (await _objects(bus)).items():
            device = interfaces.get(_DEVICE)
            if device is None or device["Address"].value.upper() != address.upper():
                continue
            if "Paired" in device and device["Paired"].value:
                continue
            await _call(bus, device["Adapter"].value, _ADAPTER, "RemoveDevice", "o", path)
            return True
        return False
    finally:
        bus.disconnect()


async def cycle_power() -> None:
    """Switch every adapter that is on off, and on again; what is linked through it is lost.

    Raises as `forget` does.
    """
    bus = await _connect()
    try:
        for path, interfaces in (await _objects(bus)).items():
            adapter = interfaces.get(_ADAPTER)
            if adapter is not None and adapter["Powered"].value:
                for on in (False, True):
                    value = Variant("b", on)
                    await _call(bus, path, _PROPERTIES, "Set", "ssv", _ADAPTER, "Powered", value)
    finally:
        bus.disconnect()


async def _connect() -> MessageBus:
    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
    except BaseException as error:
        bus.disconnect()  # the library asks for this even then: it frees the socket
        if isinstance(error, AuthError):
            raise LinkError(f"the system message bus refused: {error}") from error
        raise
    return bus


async def _objects(bus: MessageBus) -> dict[str, dict[str, dict[str, Any]]]:
    manager = "org.freedesktop.DBus.ObjectManager"
    found: dict[str, dict[str, dict[str, Any]]]
    (found,) = await _call(bus, "/", manager, "GetManagedObjects", "")
    return found


async def _call(
    bus: MessageBus, path: str, interface: str, member: str, signature: str, *body: Any
) -> list[Any]:
    reply = await bus.call(
        Message(
            destination=SERVICE,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=list(body),
        )
    )
    if reply is None or reply.message_type is MessageType.ERROR:
        said = (
            "no answer" if reply is None else f"{reply.error_name} {' '.join(map(str, reply.body))}"
        )
        raise LinkError(f"the Bluetooth service refused {member}: {' '.join(said.split())}")
    return list(reply.body)
