"""The real Bluetooth service in a virtual machine: bluetoothd, the kernel, a bumble adapter.

Started by run.sh inside the machine, with the folder that bluez was unpacked into and the names of
the scenarios to run (none: all). The radio is missing, everything above it is what ships.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import traceback
from collections.abc import AsyncIterator
from pathlib import Path

from bumble.att import ATT_Error
from bumble.hci import HCI_LE_Advertising_Report_Event, HCI_Packet, LeFeatureMask
from bumble.transport import open_transport
from fake_bluez import private_bus
from vm.scenarios import DRIVER, NAME, SCENARIOS, play, power, seconds, warm_up

from metercap.link.virtual import Air, VirtualMeter, _Controller

ADDRESS = "F0:00:00:00:00:01"
ADAPTER = "00:11:22:33:44:55"
START_S = 40.0  # software emulation was seen to need 7 to 23 s
ASK_S = 0.1
REFUSED = 0x80  # an application's own error (Bluetooth Core 5.4, Vol 3, Part F, 3.4.1.1)


class Adapter(_Controller):
    """What stands behind /dev/vhci: an adapter with an address of its own, as those on sale have.

    Without one bluetoothd makes up another at each start, and the kernel, still on the old one, has
    no route to any meter. bumble's link names a central by its random address, so both are one.
    """

    random_address = property(
        lambda self: self.public_address,
        lambda _self, _address: None,
    )

    def send_hci_packet(self, packet: HCI_Packet) -> None:
        if isinstance(packet, HCI_LE_Advertising_Report_Event):
            for report in packet.reports:
                if report.event_type == packet.EventType.SCAN_RSP:
                    report.data = self._answer
        super().send_hci_packet(packet)


class Real:
    """The world of the scenarios; see `vm.scenarios.World`."""

    address = ADDRESS

    def __init__(self, meter: VirtualMeter, unpacked: Path) -> None:
        self.meter = meter
        self._program = str(unpacked / "usr/libexec/bluetooth/bluetoothd")
        libraries = [unpacked / "usr/lib/x86_64-linux-gnu", unpacked / "lib/x86_64-linux-gnu"]
        self._environment = {**os.environ, "LD_LIBRARY_PATH": ":".join(map(str, libraries))}
        self._service: asyncio.subprocess.Process | None = None

    async def send(self, data: bytes) -> None:
        await self.meter.send(data)

    async def drop(self) -> None:
        await self.meter.drop()

    async def switch(self, on: bool) -> None:
        await (self.meter.on() if on else self.meter.off())

    async def refuse(self, on: bool) -> None:
        server = self.meter._device.gatt_server
        if on:
            server.write_cccd = _refuse
        else:
            del server.write_cccd

    async def kill_service(self) -> None:
        assert self._service is not None
        self._service.kill()
        await self._service.wait()

    async def start_service(self) -> None:
        self._service = await asyncio.create_subprocess_exec(
            self._program, "-n", env=self._environment, stderr=asyncio.subprocess.DEVNULL
        )
        async with asyncio.timeout(START_S):
            while True:
                with contextlib.suppress(AssertionError):
                    await power(on=True)
                    return
                await asyncio.sleep(ASK_S)


def _refuse(*_: object) -> None:
    raise ATT_Error(REFUSED)


@contextlib.asynccontextmanager
async def real_world(unpacked: Path) -> AsyncIterator[Real]:
    """Give the kernel an adapter, put a meter on its air, and start the service."""
    async with await open_transport("vhci") as (source, sink), Air() as air:
        adapter = Adapter("adapter", source, sink, link=air._link, public_address=ADAPTER)
        # The kernel waits for answers that bumble's controller does not give for these two.
        adapter.le_features &= ~(LeFeatureMask.LL_PRIVACY | LeFeatureMask.LE_EXTENDED_ADVERTISING)
        meter = air.meter(DRIVER, NAME, ADDRESS)
        await meter.on()
        world = Real(meter, unpacked)
        await world.start_service()
        yield world
        await world.kill_service()


async def main(unpacked: Path, names: list[str]) -> int:
    """Play the scenarios one after the other; 0 when all went well."""
    failed = 0
    async with real_world(unpacked) as world:
        await warm_up()
        say(f"# service and adapter ready after {seconds():.0f} s")
        for scenario in SCENARIOS:
            if names and scenario.__name__ not in names:
                continue
            outcome = await play(scenario, world)
            say(outcome.line(scenario))
            if outcome.problem is not None:
                failed += 1
                say("".join(traceback.format_exception(outcome.problem)))
        say(f"# {failed} failed; {seconds():.0f} s since the kernel started")
    return min(failed, 1)


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    with private_bus():
        status = asyncio.run(main(Path(sys.argv[1]), sys.argv[2:]))
    sys.exit(status)
