"""Each scheme's walk, played on a simulated meter's frames through daemon, journal and derivation.

The house is the net with one fault or none; its person answers what is seen there. What is not
played is the passing of time.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sequence import jobs, walking

from metercap import shelf
from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Shown, derive
from metercap.errors import OperatorError, ProcedureError, RecordError
from metercap.journal import canonical
from metercap.journal.entry import CLAIM
from metercap.journal.store import Journal, Writer
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.simulated import ADDRESS, DRIVER, SimulatedMeter
from metercap.link.virtual import Air
from metercap.meter.decode import build_decoder
from metercap.meter.description import LOW_INPUT, parse_driver
from metercap.model import NS_PER_S, Instant, Reading
from metercap.procedure.circuit import walk
from metercap.procedure.description import (
    Example,
    ExampleEvent,
    join,
    parse_procedure,
    procedure_from_json,
    procedure_to_json,
)
from metercap.procedure.expand import LOW, NO_LOW, write_out
from metercap.procedure.house import visible_faults
from metercap.procedure.net import Fault, build_net
from metercap.record.seal import seal
from metercap.sequence.effect import Ask, Claim, Signal
from metercap.sequence.rehearse import rehearse
from metercap.sequence.wired import Wired
from metercap.visit import linked, look_up

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from metercap.journal.entry import Entry
    from metercap.procedure.description import Procedure
    from metercap.sequence.effect import Effect

NOWHERE = Path("/nonexistent")
WHO = "A. Person"
SCHEMES = sorted(shelf.load_nets(NOWHERE))
AIR_ADDRESS = "F0:F1:F2:F3:F4:01"
QUARTER_NS = NS_PER_S // 4


def load(name: str) -> Procedure:
    return shelf.load_procedure(NOWHERE, name)[1]


class Visit:
    """One job in one house, until nothing is asked or a step has failed."""

    def __init__(self, procedure: Procedure, fault: Fault, journal: Path) -> None:
        self.procedure, self.fault, self.path = procedure, fault, journal
        self.ns = 1000 * NS_PER_S
        self.claims: list[dict[str, object]] = []
        self.answers: dict[str, dict[str, str]] = {}
        self.once: Callable[[], object] = lambda: None  # called after an answer of `answers`
        self.send: Callable[[], Awaitable[None]] | None = None
        self.asked = Ask("close", "")
        self.entries: list[Entry] = []

    def now(self) -> Instant:
        return jobs.at(self.ns)

    def listen(self, effect: Effect | Shown) -> None:
        if isinstance(effect, Claim):
            self.claims.append(effect.body)

    def play(self, *, simulated: str | None = None) -> Visit:
        asyncio.run(self._play(simulated))
        return self

    def play_over_the_air(self) -> Visit:
        asyncio.run(self._play_over_the_air())
        return self

    async def _play_over_the_air(self) -> None:
        """As `play`, with every display sent by a meter over a radio link inside this process."""
        driver = shelf.load_driver(NOWHERE, DRIVER)
        declared = DeclaredMeter("meter", AIR_ADDRESS, driver)
        meter = SimulatedMeter(driver, "meter", self.procedure, self.fault, self.now)
        writer = await Writer.open(self.path, "walks")
        try:
            daemon = Daemon(writer, self.now, self.listen)
            async with Air(interval_ms=20) as air:
                sender = air.meter(driver, "BENCH-SEG 4", AIR_ADDRESS)
                await sender.on()
                await daemon.start()
                await daemon.open_job(
                    self.procedure, [declared], who=WHO, where="an invented house", practice=True
                )
                async with (
                    bumble_radio(await air.host()) as radio,
                    linked(daemon, radio, [declared], self.now),
                ):
                    await sender.until_subscribed()
                    self.send = lambda: sender.send_reading(meter.reading())
                    await self._answer(daemon, meter)
                self.asked = daemon.asked
                await daemon.close_job("finish")
        finally:
            await writer.close()
        self._keep()

    def _keep(self) -> None:
        journal = Journal.read(self.path)
        try:
            self.entries = list(journal.entries(1))
        finally:
            journal.close()

    async def _play(self, simulated: str | None) -> None:
        meter = SimulatedMeter(
            shelf.load_driver(NOWHERE, DRIVER), "meter", self.procedure, self.fault, self.now
        )
        writer = await Writer.open(self.path, "walks")
        try:
            daemon = Daemon(writer, self.now, self.listen)
            await daemon.start()
            await daemon.open_job(
                self.procedure,
                [DeclaredMeter("meter", ADDRESS, meter.driver)],
                who=WHO,
                where="an invented house",
                practice=True,
                simulated=simulated,
            )
            daemon.put(meter.connect())
            await self._answer(daemon, meter)
            self.asked = daemon.asked
            await daemon.close_job("finish")
        finally:
            await writer.close()
        self._keep()

    async def _answer(self, daemon: Daemon, meter: SimulatedMeter) -> None:
        while (ask := daemon.asked).what in {"act", "observe", "measure"}:
            self.ns += NS_PER_S
            meter.follow(ask, daemon.wanted, self.claims)
            act, step = self.procedure.find_act(ask.id), self.procedure.find_step(ask.id)
            if act is not None:
                answers = meter.played.answers(act) | self.answers.get(act.id, {})
                body: dict[str, object] = {"act": act.id, "answers": answers}
                await daemon.tell("act", {**body, "by": WHO})
                if self.answers.get(act.id):
                    self.once()
            elif step is not None and step.is_observed:
                body = {"step": step.id, "answer": meter.played.seen(step)}
                await daemon.tell("observe", {**body, "by": WHO})
            elif step is not None:
                await self._measure(daemon, meter, starts=step.start == "begin")

    async def _measure(self, daemon: Daemon, meter: SimulatedMeter, *, starts: bool) -> None:
        ask, known = daemon.asked, len(self.claims)
        for number in range(4 * 120):
            self.ns += QUARTER_NS
            meter.follow(daemon.asked, daemon.wanted, self.claims)
            if self.send is None:
                daemon.put(meter.frame())
            else:
                await self.send()
            if number % 4 == 3:
                await daemon.flush()
            if starts and number == 11:  # after the probes have touched, where they must
                await daemon.tell("begin", {"step": ask.id, "by": WHO})
            if len(self.claims) > known:
                return
        raise AssertionError(f"{ask.id} came to no end")

    def of(self, step: str) -> list[dict[str, object]]:
        return [one for one in self.claims if one.get("step") == step and "attempt" in one]

    def verdicts(self, step: str) -> list[object]:
        return [one["verdict"] for one in self.of(step)]

    def result(self) -> object:
        return self.claims[-1]["result"]


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def same_again(visit: Visit) -> bool:
    """Whether the entries alone, without any file of today, lead to the same claims."""
    kept = [entry.body for entry in visit.entries if entry.kind == CLAIM]
    return derive(visit.entries).claims == kept == visit.claims


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_healthy_system_is_commissioned_without_a_fault(scheme: str, journal: Path) -> None:
    visit = Visit(load(f"commission-{scheme}"), Fault(), journal).play()

    assert visit.asked.what == "close"
    assert visit.result() == "all steps hold"
    assert same_again(visit)


def test_a_boiler_is_walked_over_the_air(journal: Path) -> None:
    procedure = load("walk-combination-mains-stat")
    visit = Visit(procedure, Fault(welded="room stat"), journal).play_over_the_air()

    assert (visit.asked.what, visit.asked.id) == ("choose", "s2-room-stat-out")
    assert visit.of("s2-room-stat-out")[-1]["origin"] == "fed"
    assert same_again(visit)


FAULTS: dict[tuple[str, str], Fault] = {
    ("mid-position-valve", "s0-centre-grey"): Fault(open="programmer HW OFF to centre grey"),
    ("mid-position-valve", "s4-programmer-hw-off"): Fault(
        open="cylinder stat satisfied to centre grey"
    ),
    ("mid-position-valve", "s6-centre-white"): Fault(welded="room stat"),
    ("mid-position-valve", "s2-lever"): Fault(open="centre N to valve blue"),
    ("mid-position-valve", "s3-programmer-hw-on"): Fault(open="end switch", at="heating"),
    ("two-zone-valves", "s0-centre-orange"): Fault(welded="heating end switch"),
    ("two-zone-valves", "s1-centre-orange"): Fault(open="hot water valve"),
    ("two-zone-valves", "s0-hot-water-valve-grey"): Fault(open="spur out to centre L"),
    ("diverter-hot-water-priority", "s4-valve-motor"): Fault(welded="cylinder stat", at="calling"),
    ("diverter-hot-water-priority", "s4-lever"): Fault(jammed="valve", at="hot water"),
    ("combination-mains-stat", "s2-room-stat-out"): Fault(welded="room stat"),
    ("combination-mains-stat", "s1-room-stat-out"): Fault(open="timer out to room stat in"),
    ("combination-volt-free-stat", "no-demand-boiler-stat-a"): Fault(
        wire=("boiler L", "boiler stat A")
    ),
    ("combination-volt-free-stat", "board-volts"): Fault(welded="room stat"),
    ("combination-volt-free-stat", "demand-boiler-stat-a-to-boiler-stat-b"): Fault(
        open="boiler stat A to room stat A"
    ),
    ("thermostat-24-volt", "off-thermostat-w-to-thermostat-r"): Fault(
        open="thermostat W to furnace W"
    ),
    ("thermostat-24-volt", "cool-thermostat-y"): Fault(open="cooling call"),
    ("heat-pump-24-volt", "cool-thermostat-o"): Fault(open="reversing valve", at="cool"),
    ("heat-pump-24-volt", "fan-thermostat-y-to-thermostat-r"): Fault(open="thermostat Y to unit Y"),
}


@pytest.mark.parametrize(("scheme", "step"), FAULTS)
def test_a_fault_stops_the_walk_where_it_first_shows(scheme: str, step: str, journal: Path) -> None:
    visit = Visit(load(f"walk-{scheme}"), FAULTS[scheme, step], journal).play()

    assert (visit.asked.what, visit.asked.id) == ("choose", step)
    assert visit.verdicts(step)[-1] == "fail"
    assert visit.result() == "steps fail"
    assert same_again(visit)


def test_a_ghost_is_read_again_at_low_input_impedance_and_says_so(journal: Path) -> None:
    visit = Visit(load("walk-mid-position-valve"), Fault(), journal).play()
    first, second = visit.of("s1-centre-grey")

    assert first["verdict"] == "undecided"
    assert first["why"] == "may be a ghost: repeat at low input impedance"
    assert first["circuit"] == {
        "state": "S1",
        "at": "centre grey",
        "to": "spur N",
        "class": "F",
        "supply": "238.40 V",
        "input": "high",
    }
    assert (second["verdict"], second["origin"]) == ("pass", "ghost")
    assert second["circuit"] == {**dict(first["circuit"]), "input": "low"}  # type: ignore[call-overload]
    # The next terminal is read at high input impedance again: the meter was set back before it.
    assert dict(visit.of("s1-centre-orange")[0]["circuit"])["input"] == "high"  # type: ignore[call-overload]


def test_what_stands_at_low_input_impedance_is_fed(journal: Path) -> None:
    visit = Visit(load("walk-mid-position-valve"), Fault(welded="room stat"), journal).play()

    assert visit.of("s6-centre-white")[-1]["origin"] == "fed"


def test_a_meter_without_a_low_input_leaves_a_ghost_not_tested(journal: Path) -> None:
    visit = Visit(load("walk-mid-position-valve"), Fault(), journal)
    visit.answers["walk-low-input"] = {"input": NO_LOW}
    visit.play()

    given_up = [one["step"] for one in visit.claims if one["claim"] == "limitation"]
    assert given_up == ["s1-programmer-hw-off", "s1-centre-grey", "s7-programmer-ch-on"]
    assert visit.result() == "steps missing"
    assert LOW != NO_LOW


def test_a_controls_answer_that_is_not_the_states_does_not_set_it(journal: Path) -> None:
    visit = Visit(load("walk-two-zone-valves"), Fault(), journal)
    visit.answers["s1-set"] = refused = {"cylinder-stat": "satisfied"}
    visit.once = refused.clear
    visit.play()

    outcomes = [one["outcome"] for one in visit.claims if one.get("act") == "s1-set"]
    assert outcomes == ["failed", "stands"]
    assert visit.result() == "all steps hold"


def test_no_reading_counts_before_the_valves_have_had_their_time(journal: Path) -> None:
    visit = Visit(load("walk-two-zone-valves"), Fault(), journal).play()
    act = next(e for e in visit.entries if e.kind == "act" and e.body["act"] == "s1-set")
    first = visit.of("s1-programmer-hw-on")[0]
    window = dict(first["window"])  # type: ignore[call-overload]
    begins = next(e for e in visit.entries if e.seq == window["from"])

    assert begins.at.boot_ns - act.at.boot_ns >= 30 * NS_PER_S


def test_volt_free_terminals_are_bridged_only_after_each_was_read_to_earth(journal: Path) -> None:
    visit = Visit(load("walk-combination-volt-free-stat"), Fault(), journal).play()
    order = [str(one["step"]) for one in visit.claims if one["claim"] == "attempt"]

    for end in ("a", "b"):
        assert order.index(f"demand-boiler-stat-{end}") < order.index(
            "demand-boiler-stat-a-to-boiler-stat-b"
        )
        assert order.index(f"no-demand-boiler-stat-{end}") < order.index("board-volts")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_procedure_carries_its_net_and_reads_it_back(scheme: str) -> None:
    whole = load(f"commission-{scheme}")
    kept = canonical.dumps(procedure_to_json(whole))  # as a record holds it: keys sorted
    again = procedure_from_json(canonical.loads(kept), "again")

    assert again.circuit is not None
    assert again.circuit.wiring is not None
    assert again == whole.model_copy(update={"example": ()})
    today = build_net(shelf.load_nets(NOWHERE)[scheme])
    kept_net = build_net(again.circuit.wiring)
    assert kept_net.supplies == today.supplies
    assert [s.classes for _, s in walk(kept_net)] == [s.classes for _, s in walk(today)]


def test_a_simulated_job_is_never_sealed_nor_taken_up_again(journal: Path) -> None:
    visit = Visit(load("walk-combination-mains-stat"), Fault(open="timer"), journal)
    visit.play(simulated="open: timer")
    opened = Journal.read(journal)
    try:
        first, last = opened.span(1)
        rows, frontier = list(opened.rows(first, last)), opened.frontier(first - 1)
    finally:
        opened.close()

    with pytest.raises(RecordError, match="simulated circuit"):
        seal(rows, 1, "test", frontier)
    with pytest.raises(OperatorError, match="begin another"):
        look_up(journal, 1)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_walk_stops_at_every_fault_that_practice_hides(scheme: str) -> None:
    whole = load(f"walk-{scheme}")
    missed = []
    for fault in visible_faults(build_net(shelf.load_nets(NOWHERE)[scheme])):
        found = rehearse(
            whole, Example(title=fault.text, events=(ExampleEvent(house=fault),), all="pass")
        )
        if not any(": found fail, expected pass" in line for line in found):
            missed.append(fault.text)

    assert missed == []


@pytest.mark.parametrize("scheme", SCHEMES)
def test_every_hidden_fault_is_one_that_the_walk_can_show(scheme: str) -> None:
    net = build_net(shelf.load_nets(NOWHERE)[scheme])
    faults = visible_faults(net)

    assert len({fault.text for fault in faults}) == len(faults) >= 8
    assert Fault() not in faults


WALK = """
id = "mine"
title = "Mine"
version = "1"
[circuit]
net = "two-zone-valves"
supply = { mains = "supply" }
[[step]]
id = "supply"
title = "Supply"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { between = ["207 V", "253 V"] }
start = "begin"
[[walk]]
id = "walk"
title = "Mine"
needs = ["supply"]
source = "common practice"
[[walk.read]]
to = "spur N"
at = ["centre orange"]
[[example]]
title = "healthy"
events = [{ house = {} }]
all = "pass"
"""

LEVER = """[[walk.observe]]
id = "lever"
title = "Lever"
do = "Look."
motor = "heating valve"
source = "common practice"
answers = { PLACES }
[[example]]"""

DEFECTS = {
    "unknown net": ('net = "two-zone-valves"', 'net = "other"', "net: found 'other', expected"),
    "unknown pack": ("[circuit]\n", '[circuit]\npack = "x"\n', "pack: found 'x', expected"),
    "no supply": ('mains = "supply"', 'other = "supply"', "found no step for its supply"),
    "supply that is no step": ('mains = "supply"', 'mains = "x"', "found 'x', expected"),
    "supply that may be nought": (
        'between = ["207 V", "253 V"]',
        'between = ["4 V", "253 V"]',
        "supply.mains: found 'supply', expected a step between two voltages, the lower above 5 V",
    ),
    "unknown terminal": ('"centre orange"', '"centre purple"', "found 'centre purple', expected a"),
    "a lever without all its places": (
        "[[example]]",
        LEVER.replace("PLACES", 'open = ["open"], ajar = ["ajar"]'),
        "found 'ajar', expected a position of heating valve",
    ),
    "a lever with one place": (
        "[[example]]",
        LEVER.replace("PLACES", 'open = ["open"]'),
        "walk walk: follows: answers: Dictionary should have at least 2 items",
    ),
    "unknown state": ('id = "walk"\n', 'id = "walk"\nstates = ["S9"]\n', "found 'S9', expected"),
    "a wait shorter than the valves": (
        'id = "walk"\n',
        'id = "walk"\ntakes = "10 s"\n',
        "takes: found 10 s, expected at least the 20 s",
    ),
    "walk without a circuit": (
        '[circuit]\nnet = "two-zone-valves"\nsupply = { mains = "supply" }\n',
        "",
        r"walk: found one without a \[circuit\]",
    ),
}


def written(text: str) -> Procedure:
    nets, packs = shelf.load_nets(NOWHERE), shelf.load_packs(NOWHERE)
    own = parse_procedure(text, "mine.toml")
    return join(write_out(own, nets, packs, "mine.toml"), {}, "mine.toml")


def test_a_short_walk_is_written_out() -> None:
    whole = written(WALK)

    assert [step.id for step in whole.step][:3] == [
        "supply",
        "s0-centre-orange",
        "s1-centre-orange",
    ]
    assert len(whole.step) == 9


@pytest.mark.parametrize("name", DEFECTS)
def test_a_defective_walk_is_answered_with_one_line(name: str) -> None:
    old, new, expected = DEFECTS[name]
    assert old in WALK

    with pytest.raises(ProcedureError, match=expected) as caught:
        written(WALK.replace(old, new, 1))
    assert "\n" not in str(caught.value)


def test_volt_free_terminals_want_a_reading_to_earth_first() -> None:
    text = WALK.replace("two-zone-valves", "combination-volt-free-stat").replace(
        'mains = "supply"', 'mains = "supply", board = "supply"'
    )
    text = text.replace('to = "spur N"', 'to = "boiler stat B"').replace(
        "centre orange", "boiler stat A"
    )

    with pytest.raises(ProcedureError, match="found no reading of 'boiler stat A' to earth"):
        written(text)


def test_a_simulated_meter_says_what_there_is_to_see(journal: Path) -> None:
    procedure = load("walk-diverter-hot-water-priority")
    fault = Fault(jammed="valve", at="heating")
    visit = Visit(procedure, fault, journal)
    meter = SimulatedMeter(shelf.load_driver(NOWHERE, DRIVER), "meter", procedure, fault, visit.now)
    claim: dict[str, object] = {"claim": "act", "act": "s0-set", "outcome": "stands"}
    meter.follow(Ask("observe", "s0-lever"), None, [claim])

    assert meter.seen(Ask("observe", "s0-lever")) == "at heating"
    assert meter.seen(Ask("measure", "s0-valve-motor")) == ""


LOW_ROW = 'name = "volts-ac"\n'


def test_a_row_at_low_input_impedance_marks_its_readings_and_counts_at_no_reading_to_earth() -> (
    None
):
    text = Path(jobs.__file__).parents[2].joinpath("drivers", f"{DRIVER}.toml").read_text("utf-8")
    assert text.count(LOW_ROW) == 1
    driver = parse_driver(text.replace(LOW_ROW, f'{LOW_ROW}input = "low"\n'), "low")
    decoder = build_decoder(driver)
    row = next(row for row in driver.function if row.name == "volts-ac")
    (shown,), _ = decoder.decode(decoder.encode(row.reading("238.4")))

    assert isinstance(shown, Reading)
    assert shown.marks == (LOW_INPUT,)

    visit = walking.Visit(load("spur-live-no-demand"))
    visit.until_live()
    visit.begin("line-earth-spur")
    visit.show("238.4 V", 8, "ac", marks=shown.marks)
    assert visit.verdicts("line-earth-spur") == []
    assert visit.signals[-1] is Signal.WRONG_FUNCTION
    visit.show("238.4 V", 8, "ac")
    assert visit.verdicts("line-earth-spur") == ["pass"]


def test_what_is_right_follows_the_states_that_were_really_walked() -> None:
    procedure = load("walk-mid-position-valve")
    lever = procedure.find_step("s6-lever")
    assert procedure.circuit is not None
    assert procedure.circuit.wiring is not None
    assert lever is not None
    assert lever.follows is not None
    wired = Wired(build_net(procedure.circuit.wiring))
    for state in ("begin", "S0", "S1", "S2", "S3", "S4", "S5", "S6"):
        wired.enter(state)
    assert wired.accepted(lever.follows) == ("at heating",)

    # Begun anew, and the same state at once: grey finds the valve at rest, and leaves it there.
    for state in ("begin", "S6"):
        wired.enter(state)
    assert wired.accepted(lever.follows) == ("at hot water",)
