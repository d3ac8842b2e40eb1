"""Events in, effects out: which step is asked, what it waits for, what stands and what is void.

A state machine without a clock: time is what the events carry. An act or a passed step *stands*
until something voids it, and whatever is needed but does not stand is asked first; so a void leads
back to the act by itself, and nothing is reached without its gates. It reads no meter and writes
no journal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from typing import NamedTuple

from metercap import units
from metercap.errors import ProcedureError
from metercap.model import NS_PER_S, Instant, Reading, Status
from metercap.procedure.circuit import InputMode
from metercap.procedure.description import (
    Act,
    Guard,
    Limits,
    Procedure,
    Question,
    Relation,
    Step,
    needs_of,
)
from metercap.procedure.net import build_net
from metercap.procedure.rule import find_act
from metercap.procedure.states import ClassAt
from metercap.sequence import relation as rules
from metercap.sequence.attempt import Attempt, Outcome
from metercap.sequence.budget import Estimate
from metercap.sequence.effect import Ask, Claim, Effect, Progress, Signal
from metercap.sequence.entered import find_problem, judge_entered
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Entered,
    Event,
    Garbled,
    Limited,
    Linked,
    Measured,
    Observed,
    Restarted,
    TakenOver,
)
from metercap.sequence.judge import Verdict
from metercap.sequence.long_run import LongRun
from metercap.sequence.wired import Against, Wired

AGAIN = "again"
FINISH_LOG = "finish the log"
ENDINGS = {"finish": "finished", "abandon": "abandoned"}
_FAILING = frozenset({Verdict.FAIL, Verdict.CONDITIONAL_FAIL})
_OPEN = frozenset({Verdict.UNDECIDED, Verdict.NOT_TESTED})
_NEVER_NS = 1 << 63
ONLY_METER = "meter"
_SUPPLY_DIGIT = Decimal("0.01")  # of a volt: far finer than any limit drawn from it
_DEFAULT_INTERVAL_NS = NS_PER_S // 4
_EARLY = "not asked now"


class _Standing(NamedTuple):
    """A declared act or a passed step, while it holds."""

    at: Instant
    answers: Mapping[str, str]


class Walk:
    """One procedure, walked by one person at a time."""

    def __init__(
        self, procedure: Procedure, by: str, intervals_ns: Mapping[str, int] | None = None
    ) -> None:
        """`intervals_ns`: how often each meter sends; the first counts where a step names none."""
        self._procedure = procedure
        self._by = by
        self._intervals_ns = dict(intervals_ns or {ONLY_METER: _DEFAULT_INTERVAL_NS})
        self._first_meter = next(iter(self._intervals_ns))
        self._acts = {act.id: act for act in procedure.act}
        self._steps = {step.id: step for step in procedure.step}
        self._standing: dict[str, _Standing] = {}
        self._outcomes: dict[str, Outcome] = {}
        self._counts: dict[str, int] = {}
        self._passed_over: set[str] = set()
        self._limited: dict[str, str] = {}
        self._answers: dict[str, Mapping[str, str]] = {}
        self._relations = {relation.id: relation for relation in procedure.relation}
        self._related: dict[str, Verdict] = {}
        self._stopped: str | None = None
        self._aim: str | None = None
        self._attempt: Attempt | LongRun | None = None
        self._at_hand = ""
        circuit = procedure.circuit
        self._supplies = circuit.supply if circuit else {}
        wiring = circuit.wiring if circuit else None
        self._wired = Wired(build_net(wiring)) if wiring else None
        self._input: InputMode = "high"
        self._lows = {
            act.walk: act.id for act in procedure.act if act.input == "low" and act.walk is not None
        }
        self._ghosts: dict[str, Decimal] = {}  # by step, the volts that its second reading tests
        self.ending: str | None = None
        self._at = Instant(0, 0, "", synced=False)
        self._seq = 0
        self._out: list[Effect] = []
        self._has_claimed = False
        self._expires_ns = 0
        self._asked: Ask | None = None
        self._lives_ns = {
            act.id: units.parse_duration_ns(act.stands) for act in procedure.act if act.stands
        }
        for step in procedure.step:
            self._prove_rule(step)
        self._guards = [(guard, *units.parse_amount(guard.above)) for guard in procedure.guard]
        self._take: dict[type, Callable[..., None]] = {
            Measured: self._measured,
            Garbled: self._garbled,
            Linked: self._linked,
            Declared: self._declared,
            Begun: self._begun,
            Observed: self._observed,
            Entered: self._entered,
            Chosen: self._chosen,
            Limited: self._limit,
            TakenOver: self._taken_over,
            Restarted: self._restarted,
        }

    @property
    def asked(self) -> Ask:
        """What the walk waits for now."""
        return self._task()

    @property
    def wanted(self) -> Limits | None:
        """What the measured step at hand is held against; None where an overload is wanted."""
        return self._attempt.limits if isinstance(self._attempt, Attempt) else None

    @property
    def operator(self) -> str:
        """The person at work."""
        return self._by

    def start(self) -> list[Effect]:
        """What is asked before anything has happened."""
        self._out = []
        self._announce()
        return self._out

    def feed(self, event: Event) -> list[Effect]:
        """Take one event; the effects come in order, the next thing asked last."""
        self._out = []
        if self.ending is not None:
            return self._out
        last, self._at, self._seq = self._at, event.at, event.seq
        self._has_claimed = False
        if event.at.boot_ns > self._expires_ns or event.at.boot != last.boot:
            self._expire()
        self._take[type(event)](event)
        if self._has_claimed:
            self._announce()  # whatever changes what is asked is claimed
            self._expires_ns = self._next_expiry_ns()  # and so is whatever begins to stand
        return self._out

    # What is asked

    def _first_unmet(self, item: Act | Step) -> Act | Step | None:
        """The first thing that `item` needs, however deep, and that does not stand."""
        found: Act | Step | None = None
        while True:
            unmet = self._unmet(found or item)
            if not unmet:
                return found
            found = unmet[0]

    def _unmet(self, item: Act | Step) -> list[Act | Step]:
        """What `item` itself needs and what does not stand."""
        names = [name for name in self._needs_now(item) if name not in self._standing]
        return [self._acts.get(name) or self._steps[name] for name in names]

    def _needs_now(self, item: Act | Step) -> tuple[str, ...]:
        """What `item` needs: where a ghost is to be told from a feed, the meter's low input."""
        names = needs_of(item)
        if item.id not in self._ghosts or item.walk not in self._lows:
            return names
        low = self._lows[item.walk]
        return tuple(low if self._is_high_input(name) else name for name in names)

    def _is_high_input(self, name: str) -> bool:
        act = self._acts.get(name)
        return act is not None and act.input == "high"

    def _is_out_of_reach(self, item: Act | Step) -> bool:
        """Whether it waits for a step that has been given up."""
        waiting, seen = self._unmet(item), set[str]()
        while waiting:
            need = waiting.pop()
            if need.id in self._passed_over or need.id in self._limited:
                return True
            if need.id not in seen:
                seen.add(need.id)
                waiting += self._unmet(need)
        return False

    def _task(self) -> Ask:
        if self.ending is not None:
            return Ask("close", "")
        if self._stopped is not None:
            repairs = (act.id for act in self._procedure.act if self._stopped in act.offered_after)
            return Ask("choose", self._stopped, (AGAIN, *repairs))
        aim = [self._acts[self._aim]] if self._aim else []
        for item in (*aim, *self._wanted()):
            if item.id in self._standing or item.id in self._passed_over:
                continue
            if item.id not in self._limited and not self._is_out_of_reach(item):
                return self._ask(self._first_unmet(item) or item)
        return Ask("close", "")

    def _wanted(self) -> Iterable[Act | Step]:
        """What the procedure is for: its steps, or its acts where it has no steps."""
        if self._procedure.step:
            return self._procedure.step
        return [act for act in self._procedure.act if not act.offered_after]

    def _ask(self, item: Act | Step) -> Ask:
        if isinstance(item, Act):
            return Ask("act", item.id)
        if item.is_observed:
            return Ask("observe", item.id, item.answers)
        if item.entered is not None:
            return Ask("enter", item.id)
        return Ask("measure", item.id, (FINISH_LOG,) if item.log else ())

    def _announce(self) -> None:
        """Say what is asked, if that has changed, and make ready for its readings."""
        ask = self._task()
        attempt = self._attempt
        if attempt is not None and (ask.what, ask.id) != ("measure", attempt.step.id):
            if attempt.is_open:
                self._end(attempt.lapse("something that it needs no longer stands"))
                ask = self._task()
            self._attempt = None
        if ask.what == "measure" and self._attempt is None:
            step = self._steps[ask.id]
            interval_ns = self._intervals_ns.get(self._meter_of(step), _DEFAULT_INTERVAL_NS)
            self._attempt = self._try(step, interval_ns)
            self._at_hand = self._meter_of(step)
        if ask != self._asked:
            self._asked = ask
            self._out.append(ask)

    def _try(self, step: Step, interval_ns: int) -> Attempt | LongRun:
        if step.log is not None:
            return LongRun(step, step.log, interval_ns)
        against = self._against(step)
        return Attempt(
            step,
            interval_ns,
            against.limits if against else self._limits(step),
            self._null(step.subtract),
            against=against,
            input_mode=self._input if against else step.input,
            not_before_ns=self._not_before_ns(step),
        )

    def _meter_of(self, step: Step) -> str:
        """The meter whose readings count at a step."""
        return step.meter or self._first_meter

    def _is_at_hand(self, meter: str) -> bool:
        """Whether the step at hand is read from that meter."""
        return self._attempt is not None and self._at_hand == meter

    def _limits(self, step: Step) -> Limits | None:
        """The limits as numbers; None where an overload is wanted."""
        expect = step.expect
        if expect is None or expect.overload is not None:
            return None
        if expect.rule is not None:
            given = self._given(expect.given, self._answers)
            return rules.limits_of(expect.rule, given, expect.table)
        if expect.near is None:
            return expect.limits()
        base = self._outcomes[expect.near.step].estimate
        if base is None:
            raise ValueError(f"step {step.id}: near: {expect.near.step} has given no value")
        within, unit = units.parse_amount(expect.near.within)
        middle = units.convert(base.value, base.unit, unit)
        percent, _ = units.parse_amount(f"{expect.near.percent} %")
        width = max(within, abs(middle) * percent / 100)
        return Limits(middle - width, middle + width, unit)

    def _against(self, step: Step) -> Against | None:
        """What the circuit wants of a terminal, from the supply as this visit has measured it."""
        wanted = step.expect.class_ if step.expect else None
        if wanted is None or self._wired is None:
            return None
        supply_v = self._supply_v(wanted)
        return self._wired.against(wanted, supply_v, self._input)

    def _supply_v(self, wanted: ClassAt) -> Decimal:
        if self._wired is None:
            raise AssertionError("a terminal without a circuit")
        name = self._supplies[self._wired.supply_of(wanted)]
        base = self._outcomes[name].estimate
        if base is None:
            raise ValueError(f"step {name}: has given no value")
        return units.convert(base.value, base.unit, "V").quantize(_SUPPLY_DIGIT)

    def _not_before_ns(self, step: Step) -> int:
        """When what the acts before a step have set in motion has come to rest."""
        rests = [0]
        for name in step.needs:
            act, standing = self._acts.get(name), self._standing.get(name)
            if act is not None and standing is not None and standing.at.boot == self._at.boot:
                rests.append(standing.at.boot_ns + units.parse_duration_ns(act.takes))
        return max(rests)

    def _null(self, name: str | None) -> Estimate | None:
        return None if name is None else self._outcomes[name].estimate

    def _given(
        self, given: Mapping[str, str], answers: Mapping[str, Mapping[str, str]]
    ) -> dict[str, str]:
        """Given amounts, with what the person has stated in the place of its name."""
        found = {}
        for name, text in given.items():
            stated = find_act(text)
            if stated is None:
                found[name] = text
            elif stated[0] in answers:
                found[name] = answers[stated[0]][stated[1]]
        return found

    def _prove_rule(self, step: Step) -> None:
        """Compute an expectation of which everything is written in the procedure."""
        expect = step.expect
        if expect is None or expect.rule is None or any(map(find_act, expect.given.values())):
            return
        try:
            rules.limits_of(expect.rule, expect.given, expect.table)
        except ValueError as error:
            raise ProcedureError(f"step {step.id}: {error}") from error

    # What happens

    def _measured(self, event: Measured) -> None:
        if event.fresh:
            for guard, limit, unit in self._guards:
                if guard.standing in self._standing:
                    self._watch(guard, limit, unit, event.reading)
            if self._out:
                self._announce()
        attempt = self._attempt
        if attempt is None or not self._is_at_hand(event.meter) or attempt.is_aside(event.reading):
            return
        if attempt.step.channel in event.beside:
            return  # the channel that the step wants comes by itself
        progress, outcome = attempt.take(event)
        self._out.append(progress)
        if isinstance(attempt, LongRun):
            self._report(attempt)
        if outcome is not None:
            self._end(outcome)

    def _watch(self, guard: Guard, limit: Decimal, unit: str, reading: Reading) -> None:
        if (
            reading.quantity != guard.quantity
            or reading.coupling != guard.coupling
            or not units.is_allowed(reading.quantity, reading.unit)
        ):
            return
        if reading.status is Status.OK and reading.value is not None:
            if units.convert(abs(Decimal(reading.value)), reading.unit, unit) <= limit:
                return
        elif reading.status not in {Status.OVER, Status.UNDER}:
            return
        found = f"{reading.value or 'more than the range'} {reading.unit}"
        self._void(guard.voids, f"{guard.say} Found {found}, expected at most {guard.above}.")

    def _garbled(self, event: Garbled) -> None:
        attempt = self._attempt
        if attempt is not None and attempt.step.channel in event.beside:
            return
        if self._is_at_hand(event.meter):
            self._show(Signal.NO_VALUE, f"not a reading: {event.reason}")

    def _linked(self, event: Linked) -> None:
        if self._attempt is None or not self._is_at_hand(event.meter):
            return
        self._attempt.interrupt()
        if isinstance(self._attempt, LongRun) and not event.up:
            self._attempt.lose_link()
        if not event.up:
            self._show(Signal.NO_LINK, event.reason)

    def _taken_over(self, event: TakenOver) -> None:
        if not event.by.strip():
            self._refuse("operator", "found no name, expected one")
            return
        # A log outlasts a shift.
        if isinstance(self._attempt, Attempt) and self._attempt.is_open:
            self._end(self._attempt.lapse(f"{event.by} took over the work"))
        self._by = event.by
        self._void_where("operator", f"{event.by} took over the work")

    def _restarted(self, _event: Restarted) -> None:
        if isinstance(self._attempt, LongRun):
            self._attempt.restart()
        elif self._attempt is not None:
            if self._attempt.is_open:
                self._end(self._attempt.lapse("the recorder started again"))
            self._attempt = None
        self._void_where("restart", "the recorder started again")
        self._announce()

    def _end(self, outcome: Outcome) -> None:
        """Journal an attempt's outcome and draw what follows from it."""
        attempt = self._attempt
        if attempt is None:
            raise AssertionError("an outcome without an attempt")
        if isinstance(attempt, LongRun):
            self._report(attempt)
        step, self._attempt = attempt.step, None
        outcome = self._tell_ghost(step, outcome)
        opened = attempt.opened_seq if attempt.opened_seq is not None else self._seq
        self._conclude(step, outcome, {"opened": opened, "source": step.source})
        if outcome.verdict is Verdict.UNDECIDED and "null" in outcome.facts and step.subtract:
            self._void((step.subtract,), outcome.why)

    def _report(self, log: LongRun) -> None:
        """Claim the days that a log has finished."""
        for body in log.reports:
            self._claim("log", body)
        log.reports.clear()

    def _tell_ghost(self, step: Step, outcome: Outcome) -> Outcome:
        """Keep what may be a ghost until its second reading, which says where the volts are from.

        Source: what is fed stands at low input impedance as well, a ghost falls to nought, and what
        comes through a diode stays in between or rises (nodal analysis; common practice).
        """
        wanted = step.expect.class_ if step.expect else None
        if wanted is None or outcome.estimate is None or self._wired is None:
            return outcome
        estimate = outcome.estimate
        volts = units.convert(estimate.value, estimate.unit, "V")
        if outcome.asks_low:
            self._ghosts[step.id] = volts
            return outcome
        high_v = self._ghosts.pop(step.id, None)
        if high_v is None:
            return outcome
        origin = self._wired.origin(wanted, high_v, volts, self._supply_v(wanted))
        return outcome._replace(facts=outcome.facts | {"first": f"{high_v:f} V", "origin": origin})

    def _conclude(self, step: Step, outcome: Outcome, more: dict[str, object]) -> None:
        number = self._counts.get(step.id, 0) + 1
        self._counts[step.id] = number
        last = self._outcomes.get(step.id)
        if last is None or last.verdict not in _FAILING or outcome.verdict not in _OPEN:
            self._outcomes[step.id] = outcome  # a try that showed nothing takes no fault away
        body: dict[str, object] = {
            "step": step.id,
            "attempt": number,
            "verdict": outcome.verdict.value,
            "by": self._by,
        }
        if outcome.why:
            body["why"] = outcome.why
        if step.indicative is not None:
            body["indicative"] = step.indicative
        self._claim("attempt", body | outcome.facts | more)
        if outcome.verdict.holds:
            self._standing[step.id] = _Standing(self._at, {})
        elif outcome.verdict is not Verdict.UNDECIDED:
            if step.on_fail == "go-on":
                self._passed_over.add(step.id)
            else:
                self._stopped = step.id
        if outcome.verdict is not Verdict.UNDECIDED:
            for relation in self._procedure.relation:
                if step.id in relation.steps.values() and self._is_decided(relation):
                    self._relate(relation)

    def _is_decided(self, relation: Relation) -> bool:
        """Whether each of its steps stands, or has failed and was gone on from."""
        done = self._standing.keys() | self._passed_over
        return all(name in done for name in relation.steps.values())

    def _relate(self, relation: Relation) -> None:
        """Claim whether the values of a relation agree, and stop where they must and do not."""
        measured = {}
        body: dict[str, object] = {
            "relation": relation.id,
            "by": self._by,
            "steps": dict(relation.steps),
            "source": relation.source,
        }
        for part, name in relation.steps.items():
            estimate = self._outcomes[name].estimate
            if estimate is not None:
                measured[part] = estimate
        try:
            finding = rules.evaluate(
                relation.rule,
                measured,
                self._given(relation.given, self._answers),
                relation.table,
                guarded=relation.decide == "guarded",
            )
        except ValueError as error:
            self._related[relation.id] = Verdict.UNDECIDED
            undecided = {"verdict": Verdict.UNDECIDED.value, "why": str(error)}
            self._claim("relation", body | undecided)
            return
        checks = [check.facts(relation.decide == "guarded") for check in finding.checks]
        self._related[relation.id] = finding.verdict
        self._claim("relation", body | {"verdict": finding.verdict.value, "checks": checks})
        if finding.verdict in _FAILING and relation.on_fail == "stop" and self._stopped is None:
            self._stopped = relation.id

    def _begin_anew(self, relation: Relation) -> None:
        """Let the steps of a relation that failed be asked again."""
        self._passed_over.difference_update(relation.steps.values())
        self._void(relation.steps.values(), f"{relation.title}: to be repeated")

    def _declared(self, event: Declared) -> None:
        act = self._acts.get(event.act)
        refusal = self._why_not(event.by, "act", event.act)
        if refusal is None and act is not None:
            refusal = self._check_answers(act, event.answers)
        if refusal is not None or act is None:
            self._refuse(event.act, refusal or "not an act of this procedure")
            return
        body: dict[str, object] = {"act": act.id, "by": event.by, "answers": dict(event.answers)}
        failed = [
            f"{question.field}: {event.answers[question.field]}"
            for question in act.ask
            if question.accepted and event.answers[question.field] not in question.accepted
        ]
        if failed:
            self._claim("act", body | {"outcome": "failed", "why": "; ".join(failed)})
            self._void(act.fail_voids, f"{act.title}: {'; '.join(failed)}")
            if act.input == "low":
                self._leave_ghosts(event.by)
            return
        self._standing[act.id] = _Standing(event.at, dict(event.answers))
        self._answers[act.id] = dict(event.answers)
        if act.state is not None and self._wired is not None:
            self._wired.enter(act.state)
        if act.input is not None:
            self._input = act.input
        self._claim("act", body | {"outcome": "stands"})
        if self._aim == act.id:
            self._aim = None
        ended = [other.id for other in self._procedure.act if act.id in other.ended_by]
        self._void([*act.voids, *ended], f"{act.title}, as declared")
        if act.offered_after:
            self._standing.pop(act.id, None)  # a repair is done once for each time it is chosen

    def _leave_ghosts(self, by: str) -> None:
        """A meter without a low input cannot tell a ghost from a feed: not tested, and why."""
        for step in list(self._ghosts):
            del self._ghosts[step]
            why = "may be a ghost, and there was no low input impedance to repeat it with"
            self._give_up(step, by, why, by)

    def _check_answers(self, act: Act, answers: Mapping[str, str]) -> str | None:
        fields = {question.field for question in act.ask}
        for field in answers:
            if field not in fields:
                return f"{field}: found an answer to a question that is not asked"
        for question in act.ask:
            problem = self._check_answer(question, answers.get(question.field, ""))
            if problem is not None:
                return f"{question.field}: {problem}"
        return self._check_stated(act, answers)

    def _check_stated(self, act: Act, answers: Mapping[str, str]) -> str | None:
        """Why nothing can be computed from what is stated, for an expectation that needs it."""
        known = self._answers | {act.id: answers}
        for step in self._procedure.step:
            expect = step.expect
            if expect is None or expect.rule is None:
                continue
            stated = [found[0] for found in map(find_act, expect.given.values()) if found]
            if act.id in stated and all(name in known for name in stated):
                try:
                    rules.limits_of(expect.rule, self._given(expect.given, known), expect.table)
                except ValueError as error:
                    return str(error)
        return None

    def _check_answer(self, question: Question, answer: str) -> str | None:
        if not answer.strip():
            return "found no answer, expected one"
        if question.answers and answer not in question.answers:
            return f"found {answer!r}, expected one of {', '.join(question.answers)}"
        if question.amount is not None:
            try:
                _, unit = units.parse_amount(answer)
            except ValueError as error:
                return str(error)
            if not units.is_allowed(question.amount, unit):
                return f"found {answer!r}, expected a {question.amount}"
        if question.same_as is not None:
            earlier = self._standing.get(question.same_as)
            wanted = earlier.answers.get(question.field) if earlier else None
            if answer != wanted:
                return f"found {answer!r}, expected {wanted!r} as declared before"
        return None

    def _why_not(self, by: str, what: str, name: str) -> str | None:
        """Why this person cannot do this now, or None."""
        if by != self._by:
            return f"found {by!r}, expected {self._by!r}, who is at work"
        ask = self._task()
        if (ask.what, ask.id) != (what, name):
            return f"{_EARLY}, expected {ask.what} {ask.id}".rstrip()
        return None

    def _begun(self, event: Begun) -> None:
        refusal = self._why_not(event.by, "measure", event.step)
        if refusal is None and self._attempt is not None:
            refusal = self._attempt.begin(event.at.boot_ns, event.seq)
        if refusal is not None:
            self._refuse(event.step, refusal)

    def _observed(self, event: Observed) -> None:
        refusal = self._why_not(event.by, "observe", event.step)
        step = self._steps.get(event.step)
        if refusal is None and step is not None and event.answer not in step.answers:
            refusal = f"found {event.answer!r}, expected one of {', '.join(step.answers)}"
        if refusal is not None or step is None:
            self._refuse(event.step, refusal or "not a step of this procedure")
            return
        accept = step.accept
        if step.follows is not None and self._wired is not None:
            accept = self._wired.accepted(step.follows)
        verdict = Verdict.PASS if event.answer in accept else Verdict.FAIL
        facts: dict[str, object] = {
            "answer": event.answer,
            "limit": {"accept": list(accept)},
            "source": step.source,
        }
        self._conclude(step, Outcome(verdict, "", facts), {})

    def _entered(self, event: Entered) -> None:
        refusal = self._why_not(event.by, "enter", event.step)
        step = self._steps.get(event.step)
        if refusal is None and step is not None:
            refusal = find_problem(step, event.said)
        if refusal is not None or step is None:
            self._refuse(event.step, refusal or "not a step of this procedure")
            return
        outcome = judge_entered(step, event.said, self._limits(step))
        self._conclude(step, outcome, {"source": step.source})

    def _chosen(self, event: Chosen) -> None:
        ask = self._task()
        if event.by != self._by:
            self._refuse(event.what, f"found {event.by!r}, expected {self._by!r}, who is at work")
        elif event.what in ENDINGS:
            self._close(ENDINGS[event.what])
        elif event.what == FINISH_LOG and event.what in ask.options:
            self._finish_log(event)
        elif ask.what != "choose" or event.what not in ask.options:
            options = ", ".join(ask.options) if ask.what == "choose" else f"{ask.what} {ask.id}"
            self._refuse(event.what, f"{_EARLY}, expected {options}".rstrip())
        else:
            self._stopped = None
            self._aim = None if event.what == AGAIN else event.what
            self._claim("choice", {"by": event.by, "after": ask.id, "what": event.what})
            if ask.id in self._relations:
                self._begin_anew(self._relations[ask.id])

    def _finish_log(self, event: Chosen) -> None:
        log = self._attempt
        if not isinstance(log, LongRun) or not log.is_open:
            self._refuse(event.what, "the log has not begun: put the probes on and say so")
            return
        self._end(log.finish(f"ended by {event.by}"))

    def _limit(self, event: Limited) -> None:
        refusal = None
        if event.by != self._by:
            refusal = f"found {event.by!r}, expected {self._by!r}, who is at work"
        elif event.step not in self._steps and event.step != self._stopped:
            refusal = "not a step of this procedure"
        elif event.step in self._standing:
            refusal = "this step has passed, expected one that has not"
        elif not event.reason.strip() or not event.agreed_with.strip():
            refusal = "found no reason or nobody who agreed, expected both"
        if refusal is not None:
            self._refuse(event.step, refusal)
            return
        if self._stopped == event.step:
            self._stopped = None
        attempt = self._attempt
        if attempt is not None and attempt.is_open and attempt.step.id == event.step:
            self._end(attempt.lapse("given up"))
        self._give_up(event.step, event.by, event.reason, event.agreed_with)

    def _give_up(self, step: str, by: str, why: str, agreed: str) -> None:
        self._limited[step] = why
        body: dict[str, object] = {
            "step": step,
            "by": by,
            "verdict": Verdict.NOT_TESTED.value,
            "why": why,
            "agreed": agreed,
        }
        self._claim("limitation", body)

    # What falls

    def _expire(self) -> None:
        """End what has stood for longer than it may, and what another boot's clock began."""
        for name, life_ns in self._lives_ns.items():
            standing = self._standing.get(name)
            if standing is None:
                continue
            title = self._acts[name].title
            if standing.at.boot != self._at.boot:
                self._void((name,), f"{title}: the recorder's clock began anew")
            elif self._at.boot_ns - standing.at.boot_ns > life_ns:
                self._void((name,), f"{title}: older than {self._acts[name].stands}")

    def _next_expiry_ns(self) -> int:
        """Until when, on this boot's clock, nothing that stands grows too old."""
        return min(
            (
                self._standing[name].at.boot_ns + life_ns
                for name, life_ns in self._lives_ns.items()
                if name in self._standing
            ),
            default=_NEVER_NS,
        )

    def _void_where(self, occasion: str, why: str) -> None:
        self._void([act.id for act in self._procedure.act if occasion in act.void_on], why)

    def _void(self, names: Iterable[str], why: str) -> None:
        """End what stands under these names, and every standing act that needs one of them."""
        fallen: list[str] = []
        waiting = list(names)
        while waiting:
            name = waiting.pop(0)
            if name in self._standing:
                del self._standing[name]
                fallen.append(name)
                waiting += [
                    act.id
                    for act in self._procedure.act
                    if name in act.needs and act.id in self._standing
                ]
        if fallen:
            self._claim("void", {"what": list(fallen), "why": why})

    # What is said

    def _show(self, signal: Signal, note: str) -> None:
        if self._attempt is not None:
            dwell_ns = units.parse_duration_ns(self._attempt.step.dwell)
            self._out.append(Progress(self._attempt.step.id, signal, note, None, 0, dwell_ns))

    def _claim(self, kind: str, body: dict[str, object]) -> None:
        self._has_claimed = True
        self._out.append(Claim({"claim": kind, "cause": self._seq, **body}))

    def _refuse(self, what: str, why: str) -> None:
        """Claim that something was not taken; out of order, with what was asked instead."""
        ask = self._task()
        body: dict[str, object] = {"what": what, "why": why}
        if why.startswith(_EARLY):
            body["asked"] = f"{ask.what} {ask.id}".rstrip()
        self._claim("refusal", body)

    def _close(self, reason: str) -> None:
        if self._attempt is not None and self._attempt.is_open:
            self._end(self._attempt.lapse("the job was closed"))
        self._attempt = None
        steps = {step.id: self._summary(step) for step in self._procedure.step}
        related = {name: self._sum_up(relation) for name, relation in self._relations.items()}
        verdicts = [str(row["verdict"]) for row in (*steps.values(), *related.values())]
        if not steps and self._task().what != "close":
            result = "steps missing"  # a procedure of acts alone
        elif all(Verdict(verdict).holds for verdict in verdicts):
            result = "all steps hold"
        elif any(Verdict(verdict) in _FAILING for verdict in verdicts):
            result = "steps fail"
        else:
            result = "steps missing"
        body: dict[str, object] = {"result": result, "reason": reason, "steps": steps}
        self._claim("job", body | ({"relations": related} if related else {}))
        self.ending = reason

    def _summary(self, step: Step) -> dict[str, object]:
        attempts = self._counts.get(step.id, 0)
        outcome = self._outcomes.get(step.id)
        row: dict[str, object] = {"attempts": attempts}
        if step.id in self._limited:
            failed = outcome is not None and outcome.verdict in _FAILING
            verdict = outcome.verdict if outcome and failed else Verdict.NOT_TESTED
            return row | {"verdict": verdict.value, "why": self._limited[step.id]}
        if outcome is None:
            return row | {"verdict": Verdict.NOT_TESTED.value, "why": "not reached"}
        if outcome.verdict.holds and step.id not in self._standing:
            return row | {"verdict": Verdict.NOT_TESTED.value, "why": "void, and not repeated"}
        if outcome.verdict is Verdict.UNDECIDED:
            return row | {"verdict": Verdict.NOT_TESTED.value, "why": outcome.why}
        return row | {"verdict": outcome.verdict.value}

    def _sum_up(self, relation: Relation) -> dict[str, object]:
        verdict = self._related.get(relation.id)
        if verdict is None:
            return {"verdict": Verdict.NOT_TESTED.value, "why": "not reached"}
        if verdict is Verdict.UNDECIDED:
            return {"verdict": Verdict.NOT_TESTED.value, "why": "nothing could be computed"}
        if verdict.holds and not self._is_decided(relation):
            return {"verdict": Verdict.NOT_TESTED.value, "why": "void, and not repeated"}
        limited = {"why": self._limited[relation.id]} if relation.id in self._limited else {}
        return {"verdict": verdict.value, **limited}
