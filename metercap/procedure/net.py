"""A net file to a switched net: terminals, wires, contacts, loads, motors and a walk of states.

It reads a wiring list and says in one line what is wrong with it, and it alters a net by one fault.
What the net does when it is switched on is worked out in `circuit`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Literal, NamedTuple, Protocol, TypeVar, get_args

from pydantic import Field, StringConstraints, model_validator

from metercap import units
from metercap.datafile import Table, parse_table
from metercap.errors import ProcedureError

MOST_BYTES = 1 << 18  # reliability: the largest net file that is read
MOST_NODES = 500  # the same: a house has some tens of terminals
MOST_ROWS = 500

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=600)]
Ends = tuple[Name, Name]
Kind = Literal["mains", "control", "own"]


class Supply(NamedTuple):
    """Where the volts come from.

    `kind` is "mains", "control" (a transformer's extra-low voltage) or "own" (what an appliance
    puts on its own volt-free terminals, known only once it is measured). `earth` is the node that
    is joined to neutral somewhere upstream; None where the supply floats.
    """

    name: str
    kind: Kind
    live: str
    neutral: str
    earth: str | None


class Wire(NamedTuple):
    """Copper from `a` to `b`; its name is "a to b"."""

    name: str
    a: str
    b: str


class Contact(NamedTuple):
    """A switch that joins `pole` to the node that its position names, or to nothing.

    `by` is the input or the motor that moves it; `throws` are (position, node) pairs. With
    `is_feed` current is meant to go from the pole to the throws: what is live against that
    direction is live by back-feed.
    """

    name: str
    by: str
    pole: str
    is_feed: bool
    throws: tuple[tuple[str, str], ...]


class Load(NamedTuple):
    """Something that draws current between two nodes, and so holds one at the other's volts."""

    name: str
    a: str
    b: str


class Link(NamedTuple):
    """A diode in series with a resistor: it passes one half-wave, whichever way round."""

    name: str
    a: str
    b: str


class Motor(NamedTuple):
    """A valve's motor between nodes `a` and `b`, with a spring and a memory.

    Fully powered it goes on by one of `positions`, unpowered the spring takes it back by one, and
    on half-waves it stands still. `travel_ns` and `return_ns` are from the first position to the
    last and back. A motor that is `is_open` draws no current; one that is jammed stays `jammed_at`.
    """

    name: str
    a: str
    b: str
    positions: tuple[str, ...]
    travel_ns: int
    return_ns: int
    is_open: bool = False
    jammed_at: str | None = None


class Probe(NamedTuple):
    """One reading to take: from terminal `at` to terminal `to`."""

    at: str
    to: str


class Row(NamedTuple):
    """One state of the walk: every input and its position, as (input, position) pairs."""

    name: str
    inputs: tuple[tuple[str, str], ...]


class Net(NamedTuple):
    """One switched net. Nothing in it changes; the alterations below give a new one.

    `inputs` are (name, positions) pairs, the first position being the usual one. `begin` is how to
    stand before the first row of the walk, so that every motor starts at rest; `begin_ns` how long.
    `volt_free` are the terminals that are meant to carry no mains.
    """

    id: str
    title: str
    nodes: tuple[str, ...]
    supplies: tuple[Supply, ...]
    inputs: tuple[tuple[str, tuple[str, ...]], ...]
    probes: tuple[Probe, ...]
    wires: tuple[Wire, ...]
    contacts: tuple[Contact, ...]
    loads: tuple[Load, ...]
    links: tuple[Link, ...]
    motors: tuple[Motor, ...]
    walk: tuple[Row, ...]
    begin: Row | None
    begin_ns: int
    volt_free: frozenset[str]


class SupplyTable(Table):
    """[supply.NAME]: its ends, and what kind it is."""

    kind: Kind
    live: Name
    neutral: Name
    earth: Name | None = None


class ProbeTable(Table):
    """[[probe]]: where the second probe stays, and where the first one goes in turn."""

    to: Name
    at: tuple[Name, ...] = Field(min_length=1)
    volt_free: bool = False


class ContactTable(Table):
    """[contact.NAME]: `by` an input or a motor, `from` or `common`, and `to` by position."""

    by: Name
    feed: Annotated[Name | None, Field(alias="from")] = None
    common: Name | None = None
    to: dict[Name, Name] = Field(min_length=1)

    @model_validator(mode="after")
    def _one_pole(self) -> ContactTable:
        if (self.feed is None) == (self.common is None):
            raise ValueError(
                "found both or neither of from and common, expected from (current goes from there "
                "to the others) or common (it may go either way)"
            )
        return self

    @property
    def pole(self) -> str:
        """The node that every position joins to another."""
        return self.feed or self.common or ""


class MotorTable(Table):
    """[motor.NAME]: its coil's two ends, its positions from rest on, and how long it travels."""

    coil: Ends
    positions: tuple[Name, ...] = Field(min_length=2)
    travel: str
    back: str
    source: Text

    @model_validator(mode="after")
    def _times(self) -> MotorTable:
        for text in (self.travel, self.back):
            units.parse_duration_ns(text)
        _check_once("positions", self.positions)
        return self


class BeginTable(Table):
    """[begin]: inputs that differ from the first row, how long to stand so, and why."""

    inputs: dict[Name, Name] = Field(min_length=1)
    lasting: Annotated[str, Field(alias="for")]
    why: Text


class WalkTable(Table):
    """[walk]: the inputs that change, and a row for each state: its name, then their positions."""

    inputs: tuple[Name, ...] = Field(min_length=1)
    rows: tuple[tuple[Name, ...], ...] = Field(min_length=1, max_length=MOST_ROWS)


class NetFile(Table):
    """One net file, as it is written."""

    id: Id
    title: Text
    about: Text
    source: Text
    inside: tuple[Name, ...] = ()
    wires: tuple[Ends, ...]
    supply: dict[Name, SupplyTable] = Field(min_length=1)
    inputs: dict[Name, tuple[Name, ...]] = Field(min_length=1)
    probe: tuple[ProbeTable, ...] = Field(min_length=1)
    contact: dict[Name, ContactTable] = Field(min_length=1)
    load: dict[Name, Ends] = Field(default_factory=dict)
    link: dict[Name, Ends] = Field(default_factory=dict)
    motor: dict[Name, MotorTable] = Field(default_factory=dict)
    begin: BeginTable | None = None
    walk: WalkTable

    @model_validator(mode="after")
    def _whole(self) -> NetFile:
        self._check_names()
        self._check_ends()
        self._check_contacts()
        self._check_walk()
        return self

    def terminals(self) -> tuple[str, ...]:
        """Every node that a probe or a supply names, in the order of the file."""
        ends = (
            end
            for supply in self.supply.values()
            for end in (supply.live, supply.neutral, supply.earth)
            if end is not None
        )
        probed = (name for probe in self.probe for name in (*probe.at, probe.to))
        return tuple(dict.fromkeys((*ends, *probed)))

    def positions(self) -> dict[str, tuple[str, ...]]:
        """What can stand in which positions: every input and every motor."""
        motors = {name: motor.positions for name, motor in self.motor.items()}
        return {**self.inputs, **motors}

    def ends(self) -> Iterator[tuple[str, str]]:
        """Every node that a part is joined to: (the part, the node)."""
        for number, wire in enumerate(self.wires):
            yield from ((f"wires[{number}]", node) for node in wire)
        for name, contact in self.contact.items():
            yield f"contact {name}", contact.pole
            yield from ((f"contact {name}: to.{place}", node) for place, node in contact.to.items())
        for name, load in self.load.items():
            yield from ((f"load {name}", node) for node in load)
        for name, link in self.link.items():
            yield from ((f"link {name}", node) for node in link)
        for name, motor in self.motor.items():
            yield from ((f"motor {name}: coil", node) for node in motor.coil)

    def _check_names(self) -> None:
        wires = (_wire_name(a, b) for a, b in self.wires)
        parts = (*wires, *self.contact, *self.load, *self.link, *self.motor)
        _check_once("the parts", parts)
        _check_once("inputs and motors", (*self.inputs, *self.motor))
        _check_once("inside", self.inside)
        for name, positions in self.inputs.items():
            _check_once(f"inputs: {name}", positions)

    def _check_ends(self) -> None:
        terminals = self.terminals()
        both = [name for name in self.inside if name in terminals]
        if both:
            raise ValueError(f"inside: found {both[0]!r}, which is also probed")
        nodes = {*terminals, *self.inside}
        if len(nodes) > MOST_NODES:
            raise ValueError(f"found {len(nodes)} terminals, expected at most {MOST_NODES}")
        joined = set()
        for place, node in self.ends():
            if node not in nodes:
                raise ValueError(
                    f"{place}: found {node!r}, expected a terminal of a probe or supply, or one "
                    "of inside"
                )
            joined.add(node)
        apart = {supply.earth for supply in self.supply.values()}
        for node in (*terminals, *self.inside):
            if node not in joined and node not in apart:
                raise ValueError(f"{node!r}: found nothing joined to it, expected a wire or a part")

    def _check_contacts(self) -> None:
        known = self.positions()
        for name, contact in self.contact.items():
            if contact.by not in known:
                raise ValueError(
                    f"contact {name}: by: found {contact.by!r}, expected one of {', '.join(known)}"
                )
            for place in contact.to:
                _check_position(f"contact {name}: to", place, known[contact.by])

    def _check_walk(self) -> None:
        for name in (*self.walk.inputs, *(self.begin.inputs if self.begin else ())):
            if name not in self.inputs:
                raise ValueError(f"walk: found {name!r}, expected one of {', '.join(self.inputs)}")
        _check_once("walk: inputs", self.walk.inputs)
        _check_once("walk: rows", (row[0] for row in self.walk.rows))
        for row in self.walk.rows:
            if len(row) != len(self.walk.inputs) + 1:
                raise ValueError(
                    f"walk: {row[0]}: found {len(row) - 1} positions, expected one for each of "
                    f"{', '.join(self.walk.inputs)}"
                )
            for name, position in zip(self.walk.inputs, row[1:], strict=True):
                _check_position(f"walk: {row[0]}: {name}", position, self.inputs[name])
        for name, position in self.begin.inputs.items() if self.begin else ():
            _check_position(f"begin: {name}", position, self.inputs[name])
        if self.begin:
            units.parse_duration_ns(self.begin.lasting)


def _check_once(where: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise ValueError(f"{where}: found {name!r} twice, expected each name once")
        seen.add(name)


def _check_position(where: str, found: str, positions: tuple[str, ...]) -> None:
    if found not in positions:
        raise ValueError(f"{where}: found {found!r}, expected one of {', '.join(positions)}")


def _wire_name(a: str, b: str) -> str:
    return f"{a} to {b}"


def build_net(file: NetFile) -> Net:
    """Make the net of a file that has been read."""
    usual = {name: positions[0] for name, positions in file.inputs.items()}
    rows = tuple(
        Row(row[0], _inputs({**usual, **dict(zip(file.walk.inputs, row[1:], strict=True))}))
        for row in file.walk.rows
    )
    begin = None
    if file.begin:
        begin = Row("begin", _inputs({**dict(rows[0].inputs), **file.begin.inputs}))
    return Net(
        id=file.id,
        title=file.title,
        nodes=(*file.terminals(), *file.inside),
        supplies=_supplies(file),
        inputs=tuple(file.inputs.items()),
        probes=tuple(Probe(at, probe.to) for probe in file.probe for at in probe.at),
        wires=tuple(Wire(_wire_name(a, b), a, b) for a, b in file.wires),
        contacts=tuple(
            Contact(name, table.by, table.pole, table.feed is not None, tuple(table.to.items()))
            for name, table in file.contact.items()
        ),
        loads=tuple(Load(name, a, b) for name, (a, b) in file.load.items()),
        links=tuple(Link(name, a, b) for name, (a, b) in file.link.items()),
        motors=tuple(
            Motor(
                name,
                *table.coil,
                table.positions,
                units.parse_duration_ns(table.travel),
                units.parse_duration_ns(table.back),
            )
            for name, table in file.motor.items()
        ),
        walk=rows,
        begin=begin,
        begin_ns=units.parse_duration_ns(file.begin.lasting) if file.begin else 0,
        volt_free=frozenset(at for probe in file.probe if probe.volt_free for at in probe.at),
    )


def _supplies(file: NetFile) -> tuple[Supply, ...]:
    """Mains first, then by name: a net that was kept with sorted keys is the same net."""
    kinds = get_args(Kind)
    supplies = (
        Supply(name, table.kind, table.live, table.neutral, table.earth)
        for name, table in file.supply.items()
    )
    return tuple(sorted(supplies, key=lambda one: (kinds.index(one.kind), one.name)))


def _inputs(positions: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(positions.items())


def parse_net_file(text: str, where: str) -> NetFile:
    """Read one net file as it is written, to be kept whole inside a procedure.

    Raises ProcedureError with one line: `where`, the part, what was found, what was expected.
    """
    file = parse_table(text, NetFile, where, ProcedureError, MOST_BYTES)
    stem = where.rsplit("/", 1)[-1]
    if stem.endswith(".toml") and stem != f"{file.id}.toml":
        raise ProcedureError(f"{where}: id: found {file.id!r}, expected the file's own name")
    return file


def parse_net(text: str, where: str) -> Net:
    """Read one net file into its net; raises as `parse_net_file` does."""
    return build_net(parse_net_file(text, where))


# Alterations: one fault, on the net that the healthy installation has too.


def with_open(net: Net, part: str, at: str | None = None) -> Net:
    """The net with a wire, load, link, motor coil or contact that makes no connection.

    `at` opens one throw of a contact, named by its position, and leaves the others. Raises
    ValueError where there is no such part or position.
    """
    if at is not None:
        contact = _find(net.contacts, part)
        throws = tuple(throw for throw in contact.throws if throw[0] != at)
        if throws == contact.throws:
            raise ValueError(f"contact {part}: found no position {at!r} that makes")
        return net._replace(contacts=_swap(net.contacts, contact, contact._replace(throws=throws)))
    if part in (motor.name for motor in net.motors):
        motor = _find(net.motors, part)
        return net._replace(motors=_swap(net.motors, motor, motor._replace(is_open=True)))
    opened = net._replace(
        wires=tuple(wire for wire in net.wires if wire.name != part),
        contacts=tuple(contact for contact in net.contacts if contact.name != part),
        loads=tuple(load for load in net.loads if load.name != part),
        links=tuple(link for link in net.links if link.name != part),
    )
    if opened == net:
        raise ValueError(f"net {net.id}: found no part {part!r}")
    return opened


def with_welded(net: Net, contact: str, at: str | None = None) -> Net:
    """The net with a contact that stays made where it is made in position `at`.

    `at` may be left out where the contact leads to one node only. Raises ValueError where there is
    no such contact or position.
    """
    found = _find(net.contacts, contact)
    nodes = {node for place, node in found.throws if at in (None, place)}
    if len(nodes) != 1:
        raise ValueError(
            f"contact {contact}: at: found {at!r}, expected one of "
            f"{', '.join(place for place, _ in found.throws)}"
        )
    (node,) = nodes
    every = _positions(net, found.by)
    welded = found._replace(throws=tuple((place, node) for place in every))
    return net._replace(contacts=_swap(net.contacts, found, welded))


def with_swapped(net: Net, a: str, b: str) -> Net:
    """The net in which the wires that belong on terminals `a` and `b` have changed places.

    What is behind the terminals stays. Raises ValueError where no wire ends on one of them.
    """
    for name in (a, b):
        if not any(name in (wire.a, wire.b) for wire in net.wires):
            raise ValueError(f"net {net.id}: found no wire on {name!r}")
    other = {a: b, b: a}
    return net._replace(
        wires=tuple(
            wire._replace(a=other.get(wire.a, wire.a), b=other.get(wire.b, wire.b))
            for wire in net.wires
        )
    )


def with_wire(net: Net, a: str, b: str) -> Net:
    """The net with one wire more, which does not belong there; raises ValueError."""
    for name in (a, b):
        if name not in net.nodes:
            raise ValueError(f"net {net.id}: found no terminal {name!r}")
    return net._replace(wires=(*net.wires, Wire(_wire_name(a, b), a, b)))


def with_jammed(net: Net, motor: str, at: str) -> Net:
    """The net with a valve that stays at one position whatever its motor does.

    Raises ValueError where there is no such motor or position.
    """
    found = _find(net.motors, motor)
    if at not in found.positions:
        raise ValueError(
            f"motor {motor}: found {at!r}, expected one of {', '.join(found.positions)}"
        )
    return net._replace(motors=_swap(net.motors, found, found._replace(jammed_at=at)))


class Fault(Table):
    """One thing that is wrong: exactly one of `open`, `welded`, `swapped`, `wire`, `jammed`.

    `open` names a part and `welded` a contact; with `at` one position of it is meant. `swapped` are
    two terminals whose wires have changed places, `wire` the ends of one wire too many, `jammed` a
    valve that stands still `at` a position.
    """

    open: Name | None = None
    welded: Name | None = None
    swapped: Ends | None = None
    wire: Ends | None = None
    jammed: Name | None = None
    at: Name | None = None

    @model_validator(mode="after")
    def _one(self) -> Fault:
        kinds = ("open", "welded", "swapped", "wire", "jammed")
        given = [kind for kind in kinds if getattr(self, kind) is not None]
        if len(given) > 1 or (self.jammed is not None and self.at is None):
            raise ValueError(
                f"found {', '.join(given)}, expected at most one of {', '.join(kinds)}, and at "
                "with jammed"
            )
        return self

    @property
    def text(self) -> str:
        """The fault in words; empty for none."""
        at = f" at {self.at}" if self.at else ""
        for ends, words in (
            (self.swapped, "wires changed places: {} and {}"),
            (self.wire, "wire too many: {} to {}"),
        ):
            if ends is not None:
                return words.format(*ends)
        for name, word in ((self.open, "open"), (self.welded, "welded"), (self.jammed, "jammed")):
            if name is not None:
                return f"{word}{at}: {name}"
        return ""


def with_fault(net: Net, fault: Fault) -> Net:
    """The net with that fault; without one as it is. Raises ValueError as the alterations do."""
    if fault.open is not None:
        return with_open(net, fault.open, fault.at)
    if fault.welded is not None:
        return with_welded(net, fault.welded, fault.at)
    if fault.swapped is not None:
        return with_swapped(net, *fault.swapped)
    if fault.wire is not None:
        return with_wire(net, *fault.wire)
    if fault.jammed is not None:
        return with_jammed(net, fault.jammed, fault.at or "")
    return net


def _positions(net: Net, name: str) -> tuple[str, ...]:
    motors = {motor.name: motor.positions for motor in net.motors}
    return {**dict(net.inputs), **motors}[name]


class _Named(Protocol):
    @property
    def name(self) -> str: ...


P = TypeVar("P", bound=_Named)


def _find(parts: tuple[P, ...], name: str) -> P:
    for part in parts:
        if part.name == name:
            return part
    known = ", ".join(part.name for part in parts) or "none"
    raise ValueError(f"found no part {name!r}, expected one of {known}")


def _swap(parts: tuple[P, ...], old: P, new: P) -> tuple[P, ...]:
    return tuple(new if part is old else part for part in parts)
