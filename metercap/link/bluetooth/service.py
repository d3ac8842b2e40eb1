"""Turns the coming and going of the Bluetooth service on the system bus into calls.

A link does not learn from its client library that the service died: it goes on saying "connected"
for ever. The bus knows at once, so this module asks the bus. It starts, stops and mends nothing.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from dbus_fast import AuthError, BusType, Message, MessageType
from dbus_fast.aio import MessageBus

if TYPE_CHECKING:
    from collections.abc import Callable

SERVICE = "org.bluez"
RETRY_S = 5.0  # our choice: a bus that restarts is back within a few seconds

_BUS = "org.freedesktop.DBus"
_RULE = (
    f"type='signal',sender='{_BUS}',interface='{_BUS}',member='NameOwnerChanged',arg0='{SERVICE}'"
)


async def watch(changed: Callable[[bool], None], state: Callable[[str], None]) -> None:
    """Call `changed` with whether the service is there, each time that this changes; runs for ever.

    `state` is called with "" once the watch stands, and with one plain line each time that it
    cannot stand; it is then tried again every `RETRY_S`. A lost bus counts as a lost service.
    """
    while True:
        bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            await _subscribe(bus, changed)
            state("")
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            reason = "the system message bus closed the connection"
        except (OSError, EOFError, AuthError) as error:
            reason = str(error) or type(error).__name__
        finally:
            # The library asks for this even after a failed connect: it frees the socket.
            bus.disconnect()
        changed(False)
        state(f"the Bluetooth service is not watched: {' '.join(reason.split())}")
        await asyncio.sleep(RETRY_S)


async def _subscribe(bus: MessageBus, changed: Callable[[bool], None]) -> None:
    await bus.connect()

    def on_message(message: Message) -> None:
        if message.message_type is MessageType.SIGNAL and message.member == "NameOwnerChanged":
            name, _old, new = message.body
            if name == SERVICE:
                changed(bool(new))

    bus.add_message_handler(on_message)
    reply = await bus.call(
        Message(
            destination=_BUS,
            path="/org/freedesktop/DBus",
            interface=_BUS,
            member="AddMatch",
            signature="s",
            body=[_RULE],
        )
    )
    if reply is None or reply.message_type is MessageType.ERROR:
        raise ConnectionRefusedError("the system message bus refused the watch")
