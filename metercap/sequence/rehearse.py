"""A procedure's own examples to what they prove: each is walked, and its verdicts compared.

Readings of an example come four a second, or as seldom as it says, from a meter of 0.9 % and
2 counts; no journal is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from metercap import units
from metercap.model import NS_PER_S, Accuracy, Instant, Reading, Status
from metercap.procedure.description import Example, ExampleEvent, Procedure, Step
from metercap.procedure.net import Fault
from metercap.sequence.effect import Claim, Effect
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Entered,
    Event,
    Linked,
    Measured,
    Observed,
    Restarted,
)
from metercap.sequence.played import Played, Shown, answers_as_asked, read_elsewhere
from metercap.sequence.walk import Walk

_PERSON = "the engineer"
_METER = "meter"
_INTERVAL_NS = NS_PER_S // 4
_PAUSE_NS = NS_PER_S
_ACCURACY = Accuracy(Decimal("0.9"), Decimal(2))
_DIGIT = Decimal("0.01")
_MOST_ASKED = 20_000  # things asked in one house; a procedure has at most 5000 steps


class _Rehearsal:
    def __init__(self, procedure: Procedure, interval_ns: int = _INTERVAL_NS) -> None:
        self._procedure = procedure
        self._walk = Walk(procedure, _PERSON, {_METER: interval_ns})
        self._t_ns = NS_PER_S
        self._seq = 0
        self._given: dict[str, dict[str, str]] = {}
        self.verdicts: dict[str, list[str]] = {}
        self._played: Played | None = None
        self._walk.start()

    @property
    def asked(self) -> str:
        return self._walk.asked.id

    def _when(self, pause_ns: int) -> tuple[Instant, int]:
        self._t_ns += pause_ns
        self._seq += 1
        return Instant(self._t_ns, self._t_ns, "boot", synced=True), self._seq

    def _feed(self, event: Event) -> None:
        self._note(self._walk.feed(event))

    def _note(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, Claim) and self._played is not None:
                self._played.note(effect.body)
            if isinstance(effect, Claim) and effect.body["claim"] in {"attempt", "relation"}:
                name = effect.body.get("step", effect.body.get("relation"))
                self.verdicts.setdefault(str(name), []).append(str(effect.body["verdict"]))

    def play(self, event: ExampleEvent) -> None:
        plays = {
            "acts": self._declare_as_asked,
            "act": self._declare_one,
            "shows": self._show,
            "begin": self._begin,
            "observe": self._observe,
            "enter": self._enter,
            "choose": self._choose,
            "happens": self._happen,
            "house": self._visit,
        }
        for key, play in plays.items():
            if getattr(event, key) is not None:
                play(event)

    def _declare_as_asked(self, _event: ExampleEvent) -> None:
        for _ in self._procedure.act:  # so many at most, however the acts void each other
            if self._walk.asked.what == "act":
                self._declare(self._walk.asked.id, {})

    def _declare_one(self, event: ExampleEvent) -> None:
        self._declare(event.act or "", event.answers)

    def _show(self, event: ExampleEvent) -> None:
        every_ns = _every_ns(event)
        for reading in self._readings(event):
            self._feed(Measured(*self._when(every_ns), event.meter or _METER, reading))

    def _begin(self, event: ExampleEvent) -> None:
        self._feed(Begun(*self._when(_PAUSE_NS), _PERSON, event.begin or ""))

    def _observe(self, event: ExampleEvent) -> None:
        for step, answer in (event.observe or {}).items():
            self._feed(Observed(*self._when(_PAUSE_NS), _PERSON, step, answer))

    def _enter(self, event: ExampleEvent) -> None:
        step = self._procedure.find_step(event.enter or "")
        said = read_elsewhere(step) | event.answers if step else dict(event.answers)
        self._feed(Entered(*self._when(_PAUSE_NS), _PERSON, event.enter or "", said))

    def _choose(self, event: ExampleEvent) -> None:
        self._feed(Chosen(*self._when(_PAUSE_NS), _PERSON, event.choose or ""))

    def _happen(self, event: ExampleEvent) -> None:
        if event.happens == "restart":
            self._feed(Restarted(*self._when(_PAUSE_NS)))
        else:
            self._feed(Linked(*self._when(_PAUSE_NS), _METER, up=False, reason="example"))

    def _visit(self, event: ExampleEvent) -> None:
        """Do whatever is asked, in a house with that fault, until nothing is or a step fails."""
        self._played = Played(self._procedure, event.house or Fault())
        for _ in range(_MOST_ASKED):
            ask = self._walk.asked
            step = self._procedure.find_step(ask.id)
            if ask.what == "act":
                self._declare(ask.id, {})
            elif ask.what == "observe" and step is not None:
                answer = self._played.seen(step)
                self._feed(Observed(*self._when(_PAUSE_NS), _PERSON, ask.id, answer))
            elif ask.what == "measure" and step is not None:
                self._measure(step, self._played)
            else:
                return

    def _measure(self, step: Step, played: Played) -> None:
        for shown in played.shown(step, self._walk.wanted):
            if shown.says_on:
                self._feed(Begun(*self._when(_PAUSE_NS), _PERSON, step.id))
            asked = len(self.verdicts.get(step.id, ()))
            for _ in range(shown.ns // _INTERVAL_NS):
                reading = _played_reading(step, shown)
                self._feed(Measured(*self._when(_INTERVAL_NS), step.meter or _METER, reading))
                if self._walk.asked.id != step.id or len(self.verdicts.get(step.id, ())) > asked:
                    return

    def _declare(self, name: str, answers: dict[str, str]) -> None:
        act = self._procedure.find_act(name)
        whole = answers_as_asked(act, self._given) | answers if act else answers
        self._given[name] = whole
        self._feed(Declared(*self._when(_PAUSE_NS), _PERSON, name, whole))

    def _readings(self, event: ExampleEvent) -> Iterator[Reading]:
        coupling = None if event.mode == "none" else event.mode
        text = event.shows or ""
        top, top_unit = (event.top or "60.00 MOhm").split(" ")
        if text == "overload":
            quantity = _quantity(top_unit)
            reading = Reading(quantity, None, top_unit, Status.OVER, coupling, "", top, _ACCURACY)
        else:
            value, unit = text.split(" ")
            reading = Reading(
                _quantity(unit), value, unit, Status.OK, coupling, "", None, _ACCURACY
            )
        for _ in range(units.parse_duration_ns(event.lasting) // _every_ns(event)):
            yield reading


def _every_ns(event: ExampleEvent) -> int:
    return _INTERVAL_NS if event.every is None else units.parse_duration_ns(event.every)


def _played_reading(step: Step, shown: Shown) -> Reading:
    quantity, ac_dc = step.quantity or "", step.coupling
    if shown.amount is None:
        top = units.parse_amount(step.expect.top)[0] * 10 if step.expect and step.expect.top else 60
        return Reading(
            quantity, None, shown.unit, Status.OVER, ac_dc, "", f"{top:f}", _ACCURACY
        )._replace(channel=step.channel)
    value = f"{shown.amount.quantize(_DIGIT):f}"
    return Reading(quantity, value, shown.unit, Status.OK, ac_dc, "", None, _ACCURACY)._replace(
        channel=step.channel
    )


def _quantity(unit: str) -> str:
    return next(name for name in units.quantities() if units.is_allowed(name, unit))


def rehearse(procedure: Procedure, example: Example) -> list[str]:
    """Walk one example; the answer lists what came out otherwise, one line each."""
    # The meter of an example is as slow as the slowest stretch of it.
    rehearsal = _Rehearsal(procedure, max(map(_every_ns, example.events), default=_INTERVAL_NS))
    for event in example.events:
        rehearsal.play(event)
    problems = []
    for step, wanted in example.gives.items():
        found = rehearsal.verdicts.get(step, [])
        expected = [wanted] if isinstance(wanted, str) else list(wanted)
        if found != expected:
            problems.append(
                f"example {example.title!r}: {step}: found {', '.join(found) or 'no verdict'}, "
                f"expected {', '.join(expected)}"
            )
    if example.all is not None:
        problems += [
            f"example {example.title!r}: {name}: found {found}, expected {example.all}"
            for name in (
                *(step.id for step in procedure.step),
                *(one.id for one in procedure.relation),
            )
            if name not in example.gives
            for found in rehearsal.verdicts.get(name, ["no verdict"])[-1:]
            if found != example.all
        ]
    if example.asks is not None and rehearsal.asked != example.asks:
        problems.append(
            f"example {example.title!r}: found {rehearsal.asked or 'nothing'} asked at the end, "
            f"expected {example.asks}"
        )
    return problems


def check_procedure(own: Procedure, whole: Procedure) -> list[str]:
    """Prove a procedure by its examples; `whole` is `own` joined with what it includes.

    The answer lists what is wrong, one line each: an example that comes out otherwise, an example
    of a step that does not exist, a step of the file's own that no example gives a verdict.
    """
    problems = []
    if (own.step or own.walk) and not own.example:
        problems.append("example: found none, expected at least one")
    known = {step.id for step in whole.step} | {one.id for one in whole.relation}
    shown: set[str] = set()
    for example in own.example:
        strangers = sorted(set(example.gives) - known)
        if strangers:
            problems.append(f"example {example.title!r}: found {strangers[0]!r}, expected a step")
            continue
        problems += rehearse(whole, example)
        shown.update(known if example.all is not None else example.gives)
    own_items = [
        *(("step", step.id) for step in own.step),
        *(("relation", relation.id) for relation in own.relation),
    ]
    problems += [
        f"{kind} {name}: found no example that gives it a verdict"
        for kind, name in own_items
        if own.example and name not in shown
    ]
    return problems
