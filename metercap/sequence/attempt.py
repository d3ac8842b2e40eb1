"""Readings of one measured step to one attempt: what counts, what interrupts, what it ends with.

It knows one step and no order; the walk hands it readings and takes the outcome.
"""

from __future__ import annotations

from collections import deque
from decimal import Decimal
from typing import NamedTuple

from metercap import units
from metercap.meter.description import LOW_INPUT, SAMPLED
from metercap.model import NS_PER_S, Reading, Status
from metercap.procedure.description import Limits, Step
from metercap.sequence import judge
from metercap.sequence.budget import COVERAGE, Estimate, doubt_text
from metercap.sequence.effect import Progress, Signal
from metercap.sequence.event import Measured
from metercap.sequence.fit import find_danger, find_unfit
from metercap.sequence.judge import Verdict
from metercap.sequence.settle import Settled, Terms, Window, seconds
from metercap.sequence.wired import Against

_RANGING_NS = NS_PER_S  # after a change of range, readings are still on their way
_BOUNCE_SPAN_NS = 3 * NS_PER_S  # two breaks within this time lock the step out for as long
_BOUNCE_CHANGES = 2
_CONTACT_LOST_NS = 3 * NS_PER_S  # an open circuit as long as this ends the attempt
_GAP_NS = 3 * NS_PER_S // 2  # no reading for this long, and for five intervals, is an interruption
_GAP_INTERVALS = 5
_LEAST_NEGATIVE_COUNTS = -2  # below this the leads were nulled wrongly
_SHAPES = {
    "normal": "normal assumed",
    "rectangle": "a rectangle dominates, so that this covers more than 95 %",
}


class Outcome(NamedTuple):
    """How an attempt ended. `facts` are what the claim about it says, as JSON values."""

    verdict: Verdict
    why: str
    facts: dict[str, object]
    estimate: Estimate | None = None
    settled: Settled | None = None
    asks_low: bool = False


def _counts_of(shown: str) -> tuple[int, int]:
    """Displayed digits as a whole number of the last digit, and that digit's power of ten."""
    whole, _, decimals = shown.partition(".")
    return int(whole + decimals), -len(decimals)


class Attempt:
    """One try at one measured step, from the first reading that counts to its outcome."""

    def __init__(
        self,
        step: Step,
        interval_ns: int,
        limits: Limits | None,
        null: Estimate | None,
        *,
        against: Against | None = None,
        input_mode: str | None = None,
        not_before_ns: int = 0,
    ) -> None:
        """`against` is what the circuit wants, at `input_mode`, and no sooner than then."""
        self.step = step
        self._against = against
        self._input_mode = input_mode
        self._not_before_ns = not_before_ns
        top = step.expect.top if step.expect else None
        self._wanted_top = None if top is None else units.parse_amount(top)
        self.limits = limits
        self._null = null
        self._dwell_ns = units.parse_duration_ns(step.dwell)
        self._time_out_ns = units.parse_duration_ns(step.time_out)
        self._gap_ns = max(_GAP_NS, _GAP_INTERVALS * interval_ns)
        self._terms = Terms(
            window_ns=units.parse_duration_ns(step.settle.window),
            slowest_ns=units.parse_duration_ns(step.settle.slowest),
            dwell_ns=self._dwell_ns,
            interval_ns=interval_ns,
        )
        self._window = Window(self._terms)
        self._touch = None if step.touch is None else units.parse_amount(step.touch)
        self.opened_seq: int | None = None
        self._opened_ns = 0
        self._begun = False
        self._touched = step.touch is None
        self._lifted = False
        self._last_ns: int | None = None
        self._last: Reading | None = None
        self._changes: deque[int] = deque()
        self._locked_until_ns = 0
        self._ranging_until_ns = 0
        self._open_since_ns: int | None = None
        self._open_first_seq = 0
        self.breaks = 0
        self._danger: str | None = None

    @property
    def is_open(self) -> bool:
        """Whether a reading has counted yet."""
        return self.opened_seq is not None

    def begin(self, t_ns: int, seq: int) -> str | None:
        """Take "the probes are on"; the answer is None, or why that cannot be yet."""
        if self.step.start != "begin":
            return "this step opens by contact, expected the probes alone"
        if not self._touched:
            return f"touch the probes together first, below {self.step.touch}"
        if self._danger is not None:
            return self._danger
        if not self._begun:
            self._begun = True
            self._open(t_ns, seq)
        return None

    def is_aside(self, reading: Reading) -> bool:
        """Whether it is one of a sender's other values, that stand beside the wanted one.

        A sender has no switch: it says all that it measures, one packet this and the next that.
        """
        return (
            SAMPLED in reading.marks
            and self._last is not None
            and (reading.quantity, reading.channel) != (self.step.quantity, self.step.channel)
        )

    def interrupt(self) -> None:
        """The link ended or began: what has been gathered no longer counts towards dwell."""
        self._window.clear()
        self._open_since_ns = None
        self._last_ns = None

    def take(self, event: Measured) -> tuple[Progress, Outcome | None]:
        """Take one reading; the outcome is None until the attempt has ended."""
        t_ns, reading = event.at.boot_ns, event.reading
        if not event.fresh:
            return self._progress(Signal.LATE, "this frame came late or twice", reading), None
        if self._last_ns is not None and t_ns - self._last_ns > self._gap_ns:
            self.interrupt()
        self._last_ns = t_ns
        self._danger = find_danger(self.step, reading)
        signal, note = self._sort(t_ns, reading)
        if self._danger is not None and signal in {Signal.WRONG_FUNCTION, Signal.FROZEN}:
            note = f"{note}. {self._danger}"
        if signal is not None:
            self._window.clear()
            if signal is not Signal.OPEN:
                self._open_since_ns = None
            return self._progress(signal, note, reading), self._tire(t_ns, signal)
        if t_ns < self._not_before_ns:
            self._window.clear()
            left = seconds((self._not_before_ns - t_ns) // NS_PER_S * NS_PER_S)
            return self._progress(Signal.TRAVELLING, f"{left} s until it counts", reading), None
        if self.opened_seq is None:
            waiting = self._wait(t_ns, event.seq)
            if waiting is not None:
                return self._progress(*waiting, reading), None
        if self._wanted_top is not None and reading.status is Status.OVER:
            return self._take_overload(event, *self._wanted_top)
        return self._take_number(event)

    def lapse(self, why: str) -> Outcome:
        """End without a verdict: something else put an end to it."""
        return Outcome(Verdict.UNDECIDED, why, {})

    def _open(self, t_ns: int, seq: int) -> None:
        self.opened_seq, self._opened_ns = seq, t_ns

    def _sort(self, t_ns: int, reading: Reading) -> tuple[Signal | None, str]:
        """The signal that keeps this reading from counting, or None."""
        unfit = self._find_wrong_input(reading) or find_unfit(self.step, reading)
        if unfit is not None:
            if unfit[0] is Signal.WRONG_FUNCTION:
                self._last = None
            return unfit
        self._note_changes(t_ns, reading)
        if reading.status is Status.OVER:
            self._lifted = True
        if self._is_touching(reading):
            self._touched = True
        if t_ns < self._locked_until_ns:
            return Signal.BOUNCE, "the contact breaks; press and stand still"
        if t_ns < self._ranging_until_ns:
            return Signal.RANGING, "the range has just changed"
        if reading.status is Status.OVER and self._wanted_top is None:
            return Signal.OPEN, f"more than {reading.ceiling or 'the range'}"
        return None, ""

    def _find_wrong_input(self, reading: Reading) -> tuple[Signal, str] | None:
        """Whether it says that it is not at the input impedance at which it must be read."""
        if self._input_mode != "high" or LOW_INPUT not in reading.marks:
            return None
        why = self._against.why_not_low if self._against else ""
        wrong = "the meter is at low input impedance, this step wants high."
        return Signal.WRONG_FUNCTION, f"{wrong} {why}".rstrip()

    def _note_changes(self, t_ns: int, reading: Reading) -> None:
        last, self._last = self._last, reading
        if last is None:
            return
        if (last.status is Status.OVER) != (reading.status is Status.OVER):
            if reading.status is Status.OVER and self.is_open:
                self.breaks += 1
            self._changes.append(t_ns)
            while self._changes[0] <= t_ns - _BOUNCE_SPAN_NS:
                self._changes.popleft()
            # One touch is one change; only what breaks after it has been made is a bounce.
            if self.is_open and len(self._changes) >= _BOUNCE_CHANGES:
                self._locked_until_ns = t_ns + _BOUNCE_SPAN_NS
        elif last.function != reading.function:
            self._ranging_until_ns = t_ns + _RANGING_NS

    def _is_touching(self, reading: Reading) -> bool:
        if self._touch is None or reading.value is None:
            return False
        amount, unit = self._touch
        return abs(units.convert(Decimal(reading.value), reading.unit, unit)) < amount

    def _wait(self, t_ns: int, seq: int) -> tuple[Signal, str] | None:
        """Open the attempt if this reading may, or say what is waited for."""
        if self.step.start == "contact" and self._lifted:
            self._open(t_ns, seq)
            return None
        if not self._touched:
            return Signal.TOUCH_FIRST, f"touch the probes together, below {self.step.touch}"
        if self.step.start == "contact":
            return Signal.PROBES_OFF, "lift the probes, then put them on the points"
        return Signal.PROBES_OFF, "put the probes on the points, then say so"

    def _tire(self, t_ns: int, signal: Signal) -> Outcome | None:
        """End an attempt that has lost its contact, or takes too long."""
        if not self.is_open:
            return None
        if signal is Signal.OPEN:
            if self._open_since_ns is None:
                self._open_since_ns = t_ns
            if t_ns - self._open_since_ns >= _CONTACT_LOST_NS:
                return self.lapse("contact was lost before it settled")
        if t_ns - self._opened_ns > self._time_out_ns:
            return self.lapse(f"did not stand still within {self.step.time_out}{self._too_short()}")
        return None

    def _too_short(self) -> str:
        if not self._terms.is_too_short:
            return ""
        pace = seconds(self._terms.interval_ns)
        return f": the meter sends every {pace} s, too seldom for {self.step.settle.window}"

    def _take_overload(
        self, event: Measured, wanted: Decimal, unit: str
    ) -> tuple[Progress, Outcome | None]:
        """An overload where an overload is wanted, on a range that ends at `wanted` or above."""
        t_ns, reading, top = event.at.boot_ns, event.reading, event.reading.ceiling
        self._window.clear()
        if top is None or units.convert(Decimal(top), reading.unit, unit) < wanted:
            self._open_since_ns = None
            ends = "an unknown value" if top is None else f"{top} {reading.unit}"
            note = f"this range ends at {ends}, this step wants {wanted} {unit}"
            signal = Signal.LOW_RANGE
            return self._progress(signal, note, reading), self._tire(t_ns, signal)
        if self._open_since_ns is None:
            self._open_since_ns, self._open_first_seq = t_ns, event.seq
        held_ns = t_ns - self._open_since_ns
        if held_ns < self._dwell_ns:
            progress = self._progress(Signal.STEADY, "", reading, held_ns)
            return progress, self._tire(t_ns, Signal.STEADY)
        facts: dict[str, object] = {
            "value": f">{top}",
            "unit": reading.unit,
            "limit": {"overload": f"{wanted} {unit}"},
            "window": {"from": self._open_first_seq, "to": event.seq},
            "sentence": (
                f"more than {top} {reading.unit} without a break for {seconds(held_ns)} s"
            ),
        }
        outcome = Outcome(Verdict.PASS, "", facts | self._instrument(reading))
        return self._progress(Signal.TAKEN, "", reading, held_ns), outcome

    def _take_number(self, event: Measured) -> tuple[Progress, Outcome | None]:
        t_ns, reading = event.at.boot_ns, event.reading
        self._open_since_ns = None
        try:
            counts, exponent = _counts_of(reading.value or "0")
        except ValueError:
            return self._progress(Signal.NO_VALUE, "the display is no number", reading), None
        stand = self._window.add(t_ns, event.seq, counts, exponent, reading.accuracy)
        if stand.settled is None:
            signal = Signal.STEADY if stand.held_ns else Signal.SETTLING
            progress = self._progress(signal, "", reading, stand.held_ns)
            return progress, self._tire(t_ns, signal)
        progress = self._progress(Signal.TAKEN, "", reading, stand.held_ns)
        return progress, self._judge(stand.settled, reading)

    def _judge(self, settled: Settled, reading: Reading) -> Outcome:
        shared = f"{self.step.meter or ''} {reading.quantity} {reading.coupling} {reading.function}"
        estimate = judge.estimate(settled, reading.unit, self._null, shared, self.step.influence)
        facts: dict[str, object] = {
            "value": estimate.value_text,
            "unit": reading.unit,
            "standard": doubt_text(estimate.doubt),
            "freedom": estimate.freedom_text,
            "k": f"{estimate.factor:f}",
            "shape": estimate.shape,
            "expanded": estimate.expanded_text,
            "readings": settled.n,
            "window": {"from": settled.first_seq, "to": settled.last_seq},
            "sentence": self._sentence(settled, estimate),
        } | self._instrument(reading)
        if self._null is not None:
            facts["null"] = self._null.in_unit(reading.unit).value_text
            if estimate.value < _LEAST_NEGATIVE_COUNTS * Decimal(1).scaleb(settled.exponent):
                why = f"{estimate.value_text} {reading.unit} is below zero: null the leads again"
                return Outcome(Verdict.UNDECIDED, why, facts)
        if self.limits is None:
            wanted = " ".join(map(str, self._wanted_top or ()))
            facts["limit"] = {"overload": wanted}
            why = f"a value was read where more than {wanted} is wanted"
            return Outcome(Verdict.FAIL, why, facts, estimate, settled)
        low, high = (
            None if limit is None else units.convert(limit, self.limits.unit, reading.unit)
            for limit in (self.limits.low, self.limits.high)
        )
        guard = estimate.expanded if self.step.rule == "guarded" else Decimal(0)
        verdict = judge.verdict(estimate.value, guard, low, high)
        doubt = estimate.expanded / COVERAGE
        facts["probability"] = f"{judge.conformance(estimate.value, doubt, low, high):f}"
        facts["rule"] = self.step.rule
        facts["limit"] = {
            name: f"{limit:f} {self.limits.unit}"
            for name, limit in (("low", self.limits.low), ("high", self.limits.high))
            if limit is not None
        }
        why = ""
        if self._against is not None:
            facts["circuit"] = self._against.facts
            if self._against.asks_low and high is not None and estimate.value > high:
                why = self._against.why_not_low
                if not why:
                    why = "may be a ghost: repeat at low input impedance"
                    return Outcome(Verdict.UNDECIDED, why, facts, estimate, settled, asks_low=True)
        return Outcome(verdict, why, facts, estimate, settled)

    def _sentence(self, settled: Settled, estimate: Estimate) -> str:
        """The auditor's sentence: what was seen, and what it rules out."""
        scale = Decimal(1).scaleb(settled.exponent)
        tail = (settled.tail * scale).quantize(scale / 10).normalize()
        stated = "" if settled.accuracy else "; the meter's accuracy is not stated"
        if self._last is not None and SAMPLED in self._last.marks:
            stated += "; samples between these may have been lost"
        return (
            f"{settled.n} readings in {seconds(self._terms.window_ns)} s; the means of the two "
            f"halves agreed within {settled.difference:.2f} of the last digit (allowed "
            f"{settled.allowed:.2f}) and went on so for {seconds(self._dwell_ns)} s, so that any "
            f"tail faster than {seconds(self._terms.slowest_ns)} s was below {tail:f} "
            f"{estimate.unit}; u = {doubt_text(estimate.doubt)} {estimate.unit} with "
            f"{estimate.freedom_text} degrees of freedom, U = {estimate.expanded_text} "
            f"{estimate.unit}, k = {estimate.factor:f}, {_SHAPES[estimate.shape]}{stated}"
        )

    def _instrument(self, reading: Reading) -> dict[str, object]:
        accuracy = reading.accuracy
        stated = f"{accuracy.percent:f} % + {accuracy.counts:f}" if accuracy else "not stated"
        facts = {"function": reading.function, "accuracy": stated, "breaks": self.breaks}
        return facts | ({SAMPLED: True} if SAMPLED in reading.marks else {})

    def _progress(self, signal: Signal, note: str, reading: Reading, held_ns: int = 0) -> Progress:
        held_ns = min(held_ns, self._dwell_ns) if held_ns else 0
        return Progress(self.step.id, signal, note, reading, held_ns, self._dwell_ns)
