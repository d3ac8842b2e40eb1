"""The nets against tables, rules and equations that were written without them.

Sources. The tables: what the trade expects at each terminal (common practice), worked by hand for
each scheme before the model was written; they are typed here and nowhere else. The rules: the same
schemes as logic, from two independent public descriptions. The equations: Kirchhoff's current law,
by Gaussian elimination. The terminal letters of 24 V circuits: common practice, North America.

A cell in which model and table differ stands in DIFFER, with why. Corrections come from a nodal
analysis of the same schemes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metercap.procedure import net as nets
from metercap.procedure.circuit import (
    Class,
    State,
    band,
    class_between,
    is_joined,
    prove_net,
    solve,
    walk,
)
from metercap.procedure.net import Net, parse_net

NETS = Path(nets.__file__).parent / "nets"
NAMES = sorted(path.stem for path in NETS.glob("*.toml"))


@cache
def load(name: str) -> Net:
    path = NETS / f"{name}.toml"
    return parse_net(path.read_text("utf-8"), path.name)


@cache
def walked(name: str) -> dict[str, State]:
    return dict(walk(load(name)))


# A row of a table: terminals that share it, then one cell for each state.
N, E, C, R = "spur N", "spur E", "transformer C", "thermostat R"
Rows = tuple[tuple[tuple[str, ...], str], ...]

MID_POSITION: Rows = (
    (("programmer HW ON",), "0 L L L† L L L† L†"),
    (("programmer HW OFF",), "L F P L L† L† L L"),
    (("programmer CH ON",), "0 0 L L L 0 L F"),
    (("valve white", "centre white"), "0 0 L L L 0 0 0"),
    (("valve grey", "centre grey"), "L F P L L L L L"),
    (("valve orange", "centre orange", "boiler call", "pump L"), "0 L L L L 0 0 0"),
)
TWO_ZONE: Rows = (
    (("programmer HW ON",), "0 L L 0 L L F F"),
    (("programmer CH ON",), "0 0 L L L 0 L F"),
    (("heating valve brown",), "0 0 L L L 0 0 0"),
    (("hot water valve brown",), "0 L L 0 0 0 0 0"),
    (("heating valve grey", "hot water valve grey"), "L L L L L L L L"),
    (("heating valve orange", "hot water valve orange", "centre orange"), "0 L L L L 0 0 0"),
)
DIVERTER: Rows = (
    (("programmer HW ON",), "0 L L L† L L F F F"),
    (("programmer CH ON",), "0 L† L L L 0 L F L"),
    (("boiler call", "pump L", "centre call"), "0 L L L L 0 0 0 L"),
    (("valve motor",), "0 0 0 0 L 0 0 0 L"),
)
S0_TO_S7 = tuple(f"S{number}" for number in range(8))
TABLES: dict[str, tuple[str, tuple[str, ...], Rows]] = {
    "mid-position-valve": (N, S0_TO_S7, MID_POSITION),
    "two-zone-valves": (N, S0_TO_S7, TWO_ZONE),
    "diverter-hot-water-priority": (N, (*S0_TO_S7, "S8"), DIVERTER),
    "combination-mains-stat": (
        "boiler N",
        ("S0", "S1", "S2", "S3"),
        ((("boiler L",), "L L L L"), (("boiler switched live",), "0 L 0 0")),
    ),
    "combination-volt-free-stat": (
        "boiler stat B",
        ("no demand", "demand"),
        ((("boiler stat A",), "L 0"),),
    ),
    "thermostat-24-volt": (
        C,
        ("off", "heat", "cool", "fan"),
        (
            (("thermostat R",), "L L L L"),
            (("thermostat W",), "0 L 0 0"),
            (("thermostat Y",), "0 0 L 0"),
            (("thermostat G",), "0 0 L L"),
        ),
    ),
    "heat-pump-24-volt": (
        C,
        ("off", "heat", "cool", "fan", "heat, satisfied", "cool, satisfied"),
        (
            (("thermostat R",), "L L L L L L"),
            (("thermostat W",), "0 0 0 0 0 0"),
            (("thermostat Y",), "0 L L 0 0 0"),
            (("thermostat G",), "0 L L L 0 0"),
            # From the rule "O = cool, B = heat", with the call in mind.
            (("thermostat O",), "0 0 L 0 0 0"),
            (("thermostat B",), "0 L 0 0 0 0"),
        ),
    ),
}
# Between R and a terminal that has a healthy load behind it.
ACROSS_R: dict[str, tuple[tuple[str, ...], Rows]] = {
    "thermostat-24-volt": (
        ("off", "heat", "cool", "fan"),
        ((("thermostat W",), "L 0 L L"), (("thermostat Y",), "L L 0 L")),
    ),
    "heat-pump-24-volt": (
        ("off", "heat", "cool", "fan"),
        ((("thermostat W",), "L L L L"), (("thermostat Y",), "L 0 0 L")),
    ),
}
FOLLOWS = "O and B follow the selector, not the call: nodal analysis"
DIFFER: dict[tuple[str, str, str], tuple[Class, str]] = {
    ("heat-pump-24-volt", "thermostat B", "heat, satisfied"): (Class.LIVE, FOLLOWS),
    ("heat-pump-24-volt", "thermostat O", "cool, satisfied"): (Class.LIVE, FOLLOWS),
}


def cells(name: str) -> list[tuple[str, str, str, str]]:
    """Every typed cell of a net: terminal, reference, state, class."""
    to, names, rows = TABLES[name]
    found = [(to, names, rows)]
    if name in ACROSS_R:
        found.append((R, *ACROSS_R[name]))
    return [
        (at, to, state, cell)
        for to, names, rows in found
        for terminals, line in rows
        for at in terminals
        for state, cell in zip(names, line.split(), strict=True)
    ]


def test_every_shipped_net_has_a_table() -> None:
    assert sorted(TABLES) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_cell_of_the_trades_table(name: str) -> None:
    differing = {}
    for at, to, state, cell in cells(name):
        found = class_between(walked(name)[state], at, to)
        if found != cell:
            differing[name, at, state] = found

    assert differing == {key: found for key, (found, _) in DIFFER.items() if key[0] == name}


@pytest.mark.parametrize(
    ("name", "valve", "line"),
    [
        (
            "mid-position-valve",
            "valve",
            ["hot water", "hot water", "middle", *["heating"] * 5],
        ),
        (
            "diverter-hot-water-priority",
            "valve",
            ["hot water"] * 4 + ["heating"] + ["hot water"] * 3 + ["heating"],
        ),
        ("two-zone-valves", "heating valve", ["shut"] * 2 + ["open"] * 3 + ["shut"] * 3),
        ("two-zone-valves", "hot water valve", ["shut"] + ["open"] * 2 + ["shut"] * 5),
    ],
)
def test_where_the_valve_stands_in_every_state(name: str, valve: str, line: list[str]) -> None:
    assert [state.positions[valve] for state in walked(name).values()] == line


def test_volt_free_terminals_float_to_earth_and_mains_on_one_shows_there() -> None:
    healthy = walked("combination-volt-free-stat")["no demand"]
    wrong = nets.with_wire(load("combination-volt-free-stat"), "boiler L", "boiler stat A")
    faulty = dict(walk(wrong))["no demand"]

    for terminal in ("boiler stat A", "boiler stat B"):
        assert class_between(healthy, terminal, E) is Class.FLOATING
    # By another path than its own switch, the board's feed.
    assert class_between(faulty, "boiler stat A", E) is Class.BACK_FED
    # Across the pair the fault looks like no demand: why earth comes first.
    assert class_between(faulty, "boiler stat A", "boiler stat B") is Class.LIVE


@pytest.mark.parametrize(("stat", "expected"), [("calling", True), ("satisfied", False)])
def test_a_volt_free_stat_reads_its_contact_when_dead_and_disconnected(
    stat: str, expected: bool
) -> None:
    net = load("combination-volt-free-stat")
    for wire in ("boiler stat A to room stat A", "boiler stat B to room stat B"):
        net = nets.with_open(net, wire)

    assert is_joined(net, {"room stat": stat}, {}, "room stat A", "room stat B") is expected


# The schemes as logic, in every combination of inputs.

COMBINATIONS = list(itertools.product((False, True), repeat=4))


def inputs(hot_water: bool, cylinder: bool, heating: bool, room: bool) -> dict[str, str]:
    return {
        "hot water": "on" if hot_water else "off",
        "cylinder stat": "calling" if cylinder else "satisfied",
        "heating": "on" if heating else "off",
        "room stat": "calling" if room else "satisfied",
    }


def is_live(state: State, terminal: str) -> bool:
    return class_between(state, terminal, N) in (Class.LIVE, Class.BACK_FED)


@pytest.mark.parametrize("before", ["hot water", "middle", "heating"])
@pytest.mark.parametrize(("hot_water", "cylinder", "heating", "room"), COMBINATIONS)
def test_mid_position_valve_by_its_rules(
    hot_water: bool, cylinder: bool, heating: bool, room: bool, before: str
) -> None:
    white = heating and room
    call = hot_water and cylinder
    grey = not hot_water or not cylinder
    if white:
        position = "heating" if grey else "middle"
    else:
        position = "heating" if grey and before != "hot water" else "hot water"

    state = solve(
        load("mid-position-valve"), inputs(hot_water, cylinder, heating, room), {"valve": before}
    )

    assert state.positions == {"valve": position}
    assert is_live(state, "valve white") is white
    assert is_live(state, "valve orange") is (call or (white and position == "heating"))
    assert is_live(state, "valve grey") is grey


@pytest.mark.parametrize(("hot_water", "cylinder", "heating", "room"), COMBINATIONS)
def test_two_zone_valves_by_their_rules(
    hot_water: bool, cylinder: bool, heating: bool, room: bool
) -> None:
    state = solve(load("two-zone-valves"), inputs(hot_water, cylinder, heating, room))

    assert is_live(state, "heating valve brown") is (heating and room)
    assert is_live(state, "hot water valve brown") is (hot_water and cylinder)
    assert is_live(state, "boiler call") is ((heating and room) or (hot_water and cylinder))


@pytest.mark.parametrize(("hot_water", "cylinder", "heating", "room"), COMBINATIONS)
def test_diverter_by_its_rules(hot_water: bool, cylinder: bool, heating: bool, room: bool) -> None:
    boiler = (hot_water and cylinder) or (heating and room)
    # A satisfied stat joins boiler and motor, and the hot water terminal is then on its own.
    motor = boiler and not cylinder

    state = solve(load("diverter-hot-water-priority"), inputs(hot_water, cylinder, heating, room))

    assert is_live(state, "boiler call") is boiler
    assert is_live(state, "valve motor") is motor
    assert state.positions == {"valve": "heating" if motor else "hot water"}


# Kirchhoff's current law: copper 10 mOhm, loads 10 kOhm, and 200 MOhm from every node to live and
# to neutral, as the air beside a live core would have it.

COPPER_S, LOAD_S, AIR_S, STIFF_S = 100.0, 1e-4, 5e-9, 1e6


def conductances(net: Net, state: State, *, diodes: bool) -> Iterator[tuple[str, str, float]]:
    """Every closed way in one state, in siemens; with `diodes` each counts as a load."""
    at = {**state.inputs, **state.positions}
    yield from ((wire.a, wire.b, COPPER_S) for wire in net.wires)
    for contact in net.contacts:
        other = dict(contact.throws).get(at[contact.by])
        if other is not None:
            yield contact.pole, other, COPPER_S
    coils = (motor for motor in net.motors if not motor.is_open)
    for part in (*net.loads, *coils, *(net.links if diodes else ())):
        yield part.a, part.b, LOAD_S


def volts_by_kirchhoff(net: Net, state: State, *, diodes: bool) -> dict[str, float]:
    """Every node's volts for a supply of 1 V."""
    number = {node: index for index, node in enumerate(net.nodes)}
    rows = [[0.0] * (len(number) + 1) for _ in number]
    for a, b, siemens in conductances(net, state, diodes=diodes):
        i, j = number[a], number[b]
        for x, y in ((i, j), (j, i)):
            rows[x][x] += siemens
            rows[x][y] -= siemens
    (supply,) = net.supplies
    stiff = [(supply.live, 1.0), (supply.neutral, 0.0)]
    stiff += [(supply.earth, 0.0)] if supply.earth else []
    pulls = [(node, volts, STIFF_S) for node, volts in stiff]
    pulls += [(node, volts, AIR_S) for node in net.nodes for volts in (0.0, 1.0)]
    for node, volts, siemens in pulls:
        rows[number[node]][number[node]] += siemens
        rows[number[node]][-1] += siemens * volts
    return dict(zip(net.nodes, eliminate(rows), strict=True))


def eliminate(rows: list[list[float]]) -> list[float]:
    """Gauss-Jordan with pivots on the diagonal, which a net of conductances always allows."""
    size = len(rows)
    for pivot in range(size):
        scale = rows[pivot][pivot]
        rows[pivot] = [value / scale for value in rows[pivot]]
        for other in range(size):
            factor = rows[other][pivot]
            if other != pivot and factor:
                rows[other] = [
                    value - factor * taken
                    for value, taken in zip(rows[other], rows[pivot], strict=True)
                ]
    return [row[size] for row in rows]


EXPECTED_VOLTS = {
    Class.LIVE: (0.99, 1.01),
    Class.BACK_FED: (0.99, 1.01),
    Class.THROUGH_LOAD: (0.99, 1.01),
    Class.ZERO: (-0.01, 0.01),
    Class.FLOATING: (0.2, 0.8),
    Class.PARTIAL: (0.2, 1.01),
    Class.UNKNOWN: (0.1, 0.9),
}
ONE_SUPPLY = [name for name in NAMES if len(load(name).supplies) == 1]


def differences(net: Net) -> list[tuple[str, str, Class, float]]:
    """Nodes whose class and whose volts by Kirchhoff do not go together, over a whole walk."""
    found = []
    for name, state in walk(net):
        if state.shorts or state.hunting:
            continue
        # A diode feeds what is partial. It holds nothing at nought: against a capacitor, as a
        # ghost has it, it only shifts the volts, and their a.c. part stays.
        without = volts_by_kirchhoff(net, state, diodes=False)
        with_diodes = volts_by_kirchhoff(net, state, diodes=True)
        for node, class_ in state.node_classes[0].items():
            low, high = EXPECTED_VOLTS[class_]
            volts = (with_diodes if class_ is Class.PARTIAL else without)[node]
            if not low <= volts <= high:
                found.append((name, node, class_, round(volts, 3)))
    return found


@pytest.mark.parametrize("name", ONE_SUPPLY)
def test_every_class_obeys_kirchhoff(name: str) -> None:
    assert differences(load(name)) == []


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_every_class_obeys_kirchhoff_with_any_one_fault(data: st.DataObject) -> None:
    net = load(data.draw(st.sampled_from(ONE_SUPPLY)))
    parts = (*net.wires, *net.contacts, *net.loads, *net.links, *net.motors)
    kind = data.draw(st.sampled_from(["open", "swapped", "wire", "welded"]))
    if kind == "open":
        altered = nets.with_open(net, data.draw(st.sampled_from([part.name for part in parts])))
    elif kind == "welded":
        contact = data.draw(st.sampled_from(net.contacts))
        place = data.draw(st.sampled_from([place for place, _ in contact.throws]))
        altered = nets.with_welded(net, contact.name, place)
    else:
        ends = sorted({end for wire in net.wires for end in (wire.a, wire.b)})
        a, b = data.draw(st.lists(st.sampled_from(ends), min_size=2, max_size=2, unique=True))
        altered = nets.with_swapped(net, a, b) if kind == "swapped" else nets.with_wire(net, a, b)

    assert differences(altered) == []


# What a half-wave reads, by the integrals of a rectified sine.


@pytest.mark.parametrize("supply", [Decimal("216.2"), Decimal("230.0"), Decimal("253.0")])
def test_a_bare_half_wave_is_partial_on_every_meter(supply: Decimal) -> None:
    mean = float(supply) * math.sqrt(2) / math.pi
    whole = float(supply) / math.sqrt(2)
    ripple = math.sqrt(whole**2 - mean**2)
    limits = band(Class.PARTIAL, supply, "high")

    for volts in (ripple, whole):
        assert limits.low_v <= Decimal(volts) <= limits.high_v
    if supply == 230:
        assert (round(mean, 1), round(ripple), round(whole)) == (103.5, 125, 163)


@pytest.mark.parametrize(("mode", "volts"), [("high", (29, 125, 179)), ("low", (11.5, 68, 149))])
def test_partial_holds_what_a_nodal_analysis_gave_for_grey_in_s2(
    mode: str, volts: tuple[float, ...]
) -> None:
    # 29 to 179 V on 10 MOhm and 11 to 149 V on 3 kOhm over plausible parts, at 230 V.
    limits = band(Class.PARTIAL, Decimal(230), "high" if mode == "high" else "low")

    assert [limits.low_v <= Decimal(volt) <= limits.high_v for volt in volts] == [True] * 3


def ghost_volts(supply: float, farad_to_live: float, farad_to_earth: float, ohm: float) -> float:
    """A core beside a live one: capacitive divider loaded by the meter, at 50 Hz."""
    omega = 2 * math.pi * 50
    load_y = 1 / ohm + 1j * omega * farad_to_earth
    return supply * abs(1j * omega * farad_to_live / (1j * omega * farad_to_live + load_y))


def test_ghosts_by_the_capacitive_divider_ask_for_low_impedance_and_collapse() -> None:
    # 1 nF each way at 230 V: 114 V on 10 MOhm, 28 V on 400 kOhm, 0.22 V on 3 kOhm.
    high, middle, low = (ghost_volts(230, 1e-9, 1e-9, ohm) for ohm in (10e6, 400e3, 3e3))

    assert (round(high), round(middle), round(low, 2)) == (114, 28, 0.22)
    assert Decimal(high) > band(Class.FLOATING, Decimal(230), "high").high_v
    assert band(Class.FLOATING, Decimal(230), "high").asks_low
    assert Decimal(low) <= band(Class.FLOATING, Decimal(230), "low").high_v


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_net_is_healthy(name: str) -> None:
    prove_net(load(name), name)
