"""The procedure file's schema: what must be shown on a visit, in which order, and by which rule.

A procedure is data: steps (measured or observed), acts that a person declares, and guards. It
holds no expressions. Limits carry their source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from graphlib import CycleError, TopologicalSorter
from typing import Annotated, Literal, NamedTuple, TypeVar

from pydantic import Field, StringConstraints, model_validator

from metercap import units
from metercap.datafile import Table, load_table, parse_table
from metercap.errors import ProcedureError
from metercap.procedure.circuit import TOLERANCES
from metercap.procedure.net import Fault, Name, Net, build_net
from metercap.procedure.rule import ANY, RULES, RuleName, amount_of, find_act
from metercap.procedure.states import Circuit, ClassAt, Follows, WalkThrough

MOST_BYTES = 1 << 20  # reliability: the largest procedure file that is read
MOST_STEPS = 5000
_DAY_NS = units.parse_duration_ns("1 days")
_MOST_LOG_DAYS = 371  # fifty-three weeks: a year, however its weeks fall
_HUNDRED = 100
_MOST_TAILS = 100  # time constants in a window; of any tail nothing is left after forty

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=400)]
Mode = Literal["ac", "dc", "none"]


class Limits(NamedTuple):
    """An expectation as numbers, in `unit`; None where there is no limit on that side."""

    low: Decimal | None
    high: Decimal | None
    unit: str


class Near(Table):
    """A value within `within` or `percent` (the wider) of what another step of this visit gave."""

    step: Id
    within: str
    percent: str = "0"

    @model_validator(mode="after")
    def _whole(self) -> Near:
        units.parse_amount(f"{self.percent} %")
        return self


class Expect(Table):
    """What a measured step must show: exactly one of the keys.

    `below` and `above` take one amount, `between` two; the limit itself is inside. `overload` names
    the least top of range on which "more than the range" is the only wanted answer; for `above` it
    is one good answer among others. `class` is what the circuit makes of a terminal. `rule` names
    a rule that expects one value, computed from what is `given` (amounts, or "act:ID.FIELD" for
    what the person stated) and a `table`.
    """

    below: str | None = None
    above: str | None = None
    between: tuple[str, str] | None = None
    near: Near | None = None
    overload: str | None = None
    rule: RuleName | None = None
    given: dict[str, str] = Field(default_factory=dict)
    table: dict[str, str] = Field(default_factory=dict)
    class_: Annotated[ClassAt | None, Field(alias="class")] = None

    @model_validator(mode="after")
    def _one(self) -> Expect:
        given = [
            name
            for name in type(self).model_fields
            if name not in {"given", "table"} and getattr(self, name) is not None
        ]
        if len(given) != 1:
            raise ValueError(
                f"found {len(given)} expectations ({', '.join(given) or 'none'}), expected one of "
                "below, above, between, near, overload, rule, class"
            )
        self._check_rule()
        for amount in self.amounts():
            units.parse_amount(amount)
        if self.between is not None:
            limits = self.limits()
            if limits.low is None or limits.high is None or limits.low >= limits.high:
                low, high = self.between
                raise ValueError(f"between: found {low} to {high}, expected the lower limit first")
        return self

    def _check_rule(self) -> None:
        if self.rule is None:
            if self.given or self.table:
                raise ValueError("given: found without a rule, expected one")
            return
        if not RULES[self.rule].expects:
            raise ValueError(
                f"rule: found {self.rule!r}, expected one of "
                f"{', '.join(name for name, row in RULES.items() if row.expects)}"
            )
        _check_given(self.rule, dict.fromkeys(RULES[self.rule].measured, ""), self.given)
        _check_table(self.rule, self.table)

    def amounts(self) -> tuple[str, ...]:
        """Every amount that the expectation names, as written."""
        near = (self.near.within,) if self.near else ()
        return tuple(
            text
            for text in (self.below, self.above, *(self.between or ()), *near, self.overload)
            if text is not None
        )

    @property
    def top(self) -> str | None:
        """The least top of range on which an overload is a good answer; None where it never is."""
        return self.overload or self.above

    @property
    def gives_value(self) -> bool:
        """Whether a step that passes has always given a number."""
        return self.top is None

    @property
    def has_limits(self) -> bool:
        """Whether `limits` gives numbers."""
        return any(limit is not None for limit in (self.below, self.above, self.between))

    def limits(self) -> Limits:
        """Numbers for below, above and between. Raises ValueError for the other kinds."""
        if self.below is not None:
            amount, unit = units.parse_amount(self.below)
            return Limits(None, amount, unit)
        if self.above is not None:
            amount, unit = units.parse_amount(self.above)
            return Limits(amount, None, unit)
        if self.between is not None:
            (low, unit), (high, other) = map(units.parse_amount, self.between)
            return Limits(low, units.convert(high, other, unit), unit)
        raise ValueError("limits: only below, above and between have them on their own")


class Settle(Table):
    """How long the window is, and the slowest tail (time constant) that it must exclude."""

    window: str = "5 s"
    slowest: str = "2.5 s"

    @model_validator(mode="after")
    def _times(self) -> Settle:
        for text in (self.window, self.slowest):
            if units.parse_duration_ns(text) <= 0:
                raise ValueError(f"found {text!r}, expected more than no time")
        most_ns = _MOST_TAILS * units.parse_duration_ns(self.slowest)
        if units.parse_duration_ns(self.window) > most_ns:
            raise ValueError(
                f"window: found {self.window!r}, expected at most {_MOST_TAILS} times slowest"
            )
        return self


class Influence(Table):
    """A doubt that the meter's own limit of error leaves out: within so much either way."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=60)]
    within: str | None = None
    percent: str | None = None
    source: Text

    @model_validator(mode="after")
    def _whole(self) -> Influence:
        if (self.within is None) == (self.percent is None):
            raise ValueError(f"influence {self.name}: expected either within or percent")
        half, _ = units.parse_amount(self.within or f"{self.percent} %")
        if half < 0:
            raise ValueError(f"influence {self.name}: found {half}, expected nothing below zero")
        return self

    def half(self, value: Decimal, unit: str) -> Decimal:
        """The half-width in `unit` at a reading of `value`."""
        if self.within is not None:
            amount, own = units.parse_amount(self.within)
            return units.convert(amount, own, unit) - units.convert(Decimal(0), own, unit)
        return abs(value) * Decimal(self.percent or 0) / 100


class Log(Table):
    """A step that runs for hours to weeks: means between marks of the clock, counted by the week.

    `lasting` is its length; a person may end it early. Of each week's means (EN 50160), the share
    `share` must lie within the step's `expect`, and every one within `always`. A mean counts if
    there were readings for `least` of its time. A reading beyond `event` begins an event; one below
    `gone` is an interruption of the supply, whose means are left out.
    """

    lasting: str
    mean: str = "10 min"
    share: str = "100 %"
    always: tuple[str, str] | None = None
    least: str = "90 %"
    event: tuple[str, str] | None = None
    gone: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> Log:
        mean_ns, lasting_ns = map(units.parse_duration_ns, (self.mean, self.lasting))
        if not mean_ns or _DAY_NS % mean_ns:
            raise ValueError(f"log: mean: found {self.mean!r}, expected a part of a day")
        if not mean_ns <= lasting_ns <= _MOST_LOG_DAYS * _DAY_NS or lasting_ns % mean_ns:
            raise ValueError(
                f"log: lasting: found {self.lasting!r}, expected whole means and at most "
                f"{_MOST_LOG_DAYS} days"
            )
        for text in (self.share, self.least):
            amount, unit = units.parse_amount(text)
            if unit != "%" or not 0 < amount <= _HUNDRED:
                raise ValueError(f"log: found {text!r}, expected a part in percent")
        for pair in (self.always, self.event):
            if pair is not None:
                (low, unit), (high, other) = map(units.parse_amount, pair)
                if low >= units.convert(high, other, unit):
                    raise ValueError(f"log: found {pair}, expected the lower limit first")
        return self

    def amounts(self) -> tuple[str, ...]:
        """Every amount that the log names, as written."""
        gone = (self.gone,) if self.gone else ()
        return (*(self.always or ()), *(self.event or ()), *gone)


class Entered(Table):
    """A value that no meter of the job gives: a person reads it elsewhere and enters it.

    `instrument` says what kind of instrument it is read from; `at` is the test voltage or current
    that it must have been taken at, which the person states as well.
    """

    instrument: Text
    at: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> Entered:
        if self.at is not None:
            units.parse_amount(self.at)
        return self


class Step(Table):
    """One thing to show.

    A measured step has quantity, mode and expect; an observed one has a closed list of answers,
    of which `accept` are right. `meter` names one of several meters by its part in the job
    ("clamp"); without it the first one counts, and `channel` tells two displays of one meter
    apart. `start` says what opens an attempt: "contact" (the display leaves overload, once it
    has been seen there) or "begin" (the person says that the probes are on). With `touch` the
    probes must first be seen touching, below that amount, so that an overload afterwards is
    known to come from the terminals. `subtract` names the step whose value (the leads' own) is
    taken off. `rule` is "guarded" (ILAC-G8 non-binary, guard band U) or "simple" (the limit
    already holds an allowance). With `log` the step is not settled but left running.
    `input` is the input impedance that it must be read at. An observed step whose right answers go
    by the circuit has `follows` for `accept`. `walk` names the walk that it was written out from.
    A step that is `entered` has quantity and expect, and no meter of the job gives its value.
    `indicative` names the test that a multimeter's value does not replace.
    """

    id: Id
    title: Text
    do: Text
    say: Text
    source: Text
    caution: Text | None = None
    needs: tuple[Id, ...] = ()
    on_fail: Literal["stop", "go-on"] = "stop"
    quantity: str | None = None
    mode: Mode | None = None
    expect: Expect | None = None
    meter: Id | None = None
    channel: str = "main"
    start: Literal["contact", "begin"] = "contact"
    touch: str | None = None
    subtract: Id | None = None
    influence: tuple[Influence, ...] = ()
    rule: Literal["guarded", "simple"] = "guarded"
    dwell: str = "2 s"
    log: Log | None = None
    settle: Settle = Settle()
    time_out: str = "60 s"
    answers: tuple[Text, ...] = ()
    accept: tuple[Text, ...] = ()
    input: Literal["high", "low"] | None = None
    follows: Follows | None = None
    walk: Id | None = None
    entered: Entered | None = None
    indicative: Text | None = None

    @property
    def is_observed(self) -> bool:
        """Whether a person's answer, not a meter, settles it."""
        return bool(self.answers)

    @property
    def coupling(self) -> str | None:
        """The mode as a reading carries it."""
        return None if self.mode == "none" else self.mode

    @model_validator(mode="after")
    def _whole(self) -> Step:
        measured = (self.quantity, self.mode, self.expect)
        if self.is_observed:
            if any(part is not None for part in measured):
                raise ValueError(f"step {self.id}: found both answers and a quantity")
            if self.follows is None:
                _check_accept(f"step {self.id}", self.answers, self.accept)
            for accept in self.follows.answers.values() if self.follows else ():
                _check_accept(f"step {self.id}", self.answers, accept)
            return self
        if self.entered is not None:
            self._check_entered()
            return self
        if any(part is None for part in measured):
            raise ValueError(
                f"step {self.id}: expected quantity, mode and expect, or a list of answers"
            )
        self._check_measured()
        return self

    def _check_entered(self) -> None:
        """What is entered is a number with limits, and nothing is said of probes or of a meter."""
        expect = self.expect
        if expect is None or expect.overload is not None or expect.class_ is not None:
            raise ValueError(f"step {self.id}: entered: expected limits, and no overload or class")
        for key in ("mode", "meter", "touch", "subtract", "log", "input", "indicative"):
            if getattr(self, key) is not None:
                raise ValueError(f"step {self.id}: found both entered and {key}")
        self._check_units(expect.amounts())

    def _check_units(self, amounts: Iterable[str]) -> None:
        if self.quantity not in units.quantities():
            raise ValueError(
                f"step {self.id}: quantity: found {self.quantity!r}, expected one of "
                f"{', '.join(units.quantities())}"
            )
        for text in amounts:
            _, unit = units.parse_amount(text)
            if not units.is_allowed(self.quantity, unit):
                raise ValueError(
                    f"step {self.id}: found {text!r}, expected a unit of {self.quantity}"
                )

    def _check_measured(self) -> None:
        if self.expect is None:
            return
        widths = (one.within for one in self.influence if one.within is not None)
        touch = (self.touch,) if self.touch else ()
        logged = self.log.amounts() if self.log else ()
        self._check_units((*self.expect.amounts(), *touch, *widths, *logged))
        if self.expect.class_ is not None and (self.quantity, self.start) != ("voltage", "begin"):
            raise ValueError(f"step {self.id}: class: expected a voltage, and start begin")
        if self.start == "contact" and (self.expect.overload or self.expect.above):
            raise ValueError(
                f"step {self.id}: start: found contact, expected begin, since probes in the air "
                "already show what is wanted"
            )
        for text in (self.dwell, self.time_out):
            units.parse_duration_ns(text)
        is_plain = self.start == "begin" and not self.touch and not self.subtract
        if self.log and not (is_plain and self.mode == "ac" and self.expect.has_limits):
            raise ValueError(
                f"step {self.id}: log: expected mode ac, start begin, and limits of its own; no "
                "touch and no subtract"
            )


class Question(Table):
    """One thing that the person states with an act.

    Without `answers` any text goes. `accept` are the answers with which the act holds; another
    answer of the list makes it fail. `amount` names the quantity of which the answer must be an
    amount with its unit ("25 m"). `same_as` names an act whose answer to the same field this
    one must repeat.
    """

    field: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z-]*$", max_length=40)]
    prompt: Text
    answers: tuple[Text, ...] = ()
    accept: tuple[Text, ...] = ()
    same_as: Id | None = None
    amount: str | None = None

    @model_validator(mode="after")
    def _whole(self) -> Question:
        if self.amount is not None and (self.answers or self.amount not in units.quantities()):
            raise ValueError(
                f"field {self.field}: amount: found {self.amount!r}, expected a quantity, and no "
                "list of answers"
            )
        if self.answers:
            _check_accept(f"field {self.field}", self.answers, self.accept or self.answers)
        elif self.accept:
            raise ValueError(f"field {self.field}: found accept without answers")
        return self

    @property
    def accepted(self) -> tuple[str, ...]:
        """The answers with which the act holds; empty where any text goes."""
        return self.accept or self.answers


class Act(Table):
    """A declaration by the person, which steps and other acts may need.

    `voids` lists what no longer stands once it is declared; `fail_voids` what falls when an answer
    is not the accepted one; `ended_by` and `void_on` the acts and events that end it; `stands` how
    long it lasts. An act
    that is `offered_after` steps is a repair: nobody needs it, the person may choose it when one of
    those steps has failed. `state` names the state of the circuit that it sets, "begin" the one to
    start from, and `takes` is how long that may go on moving; `input` is the input impedance that
    the meter then has. `walk` as in a step.
    """

    id: Id
    title: Text
    do: Text
    say: Text
    caution: Text | None = None
    source: Text
    needs: tuple[Id, ...] = ()
    ask: tuple[Question, ...] = ()
    voids: tuple[Id, ...] = ()
    fail_voids: tuple[Id, ...] = ()
    ended_by: tuple[Id, ...] = ()
    void_on: tuple[Literal["restart", "operator"], ...] = ()
    stands: str | None = None
    offered_after: tuple[Id, ...] = ()
    state: Name | None = None
    takes: str = "0 s"
    input: Literal["high", "low"] | None = None
    walk: Id | None = None

    @model_validator(mode="after")
    def _whole(self) -> Act:
        for text in (self.takes, *((self.stands,) if self.stands is not None else ())):
            units.parse_duration_ns(text)
        fields = [question.field for question in self.ask]
        if len(set(fields)) < len(fields):
            raise ValueError(f"act {self.id}: found a field asked twice")
        return self


class Guard(Table):
    """While act `while` stands, a reading above the limit ends it: something is live again."""

    id: Id
    standing: Annotated[Id, Field(alias="while")]
    quantity: str
    mode: Mode
    above: str
    voids: tuple[Id, ...]
    say: Text
    source: Text

    @model_validator(mode="after")
    def _whole(self) -> Guard:
        _, unit = units.parse_amount(self.above)
        if not units.is_allowed(self.quantity, unit):
            raise ValueError(f"guard {self.id}: found {self.above!r}, expected a {self.quantity}")
        return self

    @property
    def coupling(self) -> str | None:
        """The mode as a reading carries it."""
        return None if self.mode == "none" else self.mode


class Relation(Table):
    """A named rule between steps: `steps` says which step gives which part of it.

    It is looked at whenever the last of its steps has been decided. `given` is as in `Expect`.
    `decide` is the decision rule, as a step's `rule`; where a rule has no tolerance it is left out
    of account. Choosing "again" after it has failed repeats its steps.
    """

    id: Id
    title: Text
    rule: RuleName
    steps: dict[str, Id]
    given: dict[str, str] = Field(default_factory=dict)
    table: dict[str, str] = Field(default_factory=dict)
    source: Text
    decide: Literal["guarded", "simple"] = "guarded"
    on_fail: Literal["stop", "go-on"] = "stop"

    @model_validator(mode="after")
    def _whole(self) -> Relation:
        where = f"relation {self.id}"
        if not self.steps:
            raise ValueError(f"{where}: steps: found none, expected at least one")
        for name in self.steps:
            if name not in RULES[self.rule].names:
                raise ValueError(f"{where}: steps: found {name!r}, not a part of {self.rule}")
        for name in RULES[self.rule].measured:
            if name not in self.steps:
                raise ValueError(f"{where}: steps: {name}: missing, expected a step")
        _check_given(self.rule, self.steps, self.given)
        _check_table(self.rule, self.table)
        return self


def _check_given(rule: str, measured: Mapping[str, str], given: Mapping[str, str]) -> None:
    """Prove that a rule has all it wants, each amount of the right kind."""
    row = RULES[rule]
    for name, text in given.items():
        if name not in {**row.wanted, **row.may} or name in measured:
            raise ValueError(f"{rule}: given: found {name!r}, expected another of its names")
        if find_act(text) is None:
            amount_of(name, text, row.names[name])
    for name in row.wanted:
        if name not in given and name not in measured:
            raise ValueError(f"{rule}: {name}: missing, expected it measured or given")


def _check_table(rule: str, table: Mapping[str, str]) -> None:
    if table and not RULES[rule].has_table:
        raise ValueError(f"{rule}: table: found one, expected none")
    for t, ohms in table.items():
        amount_of("table", t, "Cel")
        if amount_of("table", ohms, "Ohm") <= 0:
            raise ValueError(f"{rule}: table: found {ohms!r}, expected more than nothing")


class ExampleEvent(Table):
    """One thing that happens in an example; exactly one of acts, act, shows, begin and so on.

    `acts = "as asked"` declares every act that is asked, with accepted answers, until a step is
    asked. `shows` holds the display at one amount (or "overload") `for` a while; `every` says how
    seldom, where a log would otherwise be shown a million readings; `meter` names the meter, where
    there are several. `enter` has in `answers` at least the value. `house` plays a house with that
    fault, or none, until nothing is asked or a step has failed.
    """

    acts: Literal["as asked"] | None = None
    act: Id | None = None
    answers: dict[str, str] = Field(default_factory=dict)
    shows: str | None = None
    mode: Mode = "none"
    top: str | None = None
    lasting: Annotated[str, Field(alias="for")] = "0 s"
    every: str | None = None
    meter: Id | None = None
    begin: Id | None = None
    observe: dict[Id, str] | None = None
    enter: Id | None = None
    choose: str | None = None
    happens: Literal["restart", "link lost"] | None = None
    house: Fault | None = None

    @model_validator(mode="after")
    def _whole(self) -> ExampleEvent:
        keys = ("acts", "act", "shows", "begin", "observe", "enter", "choose", "happens", "house")
        given = [key for key in keys if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(
                f"found {len(given)} events ({', '.join(given) or 'none'}), expected one of "
                f"{', '.join(keys)}"
            )
        shown = () if self.shows in {None, "overload"} else (self.shows,)
        for text in (*shown, *((self.top,) if self.top is not None else ())):
            units.parse_amount(text or "")
        units.parse_duration_ns(self.lasting)
        if self.every is not None and not units.parse_duration_ns(self.every):
            raise ValueError(f"every: found {self.every!r}, expected more than no time")
        return self


class Example(Table):
    """A visit in short: events at four readings a second, and the verdicts they must give.

    `all` is the last verdict of every step that `gives` does not name.
    """

    title: Text
    events: tuple[ExampleEvent, ...]
    gives: dict[Id, tuple[str, ...] | str] = Field(default_factory=dict)
    all: str | None = None
    asks: Id | None = None


class Procedure(Table):
    """One procedure file."""

    id: Id
    title: Text
    version: Text
    about: Text | None = None
    caution: tuple[Text, ...] = ()
    include: tuple[Id, ...] = ()
    circuit: Circuit | None = None
    step: tuple[Step, ...] = ()
    act: tuple[Act, ...] = ()
    guard: tuple[Guard, ...] = ()
    relation: tuple[Relation, ...] = ()
    walk: tuple[WalkThrough, ...] = ()
    example: tuple[Example, ...] = ()

    def find_step(self, name: str) -> Step | None:
        """The step of that id."""
        return next((step for step in self.step if step.id == name), None)

    def find_relation(self, name: str) -> Relation | None:
        """The relation of that id."""
        return next((relation for relation in self.relation if relation.id == name), None)

    def find_act(self, name: str) -> Act | None:
        """The act of that id."""
        return next((act for act in self.act if act.id == name), None)


Item = TypeVar("Item", Act, Step)


def _check_accept(where: str, answers: Sequence[str], accept: Sequence[str]) -> None:
    if not accept:
        raise ValueError(f"{where}: accept: missing, expected at least one of the answers")
    for answer in accept:
        if answer not in answers:
            raise ValueError(f"{where}: accept: found {answer!r}, expected one of the answers")


def parse_procedure(text: str, where: str) -> Procedure:
    """Read one procedure file; what it includes is not looked at yet (see `join`).

    Raises ProcedureError with one line: `where`, the key, what was found, what was expected.
    """
    procedure = parse_table(text, Procedure, where, ProcedureError, MOST_BYTES)
    stem = where.rsplit("/", 1)[-1]
    if stem.endswith(".toml") and stem != f"{procedure.id}.toml":
        raise ProcedureError(f"{where}: id: found {procedure.id!r}, expected the file's own name")
    return procedure


def join(procedure: Procedure, others: Mapping[str, Procedure], where: str) -> Procedure:
    """Put the acts, guards and steps of the included procedures first, and prove the whole.

    An included procedure counts once, however often it is named. Examples are the procedure's own.
    Raises ProcedureError where an id is used twice, is named but not defined, or needs itself.
    """
    ordered = list(_gather(procedure, others, where, (), set()))
    circuits = {part.circuit.net: part.circuit for part in ordered if part.circuit}
    if len(circuits) > 1:
        raise ProcedureError(f"{where}: circuit: found {', '.join(circuits)}, expected one net")
    whole = procedure.model_copy(
        update={
            "include": (),
            "circuit": next(iter(circuits.values()), None),
            "walk": tuple(walk for part in ordered for walk in part.walk),
            "caution": tuple(dict.fromkeys(line for part in ordered for line in part.caution)),
            "act": tuple(act for part in ordered for act in part.act),
            "step": tuple(step for part in ordered for step in part.step),
            "guard": tuple(guard for part in ordered for guard in part.guard),
            "relation": tuple(one for part in ordered for one in part.relation),
        }
    )
    whole = _name_walks_steps(whole)
    _prove(whole, where)
    return whole


def _name_walks_steps(whole: Procedure) -> Procedure:
    """Put the ids of a walk's steps wherever acts and steps name the walk."""
    groups = {
        walk.id: tuple(step.id for step in whole.step if step.walk == walk.id)
        for walk in whole.walk
    }
    if not groups:
        return whole

    def written(item: Item) -> Item:
        keys = ("needs", "voids", "fail_voids", "offered_after")
        lists = {key: getattr(item, key) for key in keys if hasattr(item, key)}
        return item.model_copy(
            update={
                key: tuple(one for name in names for one in groups.get(name, (name,)))
                for key, names in lists.items()
                if any(name in groups for name in names)
            }
        )

    return whole.model_copy(
        update={
            "act": tuple(written(act) for act in whole.act),
            "step": tuple(written(step) for step in whole.step),
        }
    )


def _gather(
    procedure: Procedure,
    others: Mapping[str, Procedure],
    where: str,
    above: tuple[str, ...],
    seen: set[str],
) -> Iterator[Procedure]:
    """What a procedure includes, then the procedure itself; whatever was `seen` is left out."""
    if procedure.id in above:
        raise ProcedureError(f"{where}: include: found {procedure.id!r} inside itself")
    if procedure.id in seen:
        return
    seen.add(procedure.id)
    for name in procedure.include:
        if name not in others:
            raise ProcedureError(f"{where}: include: found {name!r}, expected a known procedure")
        yield from _gather(others[name], others, where, (*above, procedure.id), seen)
    yield procedure


def _prove(whole: Procedure, where: str) -> None:
    """Every name is defined once, and nothing needs itself."""
    if not whole.step and not whole.act:
        raise ProcedureError(f"{where}: step: found none, expected at least one step or act")
    if len(whole.step) > MOST_STEPS:
        raise ProcedureError(
            f"{where}: step: found {len(whole.step)}, expected at most {MOST_STEPS}"
        )
    named: tuple[Act | Step | Guard | Relation, ...] = (
        *whole.act,
        *whole.step,
        *whole.guard,
        *whole.relation,
    )
    for name, count in Counter(item.id for item in named).items():
        if count > 1:
            raise ProcedureError(f"{where}: id: found {name!r} twice, expected each id once")
    acts = {act.id for act in whole.act}
    steps = {step.id for step in whole.step}
    for item, key, name, known in _names(whole, acts, steps):
        if name not in known:
            raise ProcedureError(f"{where}: {item}: {key}: found {name!r}, expected a known id")
    _prove_circuit(whole, where)
    _prove_values(whole, where)
    _prove_relations(whole, where)
    _prove_answers(whole, where)
    _prove_acts_last(whole, where)
    _prove_no_circle(whole, where)


def _names(
    whole: Procedure, acts: set[str], steps: set[str]
) -> Iterator[tuple[str, str, str, set[str]]]:
    """Every place that names another item: (item, key, the name, what it may be)."""
    either = acts | steps
    for act in whole.act:
        lists = {"needs": act.needs, "voids": act.voids, "fail_voids": act.fail_voids}
        for key, names in lists.items():
            yield from ((f"act {act.id}", key, name, either) for name in names)
        decided = steps | {relation.id for relation in whole.relation}
        yield from ((f"act {act.id}", "offered_after", name, decided) for name in act.offered_after)
        yield from ((f"act {act.id}", "ended_by", name, acts) for name in act.ended_by)
        same = (question.same_as for question in act.ask if question.same_as)
        yield from ((f"act {act.id}", "same_as", name, acts) for name in same)
    for step in whole.step:
        where = f"step {step.id}"
        yield from ((where, "needs", name, either) for name in step.needs)
        if step.subtract:
            yield (where, "subtract", step.subtract, steps)
        if step.expect and step.expect.near:
            yield (where, "near.step", step.expect.near.step, steps)
    for relation in whole.relation:
        where = f"relation {relation.id}"
        yield from ((where, "steps", name, steps) for name in relation.steps.values())
    for guard in whole.guard:
        yield (f"guard {guard.id}", "while", guard.standing, acts)
        yield from ((f"guard {guard.id}", "voids", name, either) for name in guard.voids)


def _prove_values(whole: Procedure, where: str) -> None:
    """A step whose value another takes up gives one whenever it passes, of the same quantity."""
    steps = {step.id: step for step in whole.step}
    for step in whole.step:
        named = {"subtract": step.subtract}
        if step.expect and step.expect.near:
            named["near.step"] = step.expect.near.step
        for key, name in named.items():
            if name is None:
                continue
            other = steps[name]
            gives = other.expect is not None and other.expect.gives_value and not other.log
            if not gives or other.quantity != step.quantity:
                raise ProcedureError(
                    f"{where}: step {step.id}: {key}: found {name!r}, expected a step that always "
                    f"gives a {step.quantity}"
                )


def _prove_relations(whole: Procedure, where: str) -> None:
    """What a rule takes from steps and from the person is of the kind that it computes with."""
    steps = {step.id: step for step in whole.step}
    for relation in whole.relation:
        place, rule = f"{where}: relation {relation.id}", RULES[relation.rule]
        first = steps[next(iter(relation.steps.values()))]
        for part, name in relation.steps.items():
            step, unit = steps[name], rule.names[part]
            fits = step.quantity == first.quantity if unit == ANY else _is_of(step.quantity, unit)
            if step.log or step.is_observed or not fits:
                raise ProcedureError(
                    f"{place}: steps: found {name!r}, expected a step that measures "
                    f"{unit or first.quantity}"
                )
        reach = {need for name in relation.steps.values() for need in _reach(whole, name)}
        _prove_stated(whole, relation.rule, relation.given, reach, place)
    for step in whole.step:
        if step.expect and step.expect.rule:
            place, rule = f"{where}: step {step.id}", RULES[step.expect.rule]
            if not _is_of(step.quantity, next(iter(rule.measured.values()))):
                raise ProcedureError(
                    f"{place}: rule: found {step.expect.rule}, not one for {step.quantity}"
                )
            reach = _reach(whole, step.id)
            _prove_stated(whole, step.expect.rule, step.expect.given, reach, place)


def _is_of(quantity: str | None, unit: str) -> bool:
    return quantity is not None and units.is_allowed(quantity, unit)


def _reach(whole: Procedure, name: str) -> set[str]:
    """Everything that an item needs, however deep."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        one = waiting.pop()
        item = whole.find_step(one) or whole.find_act(one)
        more = set(needs_of(item)) - found if item else set()
        found |= more
        waiting += more
    return found


def _prove_stated(
    whole: Procedure, rule: str, given: Mapping[str, str], reach: set[str], place: str
) -> None:
    for name, text in given.items():
        stated = find_act(text)
        if stated is None:
            continue
        act = whole.find_act(stated[0])
        question = next((one for one in act.ask if one.field == stated[1]), None) if act else None
        unit = RULES[rule].names[name]
        if question is None or question.amount is None:
            raise ProcedureError(
                f"{place}: given: {name}: found {text!r}, expected an act that asks for an amount"
            )
        if unit != ANY and not units.is_allowed(question.amount, unit):
            raise ProcedureError(
                f"{place}: given: {name}: found {question.amount}, expected one in {unit}"
            )
        if stated[0] not in reach:
            raise ProcedureError(f"{place}: given: {name}: needs: expected {stated[0]!r} in it")


def _prove_circuit(whole: Procedure, where: str) -> None:
    """What steps and acts say of the circuit is there: states, terminals, motors, supplies."""
    written = {step.walk for step in whole.step}
    for walk in whole.walk:
        if walk.id not in written:
            raise ProcedureError(f"{where}: walk {walk.id}: found no step that it stands for")
    circuit = whole.circuit
    items: tuple[Act | Step, ...] = (*whole.act, *whole.step)
    if circuit is None or circuit.wiring is None:
        for item in items:
            if any(_circuit_names(item)):
                raise ProcedureError(f"{where}: {item.id}: found a state, expected a [circuit]")
        return
    net = build_net(circuit.wiring)
    _prove_supplies(whole, circuit, net, where)
    states = {row.name for row in (*net.walk, *((net.begin,) if net.begin else ()))}
    known: dict[str, Container[str]] = {"state": states, "terminal": net.nodes}
    known |= {f"position of {motor.name}": motor.positions for motor in net.motors}
    known["motor"] = [motor.name for motor in net.motors]
    for item in items:
        for what, name in _circuit_names(item):
            if name not in known.get(what, ()):
                raise ProcedureError(
                    f"{where}: {item.id}: found {name!r}, expected a {what} of net {net.id}"
                )
    _prove_states(whole, net, where)


def _prove_states(whole: Procedure, net: Net, where: str) -> None:
    """One state stands at a time, and whatever goes by it needs the act that sets it."""
    begin = net.begin.name if net.begin else None
    acts = {act.id: act for act in whole.act if act.state is not None and act.state != begin}
    for act in acts.values():
        for other in acts.values():
            if other is not act and other.id not in act.ended_by:
                raise ProcedureError(
                    f"{where}: act {act.id}: ended_by: missing {other.id!r}, another state"
                )
    for step in whole.step:
        told = step.follows or (step.expect.class_ if step.expect else None)
        for motor in net.motors:
            lacking = set(motor.positions) - set(step.follows.answers if step.follows else ())
            if step.follows and step.follows.motor == motor.name and lacking:
                raise ProcedureError(
                    f"{where}: step {step.id}: answers: missing {min(lacking)!r} of {motor.name}"
                )
        if told and not any(n in acts and acts[n].state == told.state for n in step.needs):
            raise ProcedureError(
                f"{where}: step {step.id}: needs: expected the act that sets {told.state}"
            )


def _prove_supplies(whole: Procedure, circuit: Circuit, net: Net, where: str) -> None:
    """Each supply of the net is measured by a step whose volts, if it passes, are a supply's."""
    for supply in net.supplies:
        name = circuit.supply.get(supply.name)
        step = whole.find_step(name or "")
        nought_v = TOLERANCES[supply.kind].zero_v
        limits = step.expect.limits() if step and step.expect and step.expect.between else None
        is_volts = limits is not None and units.is_allowed("voltage", limits.unit)
        low = units.convert(limits.low or nought_v, limits.unit, "V") if limits and is_volts else 0
        if low <= nought_v:
            raise ProcedureError(
                f"{where}: circuit: supply.{supply.name}: found {name!r}, expected a step between "
                f"two voltages, the lower above {nought_v} V"
            )


def _circuit_names(item: Act | Step) -> Iterator[tuple[str, str]]:
    """What an act or a step names of the circuit: (of which kind, the name)."""
    if isinstance(item, Act):
        yield from [("state", item.state)] if item.state is not None else []
        return
    told = item.follows or (item.expect.class_ if item.expect else None)
    if told is not None:
        yield "state", told.state
        yield from (("terminal", name) for name in (told.at, told.to) if name is not None)
    if item.follows is not None and item.follows.motor is not None:
        yield "motor", item.follows.motor
        for position in item.follows.answers:
            yield f"position of {item.follows.motor}", position


def _prove_answers(whole: Procedure, where: str) -> None:
    """An act that repeats an answer repeats one that the other act asks for."""
    fields = {act.id: {question.field for question in act.ask} for act in whole.act}
    for act in whole.act:
        for question in act.ask:
            if question.same_as and question.field not in fields[question.same_as]:
                raise ProcedureError(
                    f"{where}: act {act.id}: same_as: found {question.same_as!r}, expected an act "
                    f"that asks for {question.field}"
                )


def _prove_acts_last(whole: Procedure, where: str) -> None:
    """No act ends itself, by way of what it needs; it would be asked for ever."""
    for act in whole.act:
        fallen = {*act.voids, *(other.id for other in whole.act if act.id in other.ended_by)}
        waiting = list(fallen)
        while waiting:
            name = waiting.pop()
            more = [other.id for other in whole.act if name in other.needs]
            waiting += [other for other in more if other not in fallen]
            fallen.update(more)
        if act.id in fallen and not act.offered_after:
            raise ProcedureError(
                f"{where}: act {act.id}: voids: found what it needs itself, expected other ids"
            )


def needs_of(item: Act | Step) -> tuple[str, ...]:
    """Every id that must stand before `item` is asked, by whatever key it is named."""
    if isinstance(item, Act):
        return item.needs
    subtract = (item.subtract,) if item.subtract else ()
    near = (item.expect.near.step,) if item.expect and item.expect.near else ()
    return (*item.needs, *subtract, *near)


def _prove_no_circle(whole: Procedure, where: str) -> None:
    items: tuple[Act | Step, ...] = (*whole.act, *whole.step)
    try:
        TopologicalSorter({item.id: needs_of(item) for item in items}).prepare()
    except CycleError as error:
        circle = " -> ".join(reversed(error.args[1]))
        raise ProcedureError(f"{where}: needs: found a circle, {circle}") from error


def procedure_to_json(procedure: Procedure) -> dict[str, object]:
    """The procedure as JSON values without floats; `procedure_from_json` is its inverse."""
    dumped: dict[str, object] = procedure.model_dump(
        mode="json", by_alias=True, exclude_none=True, exclude={"example"}
    )
    return dumped


def procedure_from_json(table: object, where: str) -> Procedure:
    """Read a procedure that `procedure_to_json` wrote, already joined; raises ProcedureError."""
    procedure = load_table(table, Procedure, where, ProcedureError)
    _prove(procedure, where)
    return procedure
