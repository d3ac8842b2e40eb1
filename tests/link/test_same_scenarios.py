"""The scenarios of tests/vm against the played Bluetooth service, to keep it honest.

`bash tests/vm/run.sh` plays the very same ones against the real service.
"""

from __future__ import annotations

import asyncio

import pytest
from fake_bluez import BluezProcess, private_bus
from vm.scenarios import DRIVER, NAME, SCENARIOS, Scenario, play, warm_up

from metercap.link.bluetooth import LIMITS

ADDRESS = "F0:00:00:00:00:01"
SERVICE = DRIVER.match.service
# The played service answers at once and its meters advertise every 10 ms.
PROMPT = LIMITS._replace(scan_s=0.8, backoff_first_s=0.05, backoff_most_s=0.2)


class Played:
    """The world of the scenarios, played in a process that can be killed."""

    address = ADDRESS

    def __init__(self, bluez: BluezProcess) -> None:
        self._bluez = bluez
        self._meter = {
            "do": "meter",
            "address": ADDRESS,
            "name": NAME,
            "service": SERVICE,
            "notify": DRIVER.link.notify,
            "write": DRIVER.link.write,
        }
        bluez.send(self._meter)

    async def send(self, data: bytes) -> None:
        self._bluez.send({"do": "notify", "address": ADDRESS, "hex": data.hex()})

    async def drop(self) -> None:
        self._bluez.send({"do": "drop", "address": ADDRESS})

    async def switch(self, on: bool) -> None:
        if on:
            self._bluez.send(self._meter)
            return
        self._bluez._setup.clear()  # off it stays when the service is started again
        if self._bluez._process is not None:
            self._bluez.send({"do": "vanish", "address": ADDRESS})

    async def refuse(self, on: bool) -> None:
        text = "Operation failed with ATT error: 0x80"
        fault = {"do": "fault", "kind": "error", "method": "StartNotify", "text": text}
        self._bluez.send(fault if on else {"do": "calm"})

    async def kill_service(self) -> None:
        self._bluez.kill()

    async def start_service(self) -> None:
        self._bluez.start()


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.__name__)
def test_the_played_service_behaves_as_the_real_one(scenario: Scenario) -> None:
    async def main() -> None:
        with BluezProcess() as bluez:
            await warm_up()
            outcome = await play(scenario, Played(bluez), PROMPT)
        if outcome.problem is not None:
            raise outcome.problem

    with private_bus():
        asyncio.run(main())
