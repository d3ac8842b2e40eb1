"""The solver in small: each class, travel and memory, alterations, limits, rules and refusals.

HEAT_ONLY is a net that is not shipped, written as a procedure author would: a heat-only boiler with
pump overrun, two zone valves and a wireless receiver. Its expectations are the scheme's own rules.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import ProcedureError
from metercap.model import NS_PER_S
from metercap.procedure import net as nets
from metercap.procedure.circuit import (
    EARTH_FIRST,
    LOW_ACROSS_VOLT_FREE,
    LOW_HOLDS_NOT,
    LOW_TO_EARTH,
    Class,
    InputMode,
    Kind,
    State,
    band,
    class_between,
    find_source,
    needs_low_impedance,
    prove_net,
    rules_for,
    solve,
    supply_of,
    walk,
)
from metercap.procedure.net import (
    Net,
    Probe,
    parse_net,
    with_jammed,
    with_open,
    with_swapped,
    with_welded,
    with_wire,
)

NETS = Path(nets.__file__).parent / "nets"
N = "spur N"
VS = Decimal(230)

HEAT_ONLY = """
id = "heat-only-overrun"
title = "Heat-only boiler with pump overrun, two zone valves and a wireless receiver"
about = "The boiler has a permanent live and feeds the pump: on a call, and for a while after."
source = "common practice"

wires = [
  ["spur L", "boiler L"],
  ["spur L", "receiver L"],
  ["spur L", "programmer L"],
  ["spur L", "hot water valve grey"],
  ["spur L", "heating valve grey"],
  ["receiver L", "receiver common"],
  ["receiver NO", "heating valve brown"],
  ["programmer HW ON", "cylinder stat common"],
  ["cylinder stat call", "hot water valve brown"],
  ["hot water valve orange", "boiler call"],
  ["heating valve orange", "boiler call"],
  ["boiler pump", "pump L"],
]

[supply.mains]
kind = "mains"
live = "spur L"
neutral = "spur N"

[inputs]
"hot water" = ["off", "on"]
"cylinder stat" = ["calling", "satisfied"]
"receiver" = ["off", "calling"]
"overrun" = ["ended", "running"]

[[probe]]
to = "spur N"
at = [
  "boiler L", "receiver L", "receiver common", "receiver NO", "programmer L", "programmer HW ON",
  "cylinder stat common", "cylinder stat call", "hot water valve brown", "hot water valve grey",
  "hot water valve orange", "heating valve brown", "heating valve grey", "heating valve orange",
  "boiler call", "boiler pump", "pump L",
]

[contact.programmer]
by = "hot water"
from = "programmer L"
to = { on = "programmer HW ON" }

[contact."cylinder stat"]
by = "cylinder stat"
from = "cylinder stat common"
to = { calling = "cylinder stat call" }

[contact."receiver relay"]
by = "receiver"
from = "receiver common"
to = { calling = "receiver NO" }

[contact."hot water end switch"]
by = "hot water valve"
from = "hot water valve grey"
to = { open = "hot water valve orange" }

[contact."heating end switch"]
by = "heating valve"
from = "heating valve grey"
to = { open = "heating valve orange" }

[contact."pump on call"]
by = "call relay"
from = "boiler L"
to = { made = "boiler pump" }

[contact."pump overrun"]
by = "overrun"
from = "boiler L"
to = { running = "boiler pump" }

[load]
pump = ["pump L", "spur N"]
"receiver supply" = ["receiver L", "spur N"]

[motor."hot water valve"]
coil = ["hot water valve brown", "spur N"]
positions = ["shut", "open"]
travel = "20 s"
back = "15 s"
source = "from memory"

[motor."heating valve"]
coil = ["heating valve brown", "spur N"]
positions = ["shut", "open"]
travel = "20 s"
back = "15 s"
source = "from memory"

# A relay is a motor that is there at once.
[motor."call relay"]
coil = ["boiler call", "spur N"]
positions = ["dropped", "made"]
travel = "50 ms"
back = "50 ms"
source = "from memory"

[walk]
inputs = ["hot water", "cylinder stat", "receiver", "overrun"]
rows = [
  ["S0", "off", "calling", "off", "ended"],
  ["S1", "on", "calling", "off", "ended"],
  ["S2", "on", "calling", "calling", "ended"],
  ["S3", "off", "calling", "calling", "ended"],
  ["S7 at first", "off", "satisfied", "off", "running"],
  ["S7", "off", "satisfied", "off", "ended"],
]
"""


def shipped(name: str) -> Net:
    return parse_net((NETS / f"{name}.toml").read_text("utf-8"), f"{name}.toml")


MID = shipped("mid-position-valve")
ZONES = shipped("two-zone-valves")
VOLT_FREE = shipped("combination-volt-free-stat")
AUTHORS = parse_net(HEAT_ONLY, "heat-only-overrun.toml")
ALL_ON = {"hot water": "on", "heating": "on"}


def line(net: Net, terminal: str) -> str:
    """A terminal's class over the whole walk."""
    return " ".join(class_between(state, terminal, N) for _, state in walk(net))


def test_a_new_scheme_walks_as_its_rules_say() -> None:
    prove_net(AUTHORS, "heat-only-overrun.toml")

    assert line(AUTHORS, "boiler L") == "L L L L L L"
    assert line(AUTHORS, "hot water valve brown") == "0 L L 0 0 0"
    assert line(AUTHORS, "heating valve brown") == "0 0 L L 0 0"
    assert line(AUTHORS, "boiler call") == "0 L L L 0 0"
    # The pump runs on after the call, and only then stops.
    assert line(AUTHORS, "pump L") == "0 L L L L 0"
    assert line(AUTHORS, "cylinder stat common") == "0 L L 0 F F"


def test_a_receiver_without_its_link_never_calls() -> None:
    broken = with_open(AUTHORS, "receiver L to receiver common")

    assert line(broken, "heating valve brown") == "0 0 0 0 0 0"
    assert line(broken, "boiler call") == "0 L L 0 0 0"


def test_memory_decides_what_a_live_grey_does() -> None:
    satisfied = {"hot water": "on", "cylinder stat": "satisfied"}

    from_rest = solve(MID, satisfied)
    from_heating = solve(MID, satisfied, {"valve": "heating"})

    assert from_rest.positions == {"valve": "hot water"}
    assert from_heating.positions == {"valve": "heating"}
    # White is held by the motor at rest, by the pump at heating: no volts tell the two apart.
    assert from_rest.classes == from_heating.classes


def test_a_valve_goes_back_only_as_far_as_its_stall() -> None:
    state = solve(MID, ALL_ON, {"valve": "heating"})

    assert state.positions == {"valve": "middle"}
    assert class_between(state, "valve grey", N) is Class.PARTIAL


@pytest.mark.parametrize(
    ("before", "inputs", "seconds"),
    [
        # 20 s for both gaps on, 15 s for both back, as the file says.
        ("hot water", {"hot water": "off", "heating": "on"}, 20),
        ("hot water", ALL_ON, 10),
        ("middle", {"hot water": "off", "heating": "on"}, 10),
        ("heating", {"hot water": "on"}, 15),
        ("heating", {"hot water": "off"}, 0),
    ],
)
def test_how_long_a_valve_travels(before: str, inputs: dict[str, str], seconds: int) -> None:
    assert solve(MID, inputs, {"valve": before}).travel_ns == seconds * NS_PER_S


def test_two_valves_travel_side_by_side() -> None:
    assert solve(ZONES, ALL_ON).travel_ns == 20 * NS_PER_S


def test_orange_is_dead_until_the_valve_has_travelled() -> None:
    probe = Probe("heating valve orange", N)
    healthy = solve(ZONES, {"heating": "on"})
    stuck = solve(with_welded(ZONES, "heating end switch"), {"heating": "on"})

    assert (healthy.at_once[probe], healthy.classes[probe]) == (Class.ZERO, Class.LIVE)
    assert (stuck.at_once[probe], stuck.classes[probe]) == (Class.LIVE, Class.LIVE)


def test_the_spur_switched_off_takes_every_valve_to_rest() -> None:
    state = solve(MID, {**ALL_ON, "spur": "off"}, {"valve": "heating"})

    assert state.positions == {"valve": "hot water"}
    assert not {Class.LIVE, Class.BACK_FED, Class.PARTIAL} & {*state.classes.values()}


def test_an_open_neutral_puts_the_supply_behind_the_load() -> None:
    state = solve(with_open(MID, "centre N to pump N"), {"hot water": "on"})
    both = with_open(
        with_open(MID, "centre N to pump N"), "programmer HW ON to cylinder stat common"
    )

    assert class_between(state, "pump N", N) is Class.THROUGH_LOAD
    assert class_between(solve(both, {"hot water": "on"}), "pump N", N) is Class.ZERO


def test_live_against_its_own_switchs_direction_is_live_by_back_feed() -> None:
    # S3: orange feeds the calling stat from behind, and with it the programmer's terminal.
    assert line(MID, "cylinder stat call") == "0 L L L† L† 0 0 0"
    assert line(MID, "cylinder stat common") == "0 L L L† L L L† L†"
    assert line(MID, "cylinder stat satisfied") == "L† F P L† L L L† L†"


def test_a_pair_of_terminals_reads_what_lies_between_them() -> None:
    both = solve(MID, ALL_ON)
    open_neutral = solve(with_open(MID, "centre N to pump N"), {"hot water": "on"})

    assert class_between(both, "valve grey", "valve white") is Class.PARTIAL
    assert class_between(both, "valve orange", "valve white") is Class.ZERO
    # No current, so nothing across the pump, though both its ends stand at the supply.
    assert class_between(open_neutral, "pump L", "pump N") is Class.ZERO


def test_a_lost_neutral_that_loads_share_puts_the_supply_on_every_idle_wire_behind_it() -> None:
    state = solve(with_open(MID, "spur N to centre N"), {"hot water": "on"})

    assert class_between(state, "centre N", N) is Class.THROUGH_LOAD
    # Through the pump, the neutral bar and the valve's motor.
    assert class_between(state, "valve white", N) is Class.THROUGH_LOAD


def test_a_load_from_live_and_one_to_neutral_divide() -> None:
    net = with_open(with_wire(MID, "pump N", "boiler call"), "centre N to pump N")
    net = with_open(net, "centre orange to boiler call")
    state = solve(net, {"hot water": "on"})

    assert class_between(state, "boiler call", N) is Class.UNKNOWN


def test_live_joined_to_neutral_blows_the_fuse_and_leaves_the_rest_dead() -> None:
    state = solve(with_wire(MID, "centre orange", "centre N"), {"hot water": "on"})

    assert state.shorts == ("mains",)
    assert {*state.classes.values()} <= {Class.ZERO, Class.FLOATING}


def test_a_fuse_that_went_while_the_valve_moved_stays_gone() -> None:
    # Live meets neutral only once the valve has reached the middle.
    net = with_wire(MID, "valve grey", "centre N")
    net = with_open(net, "centre grey to valve grey")
    net = with_open(net, "diode and resistor")
    net = with_wire(net, "valve orange", "valve blue")
    state = solve(net, {"hot water": "off", "heating": "on"}, {"valve": "heating"})

    assert state.shorts == ("mains",)
    assert state.hunting == ()
    assert state.positions == {"valve": "hot water"}


def test_without_its_diode_the_valve_hunts_and_grey_cannot_be_told() -> None:
    state = solve(with_open(MID, "diode and resistor"), ALL_ON)

    assert state.hunting == ("valve",)
    assert class_between(state, "valve orange", N) is Class.LIVE
    assert class_between(state, "valve grey", N) is Class.UNKNOWN


def test_a_motor_that_is_open_or_jammed_does_not_move() -> None:
    assert solve(with_open(MID, "valve"), ALL_ON).positions == {"valve": "hot water"}
    jammed = with_jammed(MID, "valve", "heating")
    assert [state.positions["valve"] for _, state in walk(jammed)] == ["heating"] * 8


def test_a_programmer_output_that_is_dead_leaves_the_other_throw() -> None:
    net = with_open(MID, "programmer hot water", "on")

    # In S4 nothing feeds grey, so the valve comes back to the middle and stalls there.
    assert line(net, "programmer HW OFF") == "L F P L P F L L"
    assert line(net, "boiler call") == "0 0 0 L 0 0 0 0"


def test_swapping_twice_is_no_change() -> None:
    once = with_swapped(MID, "valve white", "valve grey")

    assert once != MID
    assert with_swapped(once, "valve white", "valve grey") == MID


def test_a_swapped_pair_of_wires_moves_what_is_on_them() -> None:
    net = with_swapped(MID, "programmer HW ON", "programmer CH ON")
    state = solve(net, {"heating": "on"})

    assert class_between(state, "cylinder stat common", N) is Class.LIVE
    assert class_between(state, "boiler call", N) is Class.LIVE
    assert state.positions == {"valve": "hot water"}


@pytest.mark.parametrize(
    ("alter", "line"),
    [
        (lambda: with_open(MID, "spur L to moon"), "found no part 'spur L to moon'"),
        (lambda: with_open(MID, "room stat", "open"), "found no position 'open'"),
        (lambda: with_open(MID, "no stat", "on"), "found no part 'no stat'"),
        (lambda: with_welded(MID, "cylinder stat"), "at: found None, expected one of calling"),
        (lambda: with_welded(MID, "cylinder stat", "hot"), "at: found 'hot', expected one of"),
        (lambda: with_swapped(MID, "valve white", "valve motor"), "no wire on 'valve motor'"),
        (lambda: with_wire(MID, "valve white", "moon"), "found no terminal 'moon'"),
        (lambda: with_jammed(MID, "valve", "shut"), "found 'shut', expected one of hot water"),
        (lambda: solve(MID, {"moon": "on"}), "input: found 'moon', expected one of spur"),
        (lambda: solve(MID, {"heating": "up"}), "input heating: found 'up', expected one of off"),
        (lambda: solve(MID, {}, {"valve": "up"}), "motor valve: found 'up', expected one of hot"),
    ],
)
def test_what_a_net_does_not_have_is_one_line(alter: object, line: str) -> None:
    assert callable(alter)
    with pytest.raises(ValueError, match=r"^[^\n]+$") as caught:
        alter()

    assert line in str(caught.value)


@given(
    state=st.fixed_dictionaries(
        {name: st.sampled_from(positions) for name, positions in MID.inputs}
    ),
    before=st.sampled_from(MID.motors[0].positions),
)
def test_a_state_solved_again_from_its_own_memory_is_itself(
    state: dict[str, str], before: str
) -> None:
    first = solve(MID, state, {"valve": before})
    again = solve(MID, state, first.positions)

    assert again == first._replace(travel_ns=0, at_once=first.classes)


@given(st.sampled_from(MID.nodes), st.sampled_from(MID.nodes))
def test_a_pair_reads_the_same_both_ways(at: str, to: str) -> None:
    for _, state in walk(MID):
        assert class_between(state, at, to) is class_between(state, to, at)


# What a reading must be.


@pytest.mark.parametrize(
    ("class_", "supply", "mode", "kind", "low", "high", "asks"),
    [
        (Class.LIVE, "230", "high", "mains", "223.1", "236.9", False),
        (Class.BACK_FED, "120", "low", "mains", "115", "125", False),
        (Class.ZERO, "230", "high", "mains", "0", "5", True),
        (Class.ZERO, "230", "low", "mains", "0", "5", False),
        (Class.FLOATING, "230", "high", "mains", "0", "5", True),
        (Class.FLOATING, "230", "low", "mains", "0", "5", False),
        (Class.PARTIAL, "230", "high", "mains", "23", "184", False),
        (Class.PARTIAL, "240", "low", "mains", "12", "168", False),
        (Class.THROUGH_LOAD, "230", "high", "mains", "223.1", "236.9", False),
        (Class.THROUGH_LOAD, "230", "low", "mains", "0", "236.9", False),
        (Class.UNKNOWN, "230", "high", "mains", "0", "236.9", False),
        (Class.LIVE, "24", "high", "control", "21.6", "26.4", False),
        (Class.ZERO, "16", "high", "own", "0", "2", True),
    ],
)
def test_limits_follow_the_supply_of_this_visit(
    class_: Class,
    supply: str,
    mode: InputMode,
    kind: Kind,
    low: str,
    high: str,
    asks: bool,
) -> None:
    assert band(class_, Decimal(supply), mode, kind) == (Decimal(low), Decimal(high), asks)


@pytest.mark.parametrize("volts", ["0", "5", "-230"])
def test_there_are_no_limits_without_a_supply(volts: str) -> None:
    with pytest.raises(ValueError, match="expected a measured supply above 5 V"):
        band(Class.LIVE, Decimal(volts), "high")


@pytest.mark.parametrize(
    ("class_", "volts", "mode", "asked"),
    [
        (Class.FLOATING, "114", "high", True),
        (Class.ZERO, "5.1", "high", True),
        (Class.ZERO, "5", "high", False),
        (Class.FLOATING, "114", "low", False),
        (Class.LIVE, "114", "high", False),
        (Class.PARTIAL, "200", "high", False),
    ],
)
def test_a_ghost_asks_for_the_low_impedance_mode(
    class_: Class, volts: str, mode: InputMode, asked: bool
) -> None:
    assert needs_low_impedance(class_, Decimal(volts), VS, mode) is asked


@pytest.mark.parametrize(
    ("high", "low", "source"),
    [
        ("0.3", "0.0", None),
        ("114", "0.22", "ghost"),
        ("230.1", "229.8", "fed"),
        ("125", "68", "diode"),
        ("40", "90", "diode"),
    ],
)
def test_two_input_modes_tell_what_feeds_a_terminal(
    high: str, low: str, source: str | None
) -> None:
    assert find_source(Decimal(high), Decimal(low), VS) == source


# What must be shown before a probe.


def test_low_impedance_never_goes_to_earth() -> None:
    earth = Probe("valve white", "spur E")

    assert rules_for(MID, earth, Class.LIVE, "low") == (LOW_TO_EARTH,)
    assert rules_for(MID, earth, Class.LIVE, "high") == ()
    assert LOW_TO_EARTH.forbids


def test_volt_free_terminals_are_read_to_earth_before_across() -> None:
    across = Probe("boiler stat A", "boiler stat B")
    to_earth = Probe("boiler stat A", "spur E")

    assert rules_for(VOLT_FREE, across, Class.LIVE, "high") == (EARTH_FIRST,)
    assert rules_for(VOLT_FREE, across, Class.LIVE, "low") == (LOW_ACROSS_VOLT_FREE, EARTH_FIRST)
    assert rules_for(VOLT_FREE, to_earth, Class.FLOATING, "high") == ()
    order = list(VOLT_FREE.probes)
    assert order.index(to_earth) < order.index(across)


def test_a_low_impedance_on_the_stalled_valve_warns_that_it_may_move() -> None:
    probe = Probe("valve grey", N)

    assert rules_for(MID, probe, Class.PARTIAL, "low") == (LOW_HOLDS_NOT,)
    assert rules_for(MID, probe, Class.LIVE, "low") == ()


def test_which_supply_a_reading_is_compared_with() -> None:
    assert supply_of(VOLT_FREE, Probe("boiler stat A", "boiler stat B")).kind == "own"
    assert supply_of(VOLT_FREE, Probe("boiler L", "boiler N")).kind == "mains"
    assert supply_of(VOLT_FREE, Probe("boiler stat A", "spur E")).kind == "mains"


# What an author is told.


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ('["boiler pump", "pump L"]', '["boiler pump", "pumb L"]', "wires[11]: found 'pumb L'"),
        ('from = "boiler L"', 'from = "boyler L"', "contact pump on call: found 'boyler L'"),
        ('by = "receiver"', 'by = "reciever"', "contact receiver relay: by: found 'reciever'"),
        ("{ made =", "{ maid =", "contact pump on call: to: found 'maid', expected one of dropped"),
        ('from = "receiver common"', "", "found both or neither of from and common"),
        ('"boiler pump", "pump L"', '"boiler pump"', "wires[11][1]: missing, expected a value"),
        ('["S1", "on", ', '["S1", "on", "on", ', "walk: S1: found 5 positions, expected one for"),
        ('["S1", "on"', '["S1", "up"', "walk: S1: hot water: found 'up', expected one of off, on"),
        ('["S1"', '["S0"', "walk: rows: found 'S0' twice"),
        ('walk]\ninputs = ["hot water"', 'walk]\ninputs = ["moon"', "walk: found 'moon'"),
        ("at = [\n", 'at = [\n"moon",\n', "'moon': found nothing joined to it"),
        ("pump = [", '"pump overrun" = [', "the parts: found 'pump overrun' twice"),
        ('"50 ms"', '"soon"', "duration: found 'soon'"),
        ('id = "heat-only', 'id = "other', "expected the file's own name"),
        (
            'source = "c',
            'colour = "red"\nsource = "c',
            "colour: found a key that is not known here",
        ),
    ],
)
def test_a_mistake_in_a_net_is_one_line(before: str, after: str, line: str) -> None:
    assert before in HEAT_ONLY

    with pytest.raises(ProcedureError) as caught:
        parse_net(HEAT_ONLY.replace(before, after, 1), "heat-only-overrun.toml")

    assert line in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        (
            '["boiler pump", "pump L"]',
            '["boiler pump", "spur N"], ["pump L", "boiler call"]',
            "heat-only-overrun.toml: walk: S1: found live joined to neutral of mains",
        ),
        (
            'made = "boiler pump"',
            'dropped = "boiler call", made = "boiler pump"',
            "heat-only-overrun.toml: walk: S0: found motor call relay that never comes to rest",
        ),
        (
            'pump = ["pump L", "spur N"]',
            'pump = ["pump L", "receiver NO"]',
            "heat-only-overrun.toml: walk: S1: found ",
        ),
    ],
)
def test_a_net_that_cannot_work_is_refused_in_one_line(before: str, after: str, line: str) -> None:
    assert before in HEAT_ONLY
    net = parse_net(HEAT_ONLY.replace(before, after, 1), "heat-only-overrun.toml")

    with pytest.raises(ProcedureError) as caught:
        prove_net(net, "heat-only-overrun.toml")

    assert line in str(caught.value)


def test_a_state_carries_every_probe_and_every_input() -> None:
    state: State = solve(MID, {})

    assert tuple(state.classes) == MID.probes
    assert state.inputs == {name: positions[0] for name, positions in MID.inputs}
