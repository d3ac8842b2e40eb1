"""A walk through a net's states to the acts and steps that it stands for, and the net put inside.

Every state becomes an act, which sets the controls and says so, and a step for each terminal and
each thing to look at. Which class a terminal has is not written down: the visit works it out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple

from pydantic import ValidationError

from metercap import units
from metercap.errors import ProcedureError
from metercap.model import NS_PER_S
from metercap.procedure.circuit import EARTH_FIRST, LOW_TO_EARTH, prove_net, supply_of
from metercap.procedure.description import Act, Expect, Procedure, Question, Step
from metercap.procedure.net import Net, NetFile, Probe, Row, build_net
from metercap.procedure.pack import Pack
from metercap.procedure.states import ClassAt, Follows, Reads, WalkThrough, Watch

HIGH, LOW = "about 10 MOhm, its ordinary input", "about 3 kOhm, its low input impedance"
NO_LOW = "this meter has no low input impedance"


def write_out(
    procedure: Procedure, nets: Mapping[str, NetFile], packs: Mapping[str, Pack], where: str
) -> Procedure:
    """The procedure with its net and pack inside, and its walks as acts and steps.

    One without a circuit comes back as it is. Raises ProcedureError for a net, pack, state or
    terminal that is not known, and for a net that does not come to rest.
    """
    circuit = procedure.circuit
    if circuit is None:
        if procedure.walk:
            raise ProcedureError(f"{where}: walk: found one without a [circuit]")
        return procedure
    if circuit.net not in nets:
        raise ProcedureError(
            f"{where}: circuit: net: found {circuit.net!r}, expected one of {', '.join(nets)}"
        )
    if circuit.pack is not None and circuit.pack not in packs:
        raise ProcedureError(
            f"{where}: circuit: pack: found {circuit.pack!r}, expected one of {', '.join(packs)}"
        )
    wiring, country = nets[circuit.net], packs.get(circuit.pack or "")
    net = build_net(wiring)
    prove_net(net, f"{where}: circuit: net {net.id}")
    acts, steps = _written(net, procedure, circuit.supply, where)
    cautions = tuple(f"{rule.text} ({rule.source})" for rule in country.cautions) if country else ()
    return procedure.model_copy(
        update={
            "caution": (*procedure.caution, *cautions),
            "circuit": circuit.model_copy(update={"wiring": wiring, "country": country}),
            "act": (*procedure.act, *acts),
            "step": (*procedure.step, *steps),
        }
    )


def _written(
    net: Net, procedure: Procedure, supplies: Mapping[str, str], where: str
) -> tuple[list[Act], list[Step]]:
    acts: list[Act] = []
    steps: list[Step] = []
    for walk in procedure.walk:
        writer = _Writer(net, walk, supplies, where)
        try:
            acts += writer.acts()
            steps += writer.steps()
        except ValidationError as fault:  # what a walk says makes no act or step
            first = fault.errors()[0]
            place = ".".join(map(str, first["loc"]))
            said = " ".join(first["msg"].split())
            raise ProcedureError(
                f"{where}: walk {walk.id}: {fault.title.lower()}: {place}: {said}"
            ) from fault
    return acts, steps


def slug(name: str) -> str:
    """A name of the net as an id: "heat, satisfied" is heat-satisfied."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


class _Ids(NamedTuple):
    """The ids of a walk's own acts."""

    begin: str
    high: str
    low: str

    @staticmethod
    def state(name: str) -> str:
        return f"{slug(name)}-set"


class _Writer:
    """One walk of one net, written out."""

    def __init__(
        self, net: Net, walk: WalkThrough, supplies: Mapping[str, str], where: str
    ) -> None:
        self._net, self._walk, self._supplies = net, walk, supplies
        self._where = f"{where}: walk {walk.id}"
        self._ids = _Ids(f"{walk.id}-begun", f"{walk.id}-ordinary-input", f"{walk.id}-low-input")
        rows = {row.name: row for row in net.walk}
        named = (
            *walk.states,
            *walk.purpose,
            *walk.caution,
            *(state for read in walk.read for state in read.states),
            *(state for watch in walk.observe for state in watch.states),
        )
        for name in named:
            if name not in rows:
                raise ProcedureError(
                    f"{self._where}: found {name!r}, expected one of {', '.join(rows)}"
                )
        self._rows = [rows[name] for name in walk.states] or list(net.walk)
        slowest_ns = max((motor.travel_ns for motor in net.motors), default=0)
        if units.parse_duration_ns(walk.takes) < slowest_ns:
            raise ProcedureError(
                f"{self._where}: takes: found {walk.takes}, expected at least the "
                f"{slowest_ns // NS_PER_S} s that the slowest valve travels"
            )

    def acts(self) -> Iterator[Act]:
        walk, ids = self._walk, self._ids
        yield self._input_act(ids.high, ids.low, "high")
        yield self._input_act(ids.low, ids.high, "low")
        if self._net.begin is not None:
            yield self._begin_act(self._net.begin)
        others = {row.name: ids.state(row.name) for row in self._rows}
        for row in self._rows:
            yield Act(
                id=ids.state(row.name),
                title=f"{row.name}: {self._controls(row)}",
                do=f"{walk.purpose.get(row.name, '')} Set the controls so, and see that they "
                "stand so.".strip(),
                say=f"{row.name}. Set {self._controls(row)}.",
                caution=walk.caution.get(row.name),
                source=walk.source,
                needs=(*walk.needs, *((ids.begin,) if self._net.begin else ())),
                ask=tuple(self._question(name, place) for name, place in self._shown(row)),
                ended_by=tuple(act for name, act in others.items() if name != row.name),
                state=row.name,
                takes=walk.takes,
                walk=walk.id,
            )

    def _input_act(self, name: str, other: str, mode: Literal["high", "low"]) -> Act:
        is_low = mode == "low"
        does = "the low input impedance, and read the same terminal again"
        return Act(
            id=name,
            title=f"Meter on volts, {LOW if is_low else HIGH}",
            do=f"Select {does if is_low else 'volts at the ordinary, high input impedance'}.",
            say="Low impedance." if is_low else "Ordinary volts.",
            caution=f"{LOW_TO_EARTH.text} Many meters allow it for a short time only."
            if is_low
            else None,
            source="common practice: a floating core shows a ghost at high input impedance",
            needs=self._walk.needs,
            ask=(
                Question(
                    field="input",
                    prompt="Which input impedance does the meter have now?",
                    answers=(HIGH, LOW, NO_LOW) if is_low else (HIGH, LOW),
                    accept=(LOW if is_low else HIGH,),
                ),
            ),
            ended_by=(other,),
            input=mode,
            walk=self._walk.id,
        )

    def _begin_act(self, begin: Row) -> Act:
        first = dict(self._net.walk[0].inputs)
        changed = [(name, place) for name, place in begin.inputs if first[name] != place]
        seconds = self._net.begin_ns // NS_PER_S
        does = ", ".join(f"{name} {place}" for name, place in changed)
        return Act(
            id=self._ids.begin,
            title=f"{self._walk.title}: valves at rest",
            do=f"Set {does}, and wait {seconds} s: every valve goes to its rest.",
            say=f"{does}. Wait {seconds} seconds.",
            source=self._walk.source,
            needs=self._walk.needs,
            ask=(
                *(self._question(name, place) for name, place in changed),
                Question(
                    field="waited",
                    prompt=f"Have {seconds} s gone by?",
                    answers=("yes", "no"),
                    accept=("yes",),
                ),
            ),
            state="begin",
            walk=self._walk.id,
        )

    def _shown(self, row: Row) -> list[tuple[str, str]]:
        """Inputs that the person sets or sees: those with more than one position in the walk."""
        begin = (self._net.begin,) if self._net.begin else ()
        every = [dict(one.inputs) for one in (*self._net.walk, *begin)]
        return [(n, place) for n, place in row.inputs if len({one[n] for one in every}) > 1]

    def _controls(self, row: Row) -> str:
        return ", ".join(f"{name} {place}" for name, place in self._shown(row))

    def _question(self, name: str, place: str) -> Question:
        return Question(
            field=slug(name),
            prompt=f"How does it stand: {name}?",
            answers=dict(self._net.inputs)[name],
            accept=(place,),
        )

    def steps(self) -> Iterator[Step]:
        for row in self._rows:
            for read in self._walk.read:
                if row.name in (read.states or (row.name,)):
                    yield from self._read(row, read)
            for watch in self._walk.observe:
                if row.name in (watch.states or (row.name,)):
                    yield self._observe(row, watch)

    def _step_id(self, state: str, at: str, read: Reads) -> str:
        first = next(one.to for one in self._walk.read if at in one.at)
        end = f"-to-{slug(read.to)}" if read.to != first else ""
        return f"{slug(state)}-{slug(at)}{end}"

    def _read(self, row: Row, read: Reads) -> Iterator[Step]:
        walk = self._walk
        for at in read.at:
            earth_first = self._earth_first(row.name, at, read)
            yield Step(
                id=self._step_id(row.name, at, read),
                title=f"{row.name}: {at} to {read.to}",
                do=f"One probe on {read.to}, then the other on {at}. Say when both are on.",
                say=f"{row.name}, {at}.",
                source=read.source or walk.source,
                caution=read.caution or (EARTH_FIRST.text if earth_first else None),
                needs=(*self._before(row, Probe(at, read.to)), *earth_first),
                on_fail=walk.on_fail,
                quantity="voltage",
                mode=read.mode,
                expect=Expect(class_=ClassAt(state=row.name, at=at, to=read.to)),
                start="begin",
                rule="simple",
                time_out=walk.time_out,
                walk=walk.id,
            )

    def _before(self, row: Row, probe: Probe) -> tuple[str, ...]:
        """The supply that it is compared with, the meter's input, and last the state itself."""
        for end in probe:
            if end not in self._net.nodes:
                raise ProcedureError(f"{self._where}: read: found {end!r}, expected a terminal")
        supply = self._supplies.get(supply_of(self._net, probe).name)
        if supply is None:
            raise ProcedureError(f"{self._where}: read: {probe.at}: found no step for its supply")
        return (supply, self._ids.high, self._ids.state(row.name))

    def _earth_first(self, state: str, at: str, read: Reads) -> tuple[str, ...]:
        """The readings to earth, a.c., that must come before one across volt-free terminals."""
        earths = {supply.earth for supply in self._net.supplies}
        across = [end for end in (at, read.to) if end in self._net.volt_free]
        if not across or read.to in earths:
            return ()
        found = []
        for end in across:
            names = [
                self._step_id(state, end, one)
                for one in self._walk.read
                if one.to in earths
                and one.mode == "ac"
                and end in one.at
                and state in (one.states or (state,))
            ]
            if not names:
                raise ProcedureError(
                    f"{self._where}: read: {at} to {read.to}: found no reading of {end!r} to "
                    f"earth in {state}, expected one, a.c., before volt-free terminals are bridged"
                )
            found += names
        return tuple(found)

    def _observe(self, row: Row, watch: Watch) -> Step:
        walk = self._walk
        follows = None
        if watch.answers:
            follows = Follows(
                state=row.name,
                motor=watch.motor,
                at=watch.at,
                to=watch.to,
                answers=watch.answers,
            )
        every = dict.fromkeys(one for answers in watch.answers.values() for one in answers)
        return Step(
            id=f"{slug(row.name)}-{watch.id}",
            title=f"{row.name}: {watch.title}",
            do=watch.do,
            say=f"{row.name}, {watch.title}.",
            source=watch.source,
            caution=watch.caution,
            needs=(self._ids.state(row.name),),
            on_fail=walk.on_fail,
            answers=(*every, *(one for one in watch.choose if one not in every)),
            accept=watch.accept,
            follows=follows,
            walk=walk.id,
        )
