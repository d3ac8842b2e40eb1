"""A played house to the frames of a meter in it: for practice and tests, with no radio.

The probes go where the step at hand wants them, by themselves. It sends what a meter of that driver
would send, four times a second where nobody says otherwise; it measures nothing and reads no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

from metercap.meter.decode import build_decoder
from metercap.meter.description import Driver
from metercap.meter.display import show
from metercap.model import Frame, Instant, LinkChange, Reading
from metercap.procedure.description import Limits, Procedure, Step
from metercap.procedure.net import Fault
from metercap.sequence.effect import Ask
from metercap.sequence.played import Played, Shown

ADDRESS = "simulated"
DRIVER = "bench-segments"
_REST = Shown(Decimal(0), "V", 0)


class SimulatedMeter:
    """One meter in one house. Raises DisplayError where its driver has no row for a step."""

    def __init__(
        self,
        driver: Driver,
        name: str,
        procedure: Procedure,
        fault: Fault,
        now: Callable[[], Instant],
    ) -> None:
        self.driver, self._name, self._now = driver, name, now
        self._procedure = procedure
        self.played = Played(procedure, fault)
        self._noted = 0
        self._turn: tuple[Ask, int] | None = None
        self._decoder = build_decoder(driver)
        self._number = 0
        self._step: Step | None = None
        self._plan: list[Shown] = []
        self._since_ns = 0
        self._display = _REST

    def follow(
        self, ask: Ask, limits: Limits | None, claims: Sequence[Mapping[str, object]]
    ) -> None:
        """Do what has been claimed since, and go to the points of what is asked now."""
        for claim in claims[self._noted :]:
            self.played.note(claim)
        self._noted = len(claims)
        turn = (ask, sum(claim["claim"] == "attempt" for claim in claims))
        if turn == self._turn:
            return
        self._turn = turn
        self._step = self._procedure.find_step(ask.id) if ask.what == "measure" else None
        self._plan = [] if self._step is None else self.played.shown(self._step, limits)
        self._since_ns = self._now().boot_ns

    def seen(self, ask: Ask) -> str:
        """What there is to see at an observed step; empty where nothing is to be looked at."""
        step = self._procedure.find_step(ask.id)
        return self.played.seen(step) if step is not None and ask.what == "observe" else ""

    def connect(self) -> LinkChange:
        """The beginning of its one connection."""
        return LinkChange(self._now(), self._name, 1, up=True, reason="a simulated circuit")

    def frame(self) -> Frame:
        """What the meter sends now."""
        self._number += 1
        data = self._decoder.encode(self.reading())
        return Frame(self._now(), self._name, self.driver.link.notify or "", 1, self._number, data)

    def reading(self) -> Reading:
        """What its display shows now."""
        if self._plan:
            passed_ns = self._now().boot_ns - self._since_ns
            while len(self._plan) > 1 and passed_ns >= self._plan[0].ns:
                passed_ns -= self._plan[0].ns
                self._since_ns += self._plan.pop(0).ns
            self._display = self._plan[0]
        step, shown = self._step, self._display
        if step is None or step.quantity is None:
            return show(self.driver, "voltage", "ac", Decimal(0), "V")
        return show(self.driver, step.quantity, step.coupling, shown.amount, shown.unit)
