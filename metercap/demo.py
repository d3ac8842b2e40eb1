"""An invented house with trouble in it, played to the real recorder over a virtual radio link.

It stands in for the engineer, the meter's probes and the passing of time; everything behind the
radio is what a real visit runs. Nothing of it is used outside the demonstration.
"""

from __future__ import annotations

import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple, TypeVar

from cryptography.hazmat.primitives.asymmetric import ec
from rich.console import Console

from metercap.daemon import Daemon, DeclaredMeter
from metercap.device import KEY, Device, enrol, open_device, write_key
from metercap.errors import OperatorError
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.virtual import Air, VirtualMeter
from metercap.meter.description import Driver
from metercap.meter.display import show
from metercap.model import NS_PER_S, Instant, Reading
from metercap.procedure.description import Procedure
from metercap.record import certificate
from metercap.sequence.played import answers_as_asked
from metercap.terminal import Board
from metercap.visit import linked, open_daemon

PROCEDURE = "spur-visit"
DRIVER = "bench-segments"
WHO = "R. Ashdown"
WHERE = "4 Larch Row, Underhill (an invented house)"
_ADDRESS = "F0:F1:F2:F3:F4:01"
_BEGINS_UTC_S = 1_795_600_800  # 2026-11-25T10:00:00Z
_LOG = "demo/recorder"
_FIRM = "DEMO, whose keys are known to all"
_ALWAYS = datetime(2000, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)
_ERROR_US = 20_000  # a clock set over a house's network is right within tens of milliseconds
_INTERVAL_NS = NS_PER_S // 4
_ACT_S = 4  # a person takes this long to do and declare something; a real one takes longer
_RADIO_GONE_S = 4
_SEED = 20261125
_MOST_PATIENCE_S = 20  # what a phase may run over its time before the scenario is held to be wrong


Row = TypeVar("Row")


class Phase(NamedTuple):
    """What the probes do for a while: `what` they are on, the amount there, for how long."""

    what: str
    amount: str = "0"
    seconds: Decimal = Decimal(0)


def _phases(*rows: tuple[str, ...]) -> list[Phase]:
    """Rows of (what, seconds) or (what, amount, seconds)."""
    return [
        Phase(row[0], row[1] if len(row) > 2 else "0", Decimal(row[-1] if len(row) > 1 else 0))  # noqa: PLR2004  the shape of a row
        for row in rows
    ]


LIFT = ("lift", "1.5")
TOUCH = ("touch", "1.5")
ON = ("say on",)

# For each step, what the engineer does at each attempt, in order; the last row serves again.
PROBES: dict[str, list[list[Phase]]] = {
    "leads-nulled": [_phases(("volts left on", "0.2", "3"), LIFT, ("touch", "9"))],
    "earth-continuity-spur": [_phases(LIFT, ("ohms", "0.36", "9"))],
    "earth-continuity-valve": [
        _phases(LIFT, ("ohms", "2.31", "9")),
        _phases(LIFT, ("ohms", "0.43", "9")),
    ],
    "earth-continuity-programmer": [
        _phases(LIFT, ("ohms", "0.51", "3"), ("slip", "0.5"), ("ohms", "0.51", "13")),
        _phases(LIFT, ("ohms", "0.50", "9")),
    ],
    "line-neutral-short": [_phases(LIFT, TOUCH, ON, ("ohms", "184", "12"))],
    "line-earth-resistance": [_phases(LIFT, TOUCH, LIFT, ON, ("lift", "5"))],
    "neutral-earth-resistance": [_phases(LIFT, TOUCH, LIFT, ON, ("lift", "5"))],
    "fuse-continuity": [_phases(LIFT, ("ohms", "0.33", "9"))],
    "line-earth-spur": [_phases(("volts", "0", "1"), ON, ("volts", "243.2", "9"))],
    "line-neutral-spur": [
        _phases(ON, ("volts", "236.0", "3"), ("radio gone",), ("volts", "236.0", "9")),
        _phases(ON, ("volts", "242.9", "9")),
    ],
    "neutral-earth-spur": [
        _phases(ON, ("volts", "7.2", "9")),
        _phases(ON, ("volts", "0.3", "9")),
    ],
    "line-earth-programmer": [_phases(ON, ("volts", "243.0", "9"))],
    "line-neutral-programmer": [_phases(ON, ("volts", "242.7", "9"))],
    "neutral-earth-programmer": [_phases(ON, ("volts", "0.3", "9"))],
}
SEEN: dict[str, list[str]] = {
    "fuse-marking": ["13 A", "3 A"],
    "left-in-order": ["all done"],
}
CHOICES: dict[str, list[str]] = {
    "earth-continuity-valve": ["repaired-dead"],
    "fuse-marking": ["fuse-changed"],
    "neutral-earth-spur": ["mended-after-live-fault"],
}
SAID: dict[str, dict[str, str]] = {
    "permission": {
        "agreed-with": "the householder",
        "sources": "fused spur in the airing cupboard; no immersion, no solar",
    },
    "switched-off": {"point": "fused spur, airing cupboard"},
    "locked-off": {"lock": "lock 3, tagged R.A., testing"},
    "indicator-proved": {"indicator": "indicator 07", "proving-source": "proving unit"},
    "indicator-proved-again": {"indicator": "indicator 07", "proving-source": "proving unit"},
    "energised": {"reason": "polarity cannot be shown dead"},
    "repaired-dead": {"mended": "earth core loose under the valve cover, remade"},
    "fuse-changed": {"mended": "13 A fuse, nobody knew why; 3 A fitted"},
    "mended-after-live-fault": {
        "mended": "neutral loose in the spur's supply terminal, remade with the board locked off"
    },
}


class PlayedClock:
    """A clock that moves only when the play moves it."""

    def __init__(self) -> None:
        self._ns = 0

    def now(self) -> Instant:
        """The instant of the play."""
        return Instant(
            _BEGINS_UTC_S * NS_PER_S + self._ns, 1000 * NS_PER_S + self._ns, "demo", synced=True
        )

    def move(self, ns: int) -> None:
        """Let time pass."""
        self._ns += ns


class Play:
    """The engineer, the probes and the passing of time."""

    def __init__(
        self,
        daemon: Daemon,
        meter: VirtualMeter,
        driver: Driver,
        procedure: Procedure,
        clock: PlayedClock,
        wait: Callable[[int], Awaitable[None]],
    ) -> None:
        self._daemon = daemon
        self._meter = meter
        self._driver = driver
        self._procedure = procedure
        self._clock = clock
        self._wait = wait
        self._noise = random.Random(_SEED)  # noqa: S311  a play, not a secret
        self._turns: dict[str, int] = {}
        self._given: dict[str, dict[str, str]] = {}
        self._resting = Phase("lift")

    async def run(self) -> None:
        """Play until nothing is asked."""
        deeds = {
            "act": self._act,
            "measure": self._measure,
            "observe": self._observe,
            "choose": self._choose,
        }
        while (ask := self._daemon.asked).what != "close":
            await deeds[ask.what](ask.id)
        await self._daemon.close_job("finish")

    def _turn(self, table: Mapping[str, Sequence[Row]], name: str) -> Row:
        """The next row for `name`, or the last once they are used up."""
        turn = self._turns.get(name, 0)
        self._turns[name] = turn + 1
        rows = table[name]
        return rows[min(turn, len(rows) - 1)]

    async def _tell(self, kind: str, **body: object) -> None:
        await self._daemon.tell(kind, {**body, "by": WHO})

    async def _act(self, name: str) -> None:
        for _ in range(_ACT_S):
            await self._second(self._resting)
        act = self._procedure.find_act(name)
        if act is None:
            raise OperatorError(f"demo: act {name!r}: not in the procedure")
        answers = answers_as_asked(act, self._given) | SAID.get(name, {})
        self._given[name] = answers
        await self._tell("act", act=name, answers=answers)

    async def _observe(self, name: str) -> None:
        await self._second(self._resting)
        await self._tell("observe", step=name, answer=self._turn(SEEN, name))

    async def _choose(self, name: str) -> None:
        await self._second(self._resting)
        await self._tell("choose", what=self._turn(CHOICES, name))

    async def _measure(self, name: str) -> None:
        phases = self._turn(PROBES, name)
        for phase in phases:
            await self._play(name, phase)
            if not self._is_measured(name):
                return
        for _ in range(_MOST_PATIENCE_S):
            if not self._is_measured(name):
                return
            await self._second(phases[-1])
        raise OperatorError(f"demo: {name} was not taken, the scenario does not fit the procedure")

    def _is_measured(self, name: str) -> bool:
        ask = self._daemon.asked
        return ask.what == "measure" and ask.id == name

    async def _play(self, name: str, phase: Phase) -> None:
        if phase.what == "say on":
            await self._tell("begin", step=name)
        elif phase.what == "radio gone":
            await self._lose_radio()
        else:
            await self._send(phase, int(phase.seconds * NS_PER_S) // _INTERVAL_NS, name)
        if phase.what != "say on":
            self._resting = Phase("volts" if "volts" in phase.what else "lift")

    async def _second(self, phase: Phase) -> None:
        await self._send(phase, NS_PER_S // _INTERVAL_NS)

    async def _send(self, phase: Phase, count: int, name: str | None = None) -> None:
        """Let the meter send `count` displays; with a step's name, stop once it is taken."""
        for number in range(count):
            self._clock.move(_INTERVAL_NS)
            await self._meter.send_reading(self._display(phase, number))
            await self._wait(_INTERVAL_NS)
            if number % 2 or number == count - 1:
                await self._daemon.flush()
                if name is not None and not self._is_measured(name):
                    return

    def _display(self, phase: Phase, number: int) -> Reading:
        """What the meter shows; a new contact takes a second to come down."""
        amount, jitter = Decimal(phase.amount), self._noise.choice((-1, 0, 0, 0, 1))
        if phase.what in {"volts", "volts left on"}:
            amount = max(Decimal(0), amount + jitter * Decimal("0.1"))
            return show(self._driver, "voltage", "ac", amount, "V")
        if phase.what in {"lift", "slip"}:
            return show(self._driver, "resistance", None, None, "Ohm")
        if phase.what == "touch":
            amount = Decimal("0.28")
        falling = (Decimal("1.9"), Decimal("0.4"), Decimal("0.08"))
        amount += falling[number] if number < len(falling) else jitter * Decimal("0.01")
        return show(self._driver, "resistance", None, amount, "Ohm")

    async def _lose_radio(self) -> None:
        await self._meter.drop()
        self._clock.move(_RADIO_GONE_S * NS_PER_S)
        await self._meter.until_subscribed()
        await self._daemon.flush()


def enrolled(out: Path) -> Device:
    """The recorder of the play, enrolled with a firm whose keys everybody can work out.

    So the same play gives the same record; nobody can trust this root for anything but the play.
    """
    root_key, key = (ec.derive_private_key(number, ec.SECP256R1()) for number in (1, 2))
    root = certificate.make_root(root_key, _FIRM, 1, _ALWAYS)
    request = certificate.make_request(key, _LOG)
    own = certificate.issue(request, certificate.DEVICES, root, root_key, 2, _ALWAYS)
    if not (out / KEY).exists():
        write_key(out / KEY, key)
    return enrol(out, open_device(out, _LOG), own, root)


async def play(
    driver: Driver,
    procedure: Procedure,
    out: Path,
    console: Console,
    wait: Callable[[int], Awaitable[None]],
) -> tuple[int, Board]:
    """Play the visit into a journal under `out`; the number of its job, and what was shown."""
    clock = PlayedClock()
    board = Board(console, procedure)
    declared = DeclaredMeter("meter", _ADDRESS, driver)
    async with (
        Air(interval_ms=20) as air,
        open_daemon(
            out / "journal.sqlite",
            _LOG,
            clock.now,
            board,
            enrolled(out).checkpoint,
            lambda: _ERROR_US,
        ) as daemon,
    ):
        meter = air.meter(driver, "BENCH-SEG 4", _ADDRESS)
        await meter.on()
        job = await daemon.open_job(procedure, [declared], who=WHO, where=WHERE, practice=True)
        with (out / f"job-{job}-capture.jsonl").open("x", encoding="utf-8") as capture:
            async with (
                bumble_radio(await air.host()) as radio,
                linked(daemon, radio, [declared], clock.now, capture),
            ):
                await meter.until_subscribed()
                with board:
                    await Play(daemon, meter, driver, procedure, clock, wait).run()
    return job, board
