"""A net, with one fault or none, to what a meter would show and a person see at it. No real house.

For examples, tests and practice only. The volts are plausible, not exact: a class becomes a share
of the supply.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from metercap.procedure.circuit import (
    Class,
    InputMode,
    State,
    class_between,
    solve,
    supply_of,
    walk,
)
from metercap.procedure.net import Fault, Kind, Net, Probe, with_fault

# Volts of a supply of that kind, as its house has them. Mains within every band of Great Britain; a
# transformer at light load; a boiler's own terminals as one published example has them.
SUPPLY_V: Mapping[Kind, Decimal] = {
    "mains": Decimal("238.4"),
    "control": Decimal("26.1"),
    "own": Decimal("16.2"),
}
# Shares of the supply at (10 MOhm, 3 kOhm). Source of the half-wave: nodal analysis, 125 and 68 of
# 230 V; a third for a ghost: cores side by side, common practice.
_SHARES: Mapping[Class, tuple[Decimal, Decimal]] = {
    Class.LIVE: (Decimal("0.998"), Decimal("0.997")),
    Class.BACK_FED: (Decimal("0.997"), Decimal("0.996")),
    Class.ZERO: (Decimal("0.001"), Decimal("0.001")),
    Class.FLOATING: (Decimal("0.35"), Decimal("0.001")),
    Class.PARTIAL: (Decimal("0.54"), Decimal("0.30")),
    Class.THROUGH_LOAD: (Decimal("0.98"), Decimal("0.90")),
    Class.UNKNOWN: (Decimal("0.5"), Decimal("0.5")),
}
_LIVE = (Class.LIVE, Class.BACK_FED)


class House(NamedTuple):
    """A net as its controls stand now; `state` is None before they have been set."""

    net: Net
    state: State | None = None


def set_controls(house: House, name: str) -> House:
    """The house once its controls are set to that state of its walk, and its valves have moved."""
    begin = house.net.begin
    rows = {row.name: row for row in (*house.net.walk, *((begin,) if begin else ()))}
    memory = house.state.positions if house.state else None
    return house._replace(state=solve(house.net, dict(rows[name].inputs), memory))


def volts(house: House, at: str, to: str, mode: InputMode) -> Decimal:
    """What a meter shows from terminal to terminal; raises ValueError before controls are set."""
    if house.state is None:
        raise ValueError("house: its controls have not been set")
    found = class_between(house.state, at, to)
    if found is Class.FLOATING and {at, to} & house.net.volt_free:
        found = Class.ZERO  # a board's own capacitors hold it near earth
    supply = SUPPLY_V[supply_of(house.net, Probe(at, to)).kind]
    return supply * _SHARES[found][0 if mode == "high" else 1]


def supply_v(house: House, name: str) -> Decimal:
    """What a meter shows of a supply; an appliance's own depends on what hangs on its terminals."""
    kind = next(supply.kind for supply in house.net.supplies if supply.name == name)
    probes = [probe for probe in house.net.probes if supply_of(house.net, probe).name == name]
    if kind != "own" or house.state is None or not probes:
        return SUPPLY_V[kind]
    return volts(house, *probes[0], mode="high")


def is_live(house: House, at: str, to: str) -> bool:
    """Whether what hangs on that terminal has its full supply."""
    return house.state is not None and class_between(house.state, at, to) in _LIVE


def position(house: House, motor: str) -> str:
    """Where a valve stands."""
    return house.state.positions[motor] if house.state else ""


def visible_faults(net: Net) -> list[Fault]:
    """Every single fault that the net's walk shows at some terminal or valve, without a short."""
    faults = [
        *(Fault(open=wire.name) for wire in net.wires),
        *(Fault(open=contact.name) for contact in net.contacts),
        *(
            Fault(welded=contact.name, at=place)
            for contact in net.contacts
            for place, _ in contact.throws
        ),
        *(Fault(open=motor.name) for motor in net.motors),
        *(Fault(jammed=motor.name, at=place) for motor in net.motors for place in motor.positions),
    ]
    healthy = _looks(net)
    return [fault for fault in faults if _looks(with_fault(net, fault)) not in (None, healthy)]


def _looks(net: Net) -> list[object] | None:
    """What a walk shows; None where something goes up in it."""
    looks: list[object] = []
    for _, state in walk(net):
        if state.shorts or state.hunting:
            return None
        seen = [volts(House(net, state), *probe, mode="high") for probe in net.probes]
        looks.append((seen, dict(state.positions)))
    return looks
