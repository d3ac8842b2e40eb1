"""Readings over hours to weeks to the log of one step: its means, days, weeks, events and gaps.

Root-mean-square values between marks of the wall clock, and what EN 50160 counts of them in a week.
A mean here is the root of the mean of the squares of *displayed* values. An instrument of class A
(IEC 61000-4-30) measures every cycle and misses none; a hand meter shows a few values a second. So
what comes out is indicative, and every claim says so. Only sums are kept, so memory does not grow
with the readings.

Amounts are whole billionths of the unit of the step's limits, and limits are held against sums of
squares without taking a root: the same entries give the same log on every machine.
"""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal

from metercap import units
from metercap.meter.description import SAMPLED
from metercap.model import NS_PER_S, Accuracy, Instant, Reading, Status
from metercap.procedure.description import Log, Step
from metercap.sequence import budget
from metercap.sequence.attempt import Outcome
from metercap.sequence.effect import Progress, Signal
from metercap.sequence.event import Measured
from metercap.sequence.fit import find_danger, find_unfit
from metercap.sequence.judge import Verdict
from metercap.sequence.settle import limit_of_error
from metercap.sequence.tally import (
    PLACES,
    Band,
    Event,
    Extremes,
    Interval,
    Part,
    band,
    last_digit,
    percent,
    seconds,
    utc_text,
)

DAY_NS = 86_400 * NS_PER_S
WEEK_NS = 7 * DAY_NS
CLOCK_STEP_NS = NS_PER_S // 2  # wall clock against boot clock; less is how a clock is steered
_GAP_NS = 3 * NS_PER_S // 2  # no reading for this long, and for five intervals, leaves a gap
_GAP_INTERVALS = 5
_HYSTERESIS_PERCENT = 2  # an event ends so far inside its threshold (IEC 61000-4-30, from memory)
_MOST_AMOUNTS = 4096  # displayed texts that are remembered; a display in use shows a few hundred
_MOST_EVENTS = 20  # told one by one for each day; more are only counted
INDICATIVE = (
    "indicative: means of the squares of displayed values, not the gapless measurement of a "
    "class A instrument (IEC 61000-4-30)"
)
# The verdict of whoever holds the limits narrowed by U, as they are, and widened by U.
_HOLDING = (Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL)
_BY_VERDICT = (*_HOLDING, Verdict.FAIL)


class LongRun:
    """One log at one step, from "the probes are on" until its time is over or it is ended."""

    def __init__(self, step: Step, log: Log, interval_ns: int) -> None:
        if step.expect is None:
            raise ValueError(f"step {step.id}: log: expected limits")
        self.step = step
        self._log = log
        limits = step.expect.limits()
        self._unit = limits.unit
        self._within = band(limits.low, limits.high)
        always = [self._billionths(text) for text in log.always or ()]
        self._always = Band(*always) if log.always else Band(None, None)
        event = [int(self._billionths(text)) for text in log.event or ()]
        self._usual = (event[0], event[1]) if event else None
        self._gone = -1 if log.gone is None else int(self._billionths(log.gone))
        self._mean_ns = units.parse_duration_ns(log.mean)
        self._planned = units.parse_duration_ns(log.lasting) // self._mean_ns
        self._share = units.parse_amount(log.share)[0]
        self._least = units.parse_amount(log.least)[0]
        self._gap_ns = max(_GAP_NS, _GAP_INTERVALS * interval_ns)
        self._amounts: dict[tuple[str, str], tuple[int, int]] = {}
        self._bands: dict[tuple[Accuracy | None, int], tuple[tuple[Band, ...], ...]] = {}
        self.opened_seq: int | None = None
        self.reports: list[dict[str, object]] = []
        self._now: Instant | None = None
        self._is_unsure = False
        self._interval: Interval | None = None
        self._highest = -1
        self._is_whole = False
        self._event: Event | None = None
        self._reading: Reading | None = None
        self._exponent = 0
        self._day = Part(0)
        self._week = Part(0)
        self._whole = Part(0)
        self._weeks: list[dict[str, object]] = []
        self._verdicts: list[tuple[Verdict, str]] = []
        self._restarts = self._losses = self._clock_steps = 0
        self._low_seen: tuple[int, int] | None = None
        self._high_seen: tuple[int, int] | None = None
        self._last_mean = ""
        self._smooth_ns = 0  # without a break, since the last mark
        self._note = "waiting for the first mark"
        self._danger: str | None = None
        self._lasted_ns = 0
        self._lasting_ns = self._planned * self._mean_ns

    @property
    def is_open(self) -> bool:
        """Whether the person has said that it begins."""
        return self.opened_seq is not None

    def begin(self, _t_ns: int, seq: int) -> str | None:
        """Take "the probes are on"; the answer is None, or why that cannot be."""
        if self.opened_seq is not None:
            return None
        if self._danger is None:
            self.opened_seq = seq
        return self._danger

    def is_aside(self, reading: Reading) -> bool:
        """Whether it is one of a sender's other values, that stand beside the wanted one."""
        return SAMPLED in reading.marks and (
            reading.quantity != self.step.quantity or reading.channel != self.step.channel
        )

    def interrupt(self) -> None:
        """The link ended or began: the log goes on, and the gap shows by itself."""

    def lose_link(self) -> None:
        """Count a link that ended."""
        self._losses += self.is_open

    def restart(self) -> None:
        """Count a restart of the recorder; the log goes on."""
        self._restarts += self.is_open

    def take(self, event: Measured) -> tuple[Progress, Outcome | None]:
        """Take one reading; the outcome is None until the log's time is over."""
        reading = event.reading
        if not event.fresh:
            return self._progress(Signal.LATE, "this frame came late or twice", reading), None
        is_plain = self._is_plain(reading)
        unfit = None if is_plain else find_unfit(self.step, reading)
        self._danger = None if is_plain else find_danger(self.step, reading)
        if unfit is not None:
            return self._progress(*unfit, reading), None
        if self.opened_seq is None:
            note = "put the probes on the points, then say so"
            return self._progress(Signal.PROBES_OFF, note, reading), None
        found = self._amount(reading)
        if found is None:
            note = f"more than {reading.ceiling or 'the range'}"
            return self._progress(Signal.OPEN, note, reading), None
        self._add(event.at, *found, reading)
        if self._whole.length >= self._planned:
            return self._progress(Signal.TAKEN, "", reading), self.finish()
        return self._progress(Signal.LOGGING, self._note, reading), None

    def lapse(self, why: str) -> Outcome:
        """End without a verdict of its own: something else put an end to it."""
        return self.finish(why)

    def finish(self, why: str = "") -> Outcome:
        """End the log here, and judge what it holds; an interval that is not full is left out."""
        self._end_event(open_end=True)
        self._settle_readings()
        self._close_day()
        self._close_week()
        if self._whole.length < self._planned:
            early = f"ended after {self._whole.length} of {self._planned} means"
            why = f"{why}; {early}" if why else early
        worst = max(
            (_BY_VERDICT.index(v) for v, _ in self._verdicts if v in _BY_VERDICT), default=0
        )
        verdict = _BY_VERDICT[worst]
        open_ones = [reason for v, reason in self._verdicts if v is Verdict.UNDECIDED]
        if verdict.holds and (open_ones or not self._verdicts):
            verdict = Verdict.UNDECIDED
            why = why or open_ones[0]
        return Outcome(verdict, why, self._facts())

    # One reading

    def _is_plain(self, reading: Reading) -> bool:
        """Whether nothing at all is to be said of it; a shorter way through `find_unfit`."""
        step = self.step
        return (
            reading.status is Status.OK
            and not reading.marks
            and reading.quantity == step.quantity
            and reading.coupling == step.coupling
            and reading.channel == step.channel
            and units.is_allowed(reading.quantity, reading.unit)
        )

    def _billionths(self, text: str) -> Decimal:
        amount, unit = units.parse_amount(text)
        return units.convert(amount, unit, self._unit).scaleb(PLACES)

    def _amount(self, reading: Reading) -> tuple[int, int] | None:
        """A display as whole billionths, with the exponent of its last digit; None for none."""
        if reading.value is None:
            return None
        key = (reading.value, reading.unit)
        found = self._amounts.get(key)
        if found is None:
            shown = units.convert(Decimal(reading.value), reading.unit, self._unit)
            if not shown.is_finite():
                return None
            digit = units.convert(last_digit(reading.value), reading.unit, self._unit)
            whole = int(shown.scaleb(PLACES).to_integral_value(ROUND_HALF_EVEN))
            found = (whole, digit.adjusted())
            if len(self._amounts) >= _MOST_AMOUNTS:
                self._amounts.clear()
            self._amounts[key] = found
        return found

    def _add(self, at: Instant, amount: int, exponent: int, reading: Reading) -> None:
        passed_ns = self._pass(at)
        index = at.utc_ns // self._mean_ns
        interval = self._interval
        if interval is None:
            self._start(at, index)
            interval = self._interval = Interval(index)
        elif index != interval.index:
            interval = self._turn(interval, index, at, passed_ns)
        elif passed_ns <= self._gap_ns:
            interval.covered_ns += passed_ns
        interval.n += 1
        interval.squares += amount * amount
        self._reading, self._exponent = reading, exponent
        self._lasted_ns += passed_ns
        if self._low_seen is None or amount < self._low_seen[0]:
            self._low_seen = amount, at.utc_ns
        if self._high_seen is None or amount > self._high_seen[0]:
            self._high_seen = amount, at.utc_ns
        if amount < self._gone:
            interval.has_interruption = True
        if self._event is not None or not self._is_usual(amount):
            self._note_event(at, amount, passed_ns)

    def _is_usual(self, amount: int) -> bool:
        return self._usual is None or self._usual[0] <= amount <= self._usual[1]

    def _pass(self, at: Instant) -> int:
        """Time since the reading before."""
        before, self._now = self._now, at
        if before is None:
            return 0
        passed_ns = at.boot_ns - before.boot_ns
        if (
            at.boot == before.boot
            and passed_ns <= self._gap_ns
            and -CLOCK_STEP_NS <= at.utc_ns - before.utc_ns - passed_ns <= CLOCK_STEP_NS
        ):
            self._smooth_ns += passed_ns
            return passed_ns
        passed_ns = self._pass_break(before, at)
        for part in (self._day, self._whole):
            part.elapsed_ns += passed_ns
            if passed_ns > self._gap_ns or at.boot != before.boot:
                part.gaps += 1
                part.gap_ns += passed_ns
                part.longest_gap_ns = max(part.longest_gap_ns, passed_ns)
            else:
                part.covered_ns += passed_ns
        if passed_ns > self._gap_ns:
            self._end_event(open_end=True)
        return passed_ns

    def _pass_break(self, before: Instant, at: Instant) -> int:
        """Time since the reading before: on the boot clock, and across a restart on the wall clock.

        A recorder without a clock of its own that starts anew goes on where it stopped, and learns
        only later how long that was: then the first step of its clock is time that passed.
        """
        if at.boot != before.boot:
            self._is_unsure = not at.synced
            passed_ns = max(0, at.utc_ns - before.utc_ns)
            self._move_clock(passed_ns == 0)
            return passed_ns
        passed_ns = at.boot_ns - before.boot_ns
        moved_ns = at.utc_ns - before.utc_ns - passed_ns
        if abs(moved_ns) <= CLOCK_STEP_NS:
            return passed_ns
        self._clock_steps += 1
        self._move_clock(True)
        was_unsure, self._is_unsure = self._is_unsure, self._is_unsure and not at.synced
        return passed_ns + max(0, moved_ns) if was_unsure else passed_ns

    def _move_clock(self, is_moved: bool) -> None:
        """Spoil the interval in which the clock was moved: it was not as long as its marks say."""
        if self._interval is not None:
            self._interval.is_moved |= is_moved

    # Marks

    def _start(self, at: Instant, index: int) -> None:
        """Begin with the first reading; the first mark after it begins the first whole interval."""
        self._highest = index
        self._day = Part(at.utc_ns)
        self._whole = Part(at.utc_ns)
        self._week = Part((index + 1) * self._mean_ns)

    def _turn(self, old: Interval, index: int, at: Instant, passed_ns: int) -> Interval:
        """Pass one mark or more; the answer is the interval that the reading falls into."""
        new = Interval(index)
        if passed_ns <= self._gap_ns:
            after_ns = min(passed_ns, max(0, at.utc_ns - index * self._mean_ns))
            old.covered_ns += passed_ns - after_ns
            new.covered_ns += after_ns
        self._settle_readings()
        if self._is_whole and old.index > self._highest:
            self._count(old)
        self._highest = max(self._highest, old.index)
        if self._is_whole:
            self._skip(min(index - self._highest - 1, passed_ns // self._mean_ns))
        elif index > old.index:
            self._is_whole = True
            self._week.start_utc_ns = index * self._mean_ns
        if index * self._mean_ns // DAY_NS != old.index * self._mean_ns // DAY_NS:
            self._close_day()
            self._day = Part(index * self._mean_ns)
        self._interval = new
        self._say_how_far()
        return new

    def _count(self, interval: Interval) -> None:
        """Take a full interval into the day, the week and the whole."""
        is_good = (
            interval.covered_ns * 100 >= self._least * self._mean_ns
            and not interval.is_moved
            and not interval.has_interruption
        )
        parts = (self._day, self._week, self._whole)
        if not is_good:
            for part in parts:
                part.flagged += 1
        else:
            n, squares, start = interval.n, interval.squares, interval.index * self._mean_ns
            root = int((Decimal(squares) / n).sqrt().to_integral_value(ROUND_HALF_EVEN))
            within, always = (
                [band.holds(squares, n) for band in bands] for bands in self._guarded()
            )
            self._last_mean = self._text(root, 1)
            for part in parts:
                part.good += 1
                part.means.take((root, start), (root, start))
                for place in range(3):
                    part.within[place] += within[place]
                    part.always[place] += always[place]
        self._look_at_week()

    def _skip(self, marks: int) -> None:
        """Pass marks between which there was no reading at all."""
        for _ in range(min(marks, self._planned - self._whole.length)):
            for part in (self._day, self._week, self._whole):
                part.empty += 1
            self._look_at_week()

    def _look_at_week(self) -> None:
        if self._week.length * self._mean_ns >= WEEK_NS or self._whole.length >= self._planned:
            self._close_week()

    def _guarded(self) -> tuple[tuple[Band, ...], ...]:
        """Both pairs of limits, each narrowed by the meter's doubt, as it is, and widened by it."""
        accuracy = self._reading.accuracy if self._reading is not None else None
        key = (accuracy, self._exponent)
        if key not in self._bands:
            self._bands[key] = tuple(
                self._three(band, accuracy) for band in (self._within, self._always)
            )
        return self._bands[key]

    def _three(self, band: Band, accuracy: Accuracy | None) -> tuple[Band, ...]:
        low, high = (self._doubt(limit, accuracy) for limit in band)
        return band.moved(-low, -high), band, band.moved(low, high)

    def _doubt(self, limit: Decimal | None, accuracy: Accuracy | None) -> Decimal:
        """U (k = 2) of the meter at a limit, in billionths; its scatter is nothing beside that."""
        if limit is None or self.step.rule == "simple":
            return Decimal(0)
        digit = Decimal(1).scaleb(self._exponent + PLACES)
        halves = [limit_of_error(accuracy, limit / digit) * digit]
        amount = limit.scaleb(-PLACES)
        halves += [
            one.half(amount, self._unit).copy_abs().scaleb(PLACES) for one in self.step.influence
        ]
        doubts = [budget.rectangle("", half).doubt for half in halves]
        return 2 * sum((doubt * doubt for doubt in doubts), Decimal(0)).sqrt()

    # Events

    def _note_event(self, at: Instant, amount: int, passed_ns: int) -> None:
        kind = "" if self._is_usual(amount) else self._kind(amount)
        event = self._event
        if event is not None:
            event.lasted_ns += passed_ns
            if not kind and not self._is_over(event, amount):
                return
            if not kind or (event.kind == "above") != (kind == "above"):
                self._end_event(open_end=False)
                event = None
        if not kind:
            return
        if event is None:
            event = self._event = Event(at, kind)
        if kind == "interruption":
            event.kind = kind
        if event.extreme is None or (amount > event.extreme) == (kind == "above"):
            event.extreme = amount

    def _is_over(self, event: Event, amount: int) -> bool:
        """Whether an event has ended: the threshold alone would be passed to and fro by noise."""
        low, high = self._usual or (0, 0)
        if event.kind == "above":
            return amount <= high - high * _HYSTERESIS_PERCENT // 100
        return amount >= low + low * _HYSTERESIS_PERCENT // 100

    def _kind(self, amount: int) -> str:
        if amount < self._gone:
            return "interruption"
        return "above" if self._usual is not None and amount > self._usual[1] else "below"

    def _end_event(self, *, open_end: bool) -> None:
        """Keep an event; with an open end it lasted at least as long as was seen."""
        event, self._event = self._event, None
        if event is None:
            return
        for part in (self._day, self._whole):
            part.events += 1
            part.interruptions += event.kind == "interruption"
        if len(self._day.told) < _MOST_EVENTS:
            row: dict[str, object] = {
                "at": event.at.utc_text,
                "kind": event.kind,
                "extreme": self._text(event.extreme or 0),
                "lasted": seconds(event.lasted_ns),
            }
            self._day.told.append(row | ({"end": "not seen"} if open_end else {}))

    # What is said

    def _settle_readings(self) -> None:
        """Take what has been gathered reading by reading into the day and the whole."""
        for part in (self._day, self._whole):
            part.readings.take(self._low_seen, self._high_seen)
            part.covered_ns += self._smooth_ns
            part.elapsed_ns += self._smooth_ns
        self._low_seen = self._high_seen = None
        self._smooth_ns = 0

    def _say_how_far(self) -> None:
        whole = self._whole
        gaps = f"; {whole.gaps} gap{'s' * (whole.gaps != 1)}" if whole.gaps else ""
        last = f"last mean {self._last_mean} {self._unit}; " if self._last_mean else ""
        self._note = f"{last}{whole.length} of {self._planned} means{gaps}"

    def _text(self, billionths: int, more_digits: int = 0) -> str:
        digit = Decimal(1).scaleb(self._exponent - more_digits)
        amount = Decimal(billionths).scaleb(-PLACES)
        return f"{amount.quantize(digit, rounding=ROUND_HALF_EVEN):f}"

    def _close_day(self) -> None:
        """Report the day that has ended, so that a claim answers for its frames."""
        day = self._day
        if not day.length and day.elapsed_ns < self._mean_ns:
            return  # the reading after the last mark, or the first few before any
        date = datetime.fromtimestamp(day.start_utc_ns // NS_PER_S, UTC).date().isoformat()
        body: dict[str, object] = {"step": self.step.id, "day": date, "unit": self._unit}
        body |= self._counts(day) | {"of": day.length}
        if day.told:
            body["told"] = day.told
        self.reports.append(body | {"caution": INDICATIVE})
        self._day = Part(day.start_utc_ns)

    def _close_week(self) -> None:
        """Judge the week that has ended, or what there is of it."""
        week = self._week
        if not week.length:
            return
        planned = min(WEEK_NS // self._mean_ns, self._planned - self._whole.length + week.length)
        verdict, why = self._judge(week, planned)
        self._verdicts.append((verdict, why))
        row: dict[str, object] = {
            "from": utc_text(week.start_utc_ns),
            "of": planned,
            "means": week.good,
            "flagged": week.flagged,
            "empty": week.empty,
            "verdict": verdict.value,
        }
        if week.good:
            row["within"] = percent(week.within[1], week.good)
            row["always"] = percent(week.always[1], week.good)
            row |= self._extremes("mean", week.means, 1)
        self._weeks.append(row | ({"why": why} if why else {}))
        self._week = Part(week.start_utc_ns + week.length * self._mean_ns)

    def _judge(self, week: Part, planned: int) -> tuple[Verdict, str]:
        """The verdict on a week; where too much of it is missing, only a fault is certain."""
        is_enough = week.good * 100 >= self._least * planned
        missing, n = (0, week.good) if is_enough else (planned - week.good, planned)
        found = (
            verdict
            for verdict, within, always in zip(_HOLDING, week.within, week.always, strict=True)
            if (within + missing) * 100 >= self._share * n and always == week.good
        )
        verdict = next(found, Verdict.FAIL)
        if is_enough or not verdict.holds:
            return verdict, ""
        return Verdict.UNDECIDED, f"{week.good} of {planned} means have enough readings"

    def _counts(self, part: Part) -> dict[str, object]:
        body: dict[str, object] = {
            "means": part.good,
            "flagged": part.flagged,
            "empty": part.empty,
            "covered": percent(part.covered_ns, part.elapsed_ns),
            "gaps": part.gaps,
            "missed": seconds(part.gap_ns),
            "longest-gap": seconds(part.longest_gap_ns),
            "events": part.events,
            "interruptions": part.interruptions,
        }
        body |= self._extremes("mean", part.means, 1)
        return body | self._extremes("reading", part.readings, 0)

    def _extremes(self, what: str, found: Extremes, digits: int) -> dict[str, object]:
        rows = (("least", found.least), ("most", found.most))
        return {
            f"{which}-{what}": {"value": self._text(pair[0], digits), "at": utc_text(pair[1])}
            for which, pair in rows
            if pair is not None
        }

    def _facts(self) -> dict[str, object]:
        whole, limits = self._whole, self._limit_texts()
        reading = self._reading
        accuracy = reading.accuracy if reading else None
        facts: dict[str, object] = {
            "unit": self._unit,
            "limit": limits["within"],
            "rule": self.step.rule,
            "log": {
                "mean": self._log.mean,
                "of": self._planned,
                "share": self._log.share,
                "least": self._log.least,
                "restarts": self._restarts,
                "link-losses": self._losses,
                "clock-steps": self._clock_steps,
                **self._counts(whole),
                **{name: limit for name, limit in limits.items() if name != "within"},
            },
            "weeks": self._weeks,
            "accuracy": f"{accuracy.percent:f} % + {accuracy.counts:f}"
            if accuracy
            else "not stated",
            "caution": INDICATIVE,
            "sentence": self._sentence(),
        }
        if reading is not None:
            facts["function"] = reading.function
            facts |= {SAMPLED: True} if SAMPLED in reading.marks else {}
        return facts

    def _limit_texts(self) -> dict[str, object]:
        def texts(band: Band) -> dict[str, str]:
            named = (("low", band.low), ("high", band.high))
            return {
                name: f"{limit.scaleb(-PLACES):f} {self._unit}"
                for name, limit in named
                if limit is not None
            }

        found: dict[str, object] = {"within": texts(self._within)}
        if self._log.always:
            found["always"] = texts(self._always)
        return found

    def _sentence(self) -> str:
        whole = self._whole
        return (
            f"{whole.good} means of {self._log.mean} of {self._planned}, between marks of the "
            f"recorder's clock in UTC; {whole.flagged} more had readings for less than "
            f"{self._log.least} of their time, an interruption or a step of the clock, and "
            f"{whole.empty} had none: these are not counted as within; readings cover "
            f"{percent(whole.covered_ns, whole.elapsed_ns)} of the time; {INDICATIVE}"
        )

    def _progress(self, signal: Signal, note: str, reading: Reading) -> Progress:
        lasted_ns = min(self._lasted_ns, self._lasting_ns)
        return Progress(self.step.id, signal, note, reading, lasted_ns, self._lasting_ns)
