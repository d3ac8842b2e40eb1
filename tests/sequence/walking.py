"""A visit in short lines: the walk of a shipped or a written procedure, with time that is told."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from metercap import shelf, units
from metercap.model import NS_PER_S, Accuracy, Instant, Reading, Status
from metercap.procedure.description import join, parse_procedure
from metercap.sequence.effect import Claim, Progress, Signal
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Garbled,
    Limited,
    Linked,
    Measured,
    Observed,
    Restarted,
    TakenOver,
)
from metercap.sequence.played import answers_as_asked
from metercap.sequence.walk import Walk

if TYPE_CHECKING:
    from metercap.procedure.description import Procedure
    from metercap.sequence.effect import Ask, Effect
    from metercap.sequence.event import Event

PERSON = "A. Person"
QUARTER_NS = NS_PER_S // 4
ACCURACY = Accuracy(Decimal("0.9"), Decimal(2))
NOWHERE = Path("/nonexistent")


def library(name: str) -> Procedure:
    """A shipped procedure, joined with what it includes."""
    return shelf.load_procedure(NOWHERE, name)[1]


def written(text: str) -> Procedure:
    """A procedure written down in a test."""
    return join(parse_procedure(text, "test"), {}, "test")


def reading(text: str, mode: str | None = None, **changes: object) -> Reading:
    """A display: "0.28 Ohm", "OL MOhm" (an overload), "-OL V", "-- Ohm" (blank)."""
    shown, unit = text.split(" ")
    quantity = next(name for name in units.quantities() if units.is_allowed(name, unit))
    status = {"OL": Status.OVER, "-OL": Status.UNDER, "--": Status.BLANK}.get(shown, Status.OK)
    value = shown if status is Status.OK else None
    made = Reading(quantity, value, unit, status, mode, "row", "60.00", ACCURACY)
    return made._replace(**changes)  # type: ignore[arg-type]


class Visit:
    """A walk, its clock, and everything that it has said."""

    def __init__(self, procedure: Procedure, interval_ns: int = QUARTER_NS) -> None:
        self.procedure = procedure
        self.walk = Walk(procedure, PERSON, {"meter": interval_ns})
        self.by = PERSON
        self.t_ns = 1000 * NS_PER_S
        self.seq = 0
        self.boot = "boot-a"
        self.given: dict[str, dict[str, str]] = {}
        self.effects: list[Effect] = list(self.walk.start())

    @property
    def asked(self) -> tuple[str, str]:
        ask: Ask = self.walk.asked
        return ask.what, ask.id

    @property
    def claims(self) -> list[dict[str, object]]:
        return [effect.body for effect in self.effects if isinstance(effect, Claim)]

    @property
    def signals(self) -> list[Signal]:
        return [effect.signal for effect in self.effects if isinstance(effect, Progress)]

    @property
    def progress(self) -> Progress:
        return next(e for e in reversed(self.effects) if isinstance(e, Progress))

    def of(self, kind: str) -> list[dict[str, object]]:
        return [body for body in self.claims if body["claim"] == kind]

    def verdicts(self, step: str) -> list[object]:
        return [body["verdict"] for body in self.of("attempt") if body["step"] == step]

    def when(self, pause_ns: int) -> tuple[Instant, int]:
        self.t_ns += pause_ns
        self.seq += 1
        return Instant(10**18 + self.t_ns, self.t_ns, self.boot, synced=True), self.seq

    def feed(self, event: Event) -> list[Effect]:
        effects = self.walk.feed(event)
        self.effects += effects
        return effects

    def wait(self, seconds: float) -> None:
        self.t_ns += int(seconds * NS_PER_S)

    def act(self, name: str, by: str = "", **answers: str) -> list[Effect]:
        act = self.procedure.find_act(name)
        whole = answers_as_asked(act, self.given) if act else {}
        whole |= {field.replace("_", "-"): answer for field, answer in answers.items()}
        self.given[name] = whole
        return self.feed(Declared(*self.when(NS_PER_S), by or self.by, name, whole))

    def acts(self) -> None:
        """Declare whatever act is asked, with accepted answers, until none is."""
        for _ in range(30):
            if self.walk.asked.what != "act":
                return
            self.act(self.walk.asked.id)
        raise AssertionError("the acts come to no end")

    def acts_up_to(self, name: str) -> None:
        while self.asked != ("act", name):
            self.act(self.walk.asked.id)

    def show(
        self, text: str, seconds: float = 0.25, mode: str | None = None, **changes: object
    ) -> None:
        """Hold a display for a while, four readings a second."""
        shown = reading(text, mode, **changes)
        for _ in range(round(seconds * 4)):
            self.feed(Measured(*self.when(QUARTER_NS), "meter", shown))

    def late(self, text: str, seconds: float = 0.25, mode: str | None = None) -> None:
        for _ in range(round(seconds * 4)):
            at, seq = self.when(QUARTER_NS)
            self.feed(Measured(at, seq, "meter", reading(text, mode), fresh=False))

    def garble(self) -> None:
        self.feed(Garbled(*self.when(QUARTER_NS), "meter", "checksum"))

    def link(self, *, up: bool) -> None:
        self.feed(Linked(*self.when(QUARTER_NS), "meter", up, "radio"))

    def begin(self, step: str) -> list[Effect]:
        return self.feed(Begun(*self.when(NS_PER_S), self.by, step))

    def observe(self, step: str, answer: str) -> list[Effect]:
        return self.feed(Observed(*self.when(NS_PER_S), self.by, step, answer))

    def choose(self, what: str) -> list[Effect]:
        return self.feed(Chosen(*self.when(NS_PER_S), self.by, what))

    def limit(self, step: str, reason: str = "no access", agreed: str = "the owner") -> None:
        self.feed(Limited(*self.when(NS_PER_S), self.by, step, reason, agreed))

    def take_over(self, by: str) -> None:
        self.feed(TakenOver(*self.when(NS_PER_S), by))
        self.by = by

    def restart(self, boot: str = "boot-a") -> None:
        self.boot = boot
        self.feed(Restarted(*self.when(NS_PER_S)))

    # Whole stretches of a visit to the spur

    def continuity(self, value: str = "0.35 Ohm") -> None:
        self.show("OL MOhm", 2)
        self.show(value, 7)

    def open_circuit(self, step: str, touch: str = "0.28 Ohm") -> None:
        self.show(touch, 2)
        self.begin(step)
        self.show("OL MOhm", 4)

    def dead_tests(self) -> None:
        """From the leads to the last resistance, whatever of them is asked."""
        while self.walk.asked.what == "measure":
            step = self.walk.asked.id
            if step.startswith("line-earth-spur"):
                return
            found = self.procedure.find_step(step)
            if found is not None and found.start == "contact":
                self.continuity("0.28 Ohm" if step == "leads-nulled" else "0.35 Ohm")
            else:
                self.open_circuit(step)

    def until_live(self) -> None:
        self.acts()
        self.dead_tests()
        self.observe("fuse-marking", "3 A")
        self.acts()

    def live(self, step: str, value: str) -> None:
        self.begin(step)
        self.show(value, 8, "ac")

    def live_tests(self) -> None:
        while self.walk.asked.what == "measure":
            step = self.walk.asked.id
            self.live(step, "0.2 V" if step.startswith("neutral-earth") else "243.1 V")
