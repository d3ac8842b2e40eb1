"""A value that no meter gives is entered, typed as entered, and judged by what is stated of it."""

from __future__ import annotations

import asyncio
import json

import pytest
from rich.console import Console
from sequence import jobs, walking
from sequence.walking import Visit, written

from metercap.derive import derive
from metercap.errors import OperatorError, ProcedureError
from metercap.person import Deed, ScriptedPerson
from metercap.procedure.description import procedure_from_json, procedure_to_json
from metercap.sequence.effect import Ask
from metercap.sequence.event import Entered
from metercap.sequence.fit import find_danger
from metercap.terminal import Board, value_text

STEP = """
id = "one"
title = "One"
version = "1.0"

[[step]]
id = "insulation"
title = "Insulation"
do = "Test."
say = "Test."
source = "BS 7671 Table 64"
quantity = "resistance"
expect = { above = "1 MOhm" }
entered = { instrument = "insulation tester", at = "500 V" }

[[step]]
id = "continuity"
title = "Continuity"
do = "Test."
say = "Test."
source = "common practice"
quantity = "resistance"
expect = { below = "0.5 Ohm" }
entered = { instrument = "continuity tester" }
"""
SAID = {
    "value": "299 MOhm",
    "instrument": "insulation tester",
    "serial": "4711",
    "at": "500 V",
    "reason": "no multimeter tests at 500 V",
}


def enter(visit: Visit, step: str = "insulation", **changes: str | None) -> None:
    said = {key: text for key, text in (SAID | changes).items() if text is not None}
    visit.feed(Entered(*visit.when(walking.NS_PER_S), visit.by, step, said))


def test_an_entered_value_is_asked_for_and_says_where_it_is_from() -> None:
    visit = Visit(written(STEP))
    assert visit.asked == ("enter", "insulation")
    enter(visit)
    (claim,) = visit.of("attempt")
    assert claim["verdict"] == "pass"
    assert (claim["value"], claim["unit"], claim["rule"]) == ("299", "MOhm", "simple")
    assert claim["entered"] == {key: SAID[key] for key in ("instrument", "serial", "reason", "at")}
    assert claim["source"] == "BS 7671 Table 64"
    assert "readings" not in claim
    assert "window" not in claim


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        ("1 MOhm", "pass"),
        ("0.99 MOhm", "fail"),
        ("990 kOhm", "fail"),
        (">999 MOhm", "pass"),
        ("> 999 MOhm", "pass"),
        (">0.5 MOhm", "undecided"),
        (">1 MOhm", "pass"),
    ],
)
def test_without_an_uncertainty_the_limit_is_taken_as_it_is(value: str, verdict: str) -> None:
    visit = Visit(written(STEP))
    enter(visit, value=value)
    assert visit.verdicts("insulation") == [verdict]


@pytest.mark.parametrize(
    ("value", "verdict"),
    [("0.30 Ohm", "pass"), ("0.45 Ohm", "conditional pass"), ("0.55 Ohm", "conditional fail")],
)
def test_a_stated_uncertainty_is_a_guard_band(value: str, verdict: str) -> None:
    """ILAC-G8:09/2019 4.2.3: guard band of U, k = 2, and four verdicts."""
    visit = Visit(written(STEP))
    enter(visit)
    enter(visit, "continuity", value=value, at=None, uncertainty="0.1 Ohm")
    assert visit.verdicts("continuity") == [verdict]
    claim = visit.of("attempt")[-1]
    assert (claim["expanded"], claim["standard"], claim["rule"]) == ("0.10", "0.050", "guarded")


def test_more_than_the_range_of_a_continuity_tester_is_a_break() -> None:
    visit = Visit(written(STEP))
    enter(visit)
    enter(visit, "continuity", value=">99.9 Ohm", at=None)
    assert visit.verdicts("continuity") == ["fail"]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"instrument": " "}, "instrument: found nothing"),
        ({"serial": None}, "serial: found nothing"),
        ({"reason": ""}, "reason: found nothing"),
        ({"value": None}, "value: found nothing"),
        ({"at": None}, "at: found nothing"),
        ({"at": "250 V"}, "at: found '250 V', expected '500 V'"),
        ({"at": "500 mA"}, "at: unit: found mA"),
        ({"value": "299"}, "value: amount: found '299'"),
        ({"value": "230 V"}, "value: found '230 V', expected a resistance"),
        ({"value": "-1 MOhm"}, "value: found '-1 MOhm', expected nothing below zero"),
        ({"value": "OL"}, "value: amount: found 'OL'"),
        ({"uncertainty": "3 V"}, "uncertainty: found '3 V', expected a resistance"),
        ({"verdict": "pass"}, "verdict: found an answer to a question that is not asked"),
        ({"time": "09:00"}, "time: found an answer to a question that is not asked"),
    ],
)
def test_what_is_not_stated_or_of_another_test_is_refused(
    change: dict[str, str | None], why: str
) -> None:
    visit = Visit(written(STEP))
    enter(visit, **change)
    (claim,) = visit.of("refusal")
    assert str(claim["why"]).startswith(why)
    assert visit.verdicts("insulation") == []


def test_a_test_voltage_may_be_written_in_another_unit() -> None:
    visit = Visit(written(STEP))
    enter(visit, at="0.5 kV")
    assert visit.verdicts("insulation") == ["pass"]


def test_nothing_is_entered_for_a_step_that_is_measured_or_not_asked() -> None:
    visit = Visit(written(STEP))
    enter(visit, "continuity")
    enter(visit, "nowhere")
    assert [claim.get("asked") for claim in visit.of("refusal")] == ["enter insulation"] * 2
    visit.observe("insulation", "299 MOhm")
    assert len(visit.of("refusal")) == 3
    visit.show("299.0 MOhm", 60)
    assert visit.of("attempt") == []


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ('above = "1 MOhm"', 'overload = "1 MOhm"', "expected limits, and no overload or class"),
        ('above = "1 MOhm"', 'above = "1 V"', "found '1 V', expected a unit of resistance"),
        ('at = "500 V"', 'at = "500 volts"', "unit: found 'volts'"),
        ('quantity = "resistance"', 'quantity = "ohms"', "quantity: found 'ohms'"),
        ('say = "Test."', 'say = "Test."\nmode = "none"', "found both entered and mode"),
        ('say = "Test."', 'say = "Test."\ntouch = "1 Ohm"', "found both entered and touch"),
        ('say = "Test."', 'say = "Test."\nmeter = "clamp"', "found both entered and meter"),
        ('expect = { above = "1 MOhm" }', "", "expected limits"),
    ],
)
def test_a_step_that_is_entered_says_nothing_of_a_meter(old: str, new: str, found: str) -> None:
    with pytest.raises(ProcedureError, match=found):
        written(STEP.replace(old, new, 1))


def test_a_procedure_with_entered_values_comes_back_from_its_record() -> None:
    whole = written(STEP)
    again = procedure_from_json(json.loads(json.dumps(procedure_to_json(whole))), "here")
    assert again.step == whole.step


def test_what_was_entered_is_derived_from_the_journal_as_it_was_told() -> None:
    told = jobs.visit(written(STEP))
    enter(told)
    enter(told, "continuity", value="0.31 Ohm", at=None, uncertainty="0.02 Ohm")
    told.choose("finish")
    bodies = [*jobs.opening(told.procedure), *((kind, body) for kind, body, _ in told.bodies)]
    derived = derive(jobs.entries(bodies)).claims
    found = [claim for claim in derived if claim["claim"] == "attempt"]
    assert [claim["entered"] for claim in found] == [c["entered"] for c in told.of("attempt")]
    assert [claim["verdict"] for claim in found] == ["pass", "pass"]
    assert derived[-1]["result"] == "all steps hold"


def answers_of(script: list[dict[str, str]]) -> list[Deed]:
    """What a script answers, one after another, to a visit of entered values."""
    procedure = written(STEP)
    board = Board(Console(quiet=True), procedure)
    lines = "\n".join(json.dumps(line) for line in script)
    person = ScriptedPerson(lines, "script", procedure, board)
    asks = [Ask("enter", "insulation"), Ask("enter", "continuity")]

    async def answer() -> list[Deed]:
        return [await person.answer(ask) for ask in asks[: len(script)]]

    return asyncio.run(answer())


def test_a_script_enters_and_gives_up() -> None:
    deeds = answers_of(
        [
            {"enter": "insulation", **SAID},
            {"limit": "continuity", "reason": "no tester at hand", "agreed": "the owner"},
        ]
    )
    assert deeds[0] == Deed("observe", {"step": "insulation", "answer": SAID})
    assert deeds[1].kind == "limit"


def test_a_script_that_enters_something_else_is_an_error() -> None:
    with pytest.raises(OperatorError, match="but enter insulation is asked"):
        answers_of([{"enter": "continuity", **SAID}])


def test_the_terminal_tells_an_entered_value_from_a_captured_one() -> None:
    visit = Visit(written(STEP))
    enter(visit)
    shown = value_text(visit.of("attempt")[0])
    assert shown == "299 MOhm, entered from insulation tester 4711"


VOLTS = """
id = "volts"
title = "Volts"
version = "1.0"

[[step]]
id = "supply"
title = "Supply"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { between = ["216.2 V", "253.0 V"] }
start = "begin"
indicative = "a calibrated record of the supply"
"""


@pytest.mark.parametrize("shown", ["0.0 A", "0.0 mA", "0.0 uA", "0.28 Ohm", "OL MOhm", "1.0 nF"])
def test_a_live_step_does_not_begin_while_the_meter_is_set_to_something_else(shown: str) -> None:
    """This project's own choice: amperes, ohms and capacitance across mains hurt someone."""
    visit = Visit(written(VOLTS))
    visit.show(shown, 1)
    assert "keep off live parts" in visit.progress.note
    visit.begin("supply")
    (refusal,) = visit.of("refusal")
    assert "keep off live parts" in str(refusal["why"])
    visit.show("0.0 V", 1, "ac")
    visit.live("supply", "231.0 V")
    assert visit.verdicts("supply") == ["pass"]


def test_a_live_step_does_not_begin_while_the_display_is_held() -> None:
    visit = Visit(written(VOLTS))
    visit.show("231.0 V", 1, "ac", marks=("hold",))
    visit.begin("supply")
    assert "the display is marked hold: keep off" in str(visit.of("refusal")[0]["why"])


def test_other_functions_and_dead_steps_are_no_danger() -> None:
    (step,) = written(VOLTS).step
    assert find_danger(step, walking.reading("50.0 Hz")) is None
    (dead, _) = written(STEP).step
    assert find_danger(dead, walking.reading("0.3 Ohm")) is None


def test_what_a_multimeter_only_indicates_is_marked_in_the_claim() -> None:
    visit = Visit(written(VOLTS))
    visit.live("supply", "231.0 V")
    assert visit.of("attempt")[0]["indicative"] == "a calibrated record of the supply"
