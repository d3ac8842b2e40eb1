"""A switched net and the positions of its inputs to what every terminal must read.

It follows closed contacts, loads and diodes from the supply to every terminal, lets the valves
travel, and turns the class of a terminal into limits on a reading. It is idealised: contacts and
wires have no resistance, a load is only a load, and a blown fuse is a dead supply. It does not
judge readings, and no class that it gives is a statement about danger.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Literal, NamedTuple

from metercap.errors import ProcedureError
from metercap.procedure.net import Contact, Kind, Motor, Net, Probe, Supply

InputMode = Literal["high", "low"]
Positions = Mapping[str, str]


class Class(StrEnum):
    """What a terminal is, in one state, seen from another terminal.

    A healthy net shows the first five only; the last two come with faults.
    """

    LIVE = "L"
    BACK_FED = "L†"  # live, by another path than its own switch
    ZERO = "0"  # held at the reference by copper or by a load
    FLOATING = "F"  # joined to nothing: a high input impedance shows a ghost
    PARTIAL = "P"  # fed through a diode
    THROUGH_LOAD = "T"  # live behind a load, with nothing to hold it down
    UNKNOWN = "?"  # between live and neutral through loads, or changing all the time


class State(NamedTuple):
    """What a net does with its inputs in given positions, once its motors have travelled.

    `classes` has every probe of the net; `at_once` the same before any motor moved. `positions`
    are the motors' own, to be handed on as the next state's memory; `travel_ns` is how long they
    took. `shorts` are supplies whose live and neutral met: a fuse has gone, and the rest is
    computed without them. `hunting` are motors that never come to rest. `node_classes` has, for
    each supply, every node's class against its neutral.
    """

    inputs: Positions
    classes: Mapping[Probe, Class]
    at_once: Mapping[Probe, Class]
    positions: Positions
    travel_ns: int
    shorts: tuple[str, ...]
    hunting: tuple[str, ...]
    node_classes: tuple[Mapping[str, Class], ...]


class _Joint(NamedTuple):
    """A contact as piece numbers: each position's piece, and the throws' nodes with theirs."""

    by: str
    pole: int
    is_feed: bool
    throws: Mapping[str, int]
    outlets: tuple[tuple[str, int], ...]


class _Plan(NamedTuple):
    """A net worked out once: copper pieces (nodes that wires join) instead of nodes.

    `piece` is each node's piece. `through_load` and `through_all` give for each piece, as a bit
    mask, the pieces across a load, and across a load or a diode.
    """

    piece: Mapping[str, int]
    pieces: int
    through_load: tuple[int, ...]
    through_all: tuple[int, ...]
    joints: tuple[_Joint, ...]
    supplies: tuple[tuple[str, int, int], ...]  # name, mask of live, mask of neutral and earth


class _Side(NamedTuple):
    """One supply's view, as masks of pieces; `forward` is what is live in the meant direction.

    `unfed` are terminals that have a switch of their own which does not feed them now.
    """

    live: int
    forward: int
    zero: int
    through_load: int
    held: int
    partial: int
    unfed: frozenset[str]
    is_short: bool


@lru_cache(maxsize=1024)
def _plan(net: Net) -> _Plan:
    root = {node: node for node in net.nodes}

    def top(node: str) -> str:
        while root[node] != node:
            node = root[node]
        return node

    for wire in net.wires:
        root[top(wire.a)] = top(wire.b)
    numbers: dict[str, int] = {}
    piece = {node: numbers.setdefault(top(node), len(numbers)) for node in net.nodes}
    through_load = [0] * len(numbers)
    coils = ((motor.a, motor.b) for motor in net.motors if not motor.is_open)
    for a, b in (*((load.a, load.b) for load in net.loads), *coils):
        _join(through_load, piece[a], piece[b])
    through_all = list(through_load)
    for link in net.links:
        _join(through_all, piece[link.a], piece[link.b])
    joints = tuple(_joint(contact, piece, dict(net.inputs)) for contact in net.contacts)
    supplies = tuple(
        (
            supply.name,
            1 << piece[supply.live],
            1 << piece[supply.neutral] | (1 << piece[supply.earth] if supply.earth else 0),
        )
        for supply in net.supplies
    )
    return _Plan(piece, len(numbers), tuple(through_load), tuple(through_all), joints, supplies)


def _joint(contact: Contact, piece: Mapping[str, int], inputs: Container[str]) -> _Joint:
    has_outlets = contact.is_feed and contact.by in inputs
    return _Joint(
        by=contact.by,
        pole=piece[contact.pole],
        is_feed=contact.is_feed,
        throws={place: piece[node] for place, node in contact.throws},
        outlets=tuple((node, piece[node]) for _, node in contact.throws if has_outlets),
    )


def _join(reach: list[int], a: int, b: int) -> None:
    reach[a] |= 1 << b
    reach[b] |= 1 << a


def _reach(start: int, ways: list[int], barred: int = 0) -> int:
    """Every piece that is `start` or can be come to from there, without going into `barred`."""
    seen = todo = start
    while todo:
        one = todo & -todo
        new = ways[one.bit_length() - 1] & ~seen & ~barred
        seen |= new
        todo = (todo ^ one) | new
    return seen


def _sides(plan: _Plan, at: Positions, blown: tuple[str, ...]) -> tuple[_Side, ...]:
    """The view of each supply, with every input and motor where `at` says; a blown one is dead."""
    closed = [0] * plan.pieces
    onward = [0] * plan.pieces
    for joint in plan.joints:
        other = joint.throws.get(at[joint.by])
        if other is None:
            continue
        _join(closed, joint.pole, other)
        onward[joint.pole] |= 1 << other
        if not joint.is_feed:
            onward[other] |= 1 << joint.pole
    loads = [a | b for a, b in zip(closed, plan.through_load, strict=True)]
    everything = [a | b for a, b in zip(closed, plan.through_all, strict=True)]
    return tuple(
        _side(plan, at, closed, onward, loads, everything, 0 if name in blown else live, neutral)
        for name, live, neutral in plan.supplies
    )


def _side(
    plan: _Plan,
    at: Positions,
    closed: list[int],
    onward: list[int],
    loads: list[int],
    everything: list[int],
    source: int,
    neutral: int,
) -> _Side:
    zero = _reach(neutral, closed)
    is_short = bool(zero & source)
    live = 0 if is_short else _reach(source, closed)
    forward = 0 if is_short else _reach(source, onward)
    return _Side(
        live=live,
        forward=forward,
        zero=zero,
        through_load=_reach(live, loads, zero),
        held=_reach(zero, loads, live),
        partial=_reach(live, everything, zero),
        unfed=_unfed(plan, at, forward),
        is_short=is_short,
    )


def _unfed(plan: _Plan, at: Positions, forward: int) -> frozenset[str]:
    """Terminals that have a switch of their own which does not feed them now."""
    fed: set[str] = set()
    outlets: set[str] = set()
    for joint in plan.joints:
        other = joint.throws.get(at[joint.by])
        for node, number in joint.outlets:
            outlets.add(node)
            if number == other and forward >> joint.pole & 1:
                fed.add(node)
    return frozenset(outlets - fed)


def _class_of(side: _Side, node: str, number: int) -> Class:
    bit = 1 << number
    if side.live & bit:
        is_own = side.forward & bit and node not in side.unfed
        return Class.LIVE if is_own else Class.BACK_FED
    if side.zero & bit:
        return Class.ZERO
    if side.through_load & bit:
        return Class.UNKNOWN if side.held & bit else Class.THROUGH_LOAD
    # Fed through a diode comes before held through a load: a stalled valve motor is both.
    if side.partial & bit:
        return Class.PARTIAL
    return Class.ZERO if side.held & bit else Class.FLOATING


class _Moment(NamedTuple):
    """The net while nothing moves: where the motors stand, and all classes by supply and node.

    `blown` are the supplies whose fuse has gone, before or now.
    """

    place: dict[str, str]
    blown: tuple[str, ...]
    node_classes: tuple[Mapping[str, Class], ...]


def _moment(
    plan: _Plan, inputs: dict[str, str], place: dict[str, str], blown: tuple[str, ...]
) -> _Moment:
    sides = _sides(plan, inputs | place, blown)
    shorts = (
        name for (name, _, _), side in zip(plan.supplies, sides, strict=True) if side.is_short
    )
    return _Moment(
        place,
        (*blown, *shorts),
        tuple(
            {node: _class_of(side, node, number) for node, number in plan.piece.items()}
            for side in sides
        ),
    )


_LIVE = (Class.LIVE, Class.BACK_FED)
# Which answer counts where a net with a fault mixes two supplies: the strongest.
_STRONGEST = (
    Class.LIVE,
    Class.BACK_FED,
    Class.UNKNOWN,
    Class.THROUGH_LOAD,
    Class.PARTIAL,
    Class.ZERO,
    Class.FLOATING,
)


def _between(at: Class, to: Class) -> Class:
    """The class of one node seen from another of the same supply."""
    if Class.FLOATING in (at, to):
        return Class.FLOATING
    if Class.UNKNOWN in (at, to):
        return Class.UNKNOWN
    if to is Class.ZERO:
        return at
    if at is Class.ZERO:
        return to
    pair = {Class.LIVE if one in _LIVE else one for one in (at, to)}
    if pair <= {Class.LIVE, Class.THROUGH_LOAD}:
        return Class.ZERO
    return Class.PARTIAL if pair == {Class.LIVE, Class.PARTIAL} else Class.UNKNOWN


def _read(classes: tuple[Mapping[str, Class], ...], probe: Probe) -> Class:
    if len(classes) == 1:
        return _between(classes[0][probe.at], classes[0][probe.to])
    found = [_between(one[probe.at], one[probe.to]) for one in classes]
    return min(found, key=_STRONGEST.index)


def _read_all(net: Net, classes: tuple[Mapping[str, Class], ...]) -> Mapping[Probe, Class]:
    return {probe: _read(classes, probe) for probe in net.probes}


def class_between(state: State, at: str, to: str) -> Class:
    """The class of terminal `at` seen from terminal `to`, probed or not.

    Raises KeyError for a name that is no node of the net.
    """
    return _read(state.node_classes, Probe(at, to))


def is_joined(net: Net, inputs: Positions, positions: Positions, a: str, b: str) -> bool:
    """Whether wires and closed contacts alone join two terminals: what an ohmmeter shows dead.

    Raises KeyError for a name that is no node of the net.
    """
    plan = _plan(net)
    at = _usual(net) | dict(inputs) | _rest(net, positions)
    closed = [0] * plan.pieces
    for joint in plan.joints:
        other = joint.throws.get(at[joint.by])
        if other is not None:
            _join(closed, joint.pole, other)
    return bool(_reach(1 << plan.piece[a], closed) >> plan.piece[b] & 1)


def _usual(net: Net) -> dict[str, str]:
    return {name: positions[0] for name, positions in net.inputs}


def _rest(net: Net, memory: Positions | None) -> dict[str, str]:
    remembered = memory or {}
    return {
        motor.name: motor.jammed_at or remembered.get(motor.name, motor.positions[0])
        for motor in net.motors
    }


def _goes_to(motor: Motor, place: str, classes: tuple[Mapping[str, Class], ...]) -> str:
    """The position next to `place` that the motor moves to, or `place` where it stays."""
    if motor.jammed_at:
        return place
    index = motor.positions.index(place)
    power = Class.FLOATING if motor.is_open else _read(classes, Probe(motor.a, motor.b))
    if power in _LIVE:
        index = min(index + 1, len(motor.positions) - 1)
    elif power not in (Class.PARTIAL, Class.UNKNOWN):
        index = max(index - 1, 0)
    return motor.positions[index]


def _step_ns(motor: Motor, place: str, goes_to: str) -> int:
    gaps = len(motor.positions) - 1
    ahead = motor.positions.index(goes_to) - motor.positions.index(place)
    return 0 if ahead == 0 else (motor.travel_ns if ahead > 0 else motor.return_ns) // gaps


def solve(net: Net, inputs: Positions, memory: Positions | None = None) -> State:
    """Work out one state: the class of every probe, and where the valves come to rest.

    `inputs` may leave out what stands in its usual position; `memory` is the last state's
    `positions`, None for valves at rest. Raises ValueError for an input or position that the net
    does not have.
    """
    _check(net, inputs, memory or {})
    plan = _plan(net)
    given = _usual(net) | dict(inputs)
    place = _rest(net, memory)
    moments: list[_Moment] = []
    travel_ns = 0
    blown: tuple[str, ...] = ()
    while (place, blown) not in ((moment.place, moment.blown) for moment in moments):
        moment = _moment(plan, given, place, blown)
        moments.append(moment)
        place = {
            motor.name: _goes_to(motor, moment.place[motor.name], moment.node_classes)
            for motor in net.motors
        }
        travel_ns += max(
            (_step_ns(one, moment.place[one.name], place[one.name]) for one in net.motors),
            default=0,
        )
        blown = moment.blown
    first = next(one for one in moments if (one.place, one.blown) == (place, blown))
    circle = moments[moments.index(first) :]
    node_classes = _merge([moment.node_classes for moment in circle])
    classes = _read_all(net, node_classes)
    return State(
        inputs=given,
        classes=classes,
        at_once=classes if len(moments) == 1 else _read_all(net, moments[0].node_classes),
        positions=place,
        travel_ns=travel_ns,
        shorts=blown,
        hunting=tuple(
            motor.name
            for motor in net.motors
            if len({moment.place[motor.name] for moment in circle}) > 1
        ),
        node_classes=node_classes,
    )


def _merge(
    rounds: list[tuple[Mapping[str, Class], ...]],
) -> tuple[Mapping[str, Class], ...]:
    """One round as it is; where a motor hunts, what changes with it is unknown."""
    if len(rounds) == 1:
        return rounds[0]
    return tuple(
        {
            node: found if all(one[node] is found for one in views) else Class.UNKNOWN
            for node, found in views[0].items()
        }
        for views in zip(*rounds, strict=True)
    )


def _check(net: Net, inputs: Positions, memory: Positions) -> None:
    known = dict(net.inputs)
    motors = {motor.name: motor.positions for motor in net.motors}
    for what, given, table in (("input", inputs, known), ("motor", memory, motors)):
        for name, position in given.items():
            if name not in table:
                raise ValueError(f"{what}: found {name!r}, expected one of {', '.join(table)}")
            if position not in table[name]:
                raise ValueError(
                    f"{what} {name}: found {position!r}, expected one of {', '.join(table[name])}"
                )


def walk(net: Net) -> Iterator[tuple[str, State]]:
    """Every row of the net's walk in order, each with the memory of the one before.

    The valves start where the net's `begin` leaves them, else at rest.
    """
    memory = solve(net, dict(net.begin.inputs)).positions if net.begin else None
    for row in net.walk:
        state = solve(net, dict(row.inputs), memory)
        memory = state.positions
        yield row.name, state


def prove_net(net: Net, where: str) -> None:
    """Walk a healthy net, which must not blow its fuse, hunt, or leave a class without limits.

    Raises ProcedureError with one line: `where`, the state, what was found, what was expected.
    """
    for name, state in walk(net):
        if state.shorts:
            raise ProcedureError(
                f"{where}: walk: {name}: found live joined to neutral of {state.shorts[0]}, "
                "expected a load between them"
            )
        if state.hunting:
            raise ProcedureError(
                f"{where}: walk: {name}: found motor {state.hunting[0]} that never comes to rest, "
                "expected a position that it keeps"
            )
        for probe, found in state.classes.items():
            if found in (Class.UNKNOWN, Class.THROUGH_LOAD):
                raise ProcedureError(
                    f"{where}: walk: {name}: found {probe.at!r} behind a load only, expected a "
                    "wire or a contact to hold it"
                )


# What a reading must be. Volts against the supply as it was measured at this visit.


class Tolerance(NamedTuple):
    """How far a live terminal may be from the supply, and below what a terminal is at nought."""

    live_v: Decimal
    live_percent: Decimal
    zero_v: Decimal
    source: str


TOLERANCES: Mapping[Kind, Tolerance] = {
    "mains": Tolerance(
        Decimal(5), Decimal(3), Decimal(5), "this project's own choice; control wiring is short"
    ),
    "control": Tolerance(
        Decimal(1), Decimal(10), Decimal(2), "24 V plus or minus 10 %: common practice"
    ),
    "own": Tolerance(
        Decimal(1), Decimal(10), Decimal(2), "this project's own choice: the maker's value rules"
    ),
}

# Percent of the supply that a terminal fed through a diode may show, by input. Source: a nodal
# analysis over plausible diodes, resistors and motors gave 29 to 179 V on 10 MOhm and 11 to 149 V
# on 3 kOhm at 230 V.
PARTIAL_PERCENT: Mapping[InputMode, tuple[int, int]] = {"high": (10, 80), "low": (5, 70)}


class Band(NamedTuple):
    """What a reading may be, in volts, the limits included.

    With `asks_low` a reading above `high_v` may be a ghost: it is no answer yet, and the same
    terminal is to be read again at low input impedance.
    """

    low_v: Decimal
    high_v: Decimal
    asks_low: bool


def band(found: Class, supply_v: Decimal, input_mode: InputMode, kind: Kind = "mains") -> Band:
    """Limits for a terminal of that class, from the supply's volts as measured at this visit.

    `input_mode` is "high" (about 10 MOhm) or "low" (about 3 kOhm). Raises ValueError where the
    supply is not above what counts as nought.
    """
    tolerance = TOLERANCES[kind]
    if not supply_v > tolerance.zero_v:
        raise ValueError(
            f"supply: found {supply_v} V, expected a measured supply above {tolerance.zero_v} V"
        )
    margin = max(tolerance.live_v, supply_v * tolerance.live_percent / 100)
    if found in _LIVE or (found is Class.THROUGH_LOAD and input_mode == "high"):
        return Band(supply_v - margin, supply_v + margin, asks_low=False)
    if found in (Class.ZERO, Class.FLOATING):
        # What holds a terminal at nought may be an input of 1 MOhm, and then it floats as well.
        return Band(Decimal(0), tolerance.zero_v, asks_low=input_mode == "high")
    if found is Class.PARTIAL:
        low, high = PARTIAL_PERCENT[input_mode]
        return Band(supply_v * low / 100, supply_v * high / 100, asks_low=False)
    return Band(Decimal(0), supply_v + margin, asks_low=False)


def needs_low_impedance(
    found: Class,
    reading_v: Decimal,
    supply_v: Decimal,
    input_mode: InputMode,
    kind: Kind = "mains",
) -> bool:
    """Whether a reading is no answer yet, and the terminal must be read at low input impedance."""
    limits = band(found, supply_v, input_mode, kind)
    return limits.asks_low and reading_v > limits.high_v


Source = Literal["fed", "ghost", "diode"]


def find_source(
    high_v: Decimal, low_v: Decimal, supply_v: Decimal, kind: Kind = "mains"
) -> Source | None:
    """What a terminal is, from its readings at high and at low input impedance.

    "fed" stands near the supply in both, a "ghost" collapses, "diode" rises or stays in between;
    None where both are at nought. Source: nodal analysis, and common practice for the ghost.
    """
    nought = TOLERANCES[kind].zero_v
    if max(high_v, low_v) <= nought:
        return None
    if low_v <= nought:
        return "ghost"
    return "fed" if low_v >= band(Class.LIVE, supply_v, "low", kind).low_v else "diode"


class Rule(NamedTuple):
    """Something that must be shown before a terminal is probed; with `forbids` it is not probed."""

    id: str
    text: str
    source: str
    forbids: bool


LOW_TO_EARTH = Rule(
    "low-impedance-to-earth",
    "Never read to earth at low input impedance: from line it draws about 77 mA and trips a 30 mA "
    "residual current device. Read to earth at high input impedance only.",
    "230 V over 3 kOhm by Ohm's law; common practice",
    forbids=True,
)
EARTH_FIRST = Rule(
    "volt-free-earth-first",
    "Read each of these terminals to earth first, in volts a.c. at high input impedance. Mains "
    "that was wrongly connected here can look normal across the pair.",
    "nodal analysis; common practice",
    forbids=False,
)
LOW_ACROSS_VOLT_FREE = Rule(
    "low-impedance-across-volt-free",
    "A low input impedance across these terminals may itself start the boiler.",
    "nodal analysis",
    forbids=True,
)
LOW_HOLDS_NOT = Rule(
    "low-impedance-on-half-wave",
    "A low input impedance here takes the current that holds the valve: it may move. Look at the "
    "lever, and wait for it to settle again.",
    "common practice",
    forbids=False,
)


def rules_for(net: Net, probe: Probe, found: Class, input_mode: InputMode) -> tuple[Rule, ...]:
    """What the person must be shown before this probe is taken in this mode, the worst first."""
    earths = {supply.earth for supply in net.supplies}
    rules: list[Rule] = []
    if input_mode == "low" and (probe.at in earths or probe.to in earths):
        rules.append(LOW_TO_EARTH)
    ends = {probe.at, probe.to}
    across = net.volt_free & ends
    if across and not ends & earths:
        if input_mode == "low":
            rules.append(LOW_ACROSS_VOLT_FREE)
        rules.append(EARTH_FIRST)
    if found is Class.PARTIAL and input_mode == "low":
        rules.append(LOW_HOLDS_NOT)
    return tuple(rules)


def supply_of(net: Net, probe: Probe) -> Supply:
    """The supply against which a probe's volts are compared.

    It is the one that reaches both ends by wires, loads, diodes or contacts in any position; where
    none does, the first one, to which the pair floats.
    """
    plan = _plan(net)
    ways = list(plan.through_all)
    for joint in plan.joints:
        for other in joint.throws.values():
            _join(ways, joint.pole, other)
    pair = 1 << plan.piece[probe.at] | 1 << plan.piece[probe.to]
    for supply, (_, live, neutral) in zip(net.supplies, plan.supplies, strict=True):
        if _reach(live | neutral, ways) & pair == pair:
            return supply
    return net.supplies[0]
