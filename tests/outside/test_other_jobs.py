"""The year's other jobs of a meter: worked figures of the trade, through the shipped procedures.

Each row names its source. Rows walk the very file that a person uses: the act states what the plate
or the sheet says, the display shows the figure, and the verdict is the trade's.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest
from sequence.walking import NS_PER_S, Visit, library, reading

from metercap.sequence import relation
from metercap.sequence.event import Entered, Measured
from metercap.sequence.played import read_elsewhere


class Row(NamedTuple):
    """A figure: the step of a procedure, what was stated before it, the display, the verdict."""

    source: str
    step: str
    stated: dict[str, str]
    shown: str
    verdict: str
    mode: str | None = None


PROCEDURES = {
    "sensor-resistance": "thermistor",
    "flame-current": "flame-sense",
    "capacitor-value": "run-capacitor",
    "signal-volts": "signal-ten-volt",
    "pulse-mean": "signal-pulses",
    "tachometer-frequency": "fan-speed",
    "valve-coil-resistance": "gas-valve-coil",
    "solenoid-resistance": "solenoid-coil",
    "element-resistance": "immersion-element",
    "leakage-current": "earth-leakage",
    "box-resistance": "heating-mat",
    "line-and-earth": "radial-continuity",
    "loop-outside": "loop-by-calculation",
    "insulation-line-earth": "insulation-resistance",
    "trip-rated": "residual-current-device",
    "trip-five-times": "residual-current-device",
    "continuity-200": "protective-continuity",
}
NTC = {"nominal": "10 kOhm", "beta": "3977 K"}
GAS_COIL = {"nominal": "80 Ohm", "percent": "5 %"}
SOLENOID = {"nominal": "400 Ohm", "percent": "10 %", "temperature": "20 Cel"}
IMMERSION = {"voltage": "230 V", "power": "3 kW"}
CABLE = {"line-size": "2.5 mm2", "earth-size": "1.5 mm2", "temperature": "20 Cel"}
BETA = "R25 exp(B (1/T - 1/298.15 K)), IEC 60539 family (from memory)"
FLAME = "burner-control sheets, least 1.5 uA: common practice"
CAPACITOR = "IEC 60252-1 (from memory): marked value and tolerance"
ELEMENT = "EN 60335-1 clause 10.1 (from memory): power +5 %, -10 %"
LEAKAGE = "EN 60335-1 clause 13.2 (from secondary sources)"
TABLE_64 = "BS 7671 643.3.2, Table 64"
RCD = "BS EN 61008-1 (from memory)"

ROWS = [
    Row(BETA, "sensor-resistance", NTC | {"temperature": "0 Cel"}, "33.90 kOhm", "pass"),
    Row(BETA, "sensor-resistance", NTC | {"temperature": "20 Cel"}, "12.55 kOhm", "pass"),
    Row(BETA, "sensor-resistance", NTC | {"temperature": "60 Cel"}, "2.463 kOhm", "pass"),
    Row(BETA, "sensor-resistance", NTC | {"temperature": "80 Cel"}, "1.253 kOhm", "pass"),
    Row(BETA, "sensor-resistance", NTC | {"temperature": "80 Cel"}, "2.463 kOhm", "fail"),
    Row(FLAME, "flame-current", {}, "2.10 uA", "pass", "dc"),
    Row(FLAME, "flame-current", {}, "1.20 uA", "fail", "dc"),
    Row(FLAME, "flame-current", {}, "0.00 uA", "fail", "dc"),
    Row(CAPACITOR, "capacitor-value", {"nominal": "2 uF", "percent": "5 %"}, "2.000 uF", "pass"),
    Row(CAPACITOR, "capacitor-value", {"nominal": "2 uF", "percent": "5 %"}, "1.850 uF", "fail"),
    Row(CAPACITOR, "capacitor-value", {"nominal": "2 uF", "percent": "5 %"}, "3.400 uF", "fail"),
    Row("percent is ten times volts: maker", "signal-volts", {"share": "65 %"}, "6.50 V", "pass")
    ._replace(mode="dc"),
    Row("percent is ten times volts: maker", "signal-volts", {"share": "65 %"}, "10.00 V", "fail")
    ._replace(mode="dc"),
    Row("mean = duty x height", "pulse-mean", {"duty": "30 %", "height": "10 V"}, "3.00 V", "pass")
    ._replace(mode="dc"),
    Row("mean = duty x height", "pulse-mean", {"duty": "30 %", "height": "10 V"}, "0.00 V", "fail")
    ._replace(mode="dc"),
    Row("rpm = 60 f / 2: maker", "tachometer-frequency", {"speed": "3600 {rev}/min"}, "120.0 Hz",
        "pass"),
    Row("rpm = 60 f / 2: maker", "tachometer-frequency", {"speed": "3600 {rev}/min"}, "60.0 Hz",
        "fail"),
    Row("copper, IEC 60028", "valve-coil-resistance", GAS_COIL | {"temperature": "60 Cel"},
        "92.6 Ohm", "pass"),
    Row("copper, IEC 60028", "valve-coil-resistance", GAS_COIL | {"temperature": "60 Cel"},
        "80.0 Ohm", "fail"),
    Row("400 Ohm +-10 %: common practice", "solenoid-resistance", SOLENOID, "400.0 Ohm", "pass"),
    Row("360 to 440 Ohm: common practice", "solenoid-resistance", SOLENOID, "350.0 Ohm", "fail"),
    Row("below 1 Ohm is a short: common practice", "solenoid-resistance", SOLENOID, "0.60 Ohm",
        "fail"),
    # The leads' own 0.28 Ohm is in the display.
    Row(ELEMENT, "element-resistance", IMMERSION, "17.91 Ohm", "pass"),
    Row(ELEMENT, "element-resistance", IMMERSION, "16.50 Ohm", "fail"),
    Row(ELEMENT, "element-resistance", IMMERSION, "20.60 Ohm", "fail"),
    Row("240 V element: 19.2 Ohm", "element-resistance", {"voltage": "240 V", "power": "3 kW"},
        "19.48 Ohm", "pass"),
    Row(LEAKAGE, "leakage-current", {"power": "3 kW"}, "2.00 mA", "pass", "ac"),
    Row(LEAKAGE, "leakage-current", {"power": "3 kW"}, "2.50 mA", "fail", "ac"),
    Row(LEAKAGE, "leakage-current", {"power": "7 kW"}, "4.50 mA", "pass", "ac"),
    Row(LEAKAGE, "leakage-current", {"power": "7 kW"}, "5.20 mA", "fail", "ac"),
    Row(LEAKAGE, "leakage-current", {"power": "0.5 kW"}, "0.60 mA", "pass", "ac"),
    Row("mat instructions: -5 % to +10 %", "box-resistance", {"nominal": "117.6 Ohm"},
        "117.6 Ohm", "pass"),
    Row("mat instructions: -5 % to +10 %", "box-resistance", {"nominal": "117.6 Ohm"},
        "109.0 Ohm", "fail"),
    Row("IEC 60228, 0.488 Ohm", "line-and-earth", CABLE | {"length": "25 m"}, "0.77 Ohm", "pass"),
    Row("IEC 60228, 0.585 Ohm", "line-and-earth", CABLE | {"length": "30 m"}, "0.87 Ohm", "pass"),
    Row("IEC 60228, 0.488 Ohm", "line-and-earth", CABLE | {"length": "25 m"}, "1.10 Ohm", "fail"),
    Row(TABLE_64, "insulation-line-earth", {}, "1.0 MOhm", "pass"),
    Row(TABLE_64, "insulation-line-earth", {}, "0.99 MOhm", "fail"),
    Row(TABLE_64, "insulation-line-earth", {}, ">999 MOhm", "pass"),
    Row(RCD, "trip-rated", {}, "300 ms", "pass"),
    Row(RCD, "trip-rated", {}, "301 ms", "fail"),
    Row(RCD, "trip-five-times", {}, "40 ms", "pass"),
    Row(RCD, "trip-five-times", {}, "41 ms", "fail"),
    Row("IEC 60228, 0.3025 Ohm", "continuity-200",
        {"length": "25 m", "size": "1.5 mm2", "temperature": "20 Cel"}, "0.30 Ohm", "pass"),
    Row("distributors declare at most 0.8 Ohm (TN-S): common practice", "loop-outside",
        {"current": "160 A"}, "0.35 Ohm", "pass"),
]  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.step} {row.shown}")
def test_a_figure_of_the_trade_gets_the_verdict_of_the_trade(row: Row) -> None:
    assert row.source
    visit = Visit(library(PROCEDURES[row.step]))
    reach(visit, row)
    answer(visit, row.step, row.shown, row.mode)
    assert visit.verdicts(row.step) == [row.verdict]


def reach(visit: Visit, row: Row) -> None:
    """Do whatever is asked before the step of the row, well."""
    for _ in range(60):
        what, name = visit.asked
        if name == row.step:
            return
        if what == "act":
            act = visit.procedure.find_act(name)
            fields = {question.field for question in act.ask} if act else set()
            stated = CABLE | {"length": "25 m"} | row.stated
            said = {key.replace("-", "_"): text for key, text in stated.items() if key in fields}
            visit.act(name, **said)
        elif what == "observe":
            step = visit.procedure.find_step(name)
            visit.observe(name, step.accept[0] if step else "")
        else:
            shown, mode = BEFORE[name]
            answer(visit, name, shown, mode)
    raise AssertionError(f"{row.step} is never asked, but {visit.asked}")


BEFORE: dict[str, tuple[str, str | None]] = {
    "radial-leads": ("0.28 Ohm", None),
    "element-leads": ("0.28 Ohm", None),
    "line-and-earth": ("0.77 Ohm", None),
    "capacitor-empty": ("0.01 V", "dc"),
    "leakage-supply": ("236.0 V", "ac"),
    "insulation-line-neutral": ("200 MOhm", None),
    "trip-rated": ("25 ms", None),
}


def answer(visit: Visit, name: str, shown: str, mode: str | None) -> None:
    """Show, or enter, a value at a step."""
    step = visit.procedure.find_step(name)
    assert step is not None
    if step.entered is not None:
        said = read_elsewhere(step) | {"value": shown}
        visit.feed(Entered(*visit.when(NS_PER_S), visit.by, name, said))
        return
    if step.start == "begin":
        visit.begin(name)
    else:
        visit.show("OL MOhm", 2)
    for _ in range(40):
        now = visit.when(NS_PER_S // 4)
        visit.feed(Measured(*now, step.meter or "meter", reading(shown, mode)))
        if visit.asked != ("measure", name):
            return


@pytest.mark.parametrize(("t", "ohms"), [("20 Cel", 14_773), ("60 Cel", 3_252), ("80 Cel", 1_707)])
def test_the_other_family_of_boiler_sensors(t: str, ohms: float) -> None:
    """A published table of a 12 kOhm boiler sensor (maker): one beta of 3740 K is within 1.5 %."""
    given = {"temperature": t, "percent": "1 %", "nominal": "12 kOhm", "beta": "3740 K"}
    found = relation.limits_of("thermistor", given, {})
    assert float(((found.low or 0) + (found.high or 0)) / 2) == pytest.approx(ohms, rel=0.015)


@pytest.mark.parametrize(
    ("power", "most"), [("0.5 kW", 0.75), ("1 kW", 0.75), ("3 kW", 2.25), ("7 kW", 5)]
)
def test_leakage_goes_by_the_kilowatt_between_a_floor_and_a_top(power: str, most: float) -> None:
    """EN 60335-1 clause 13.2 (from secondary sources): 7 kW would be 5.25 mA, and 5 is the top."""
    given = {"power": power, "each-kilowatt": "0.75 mA", "least": "0.75 mA", "most": "5 mA"}
    found = relation.limits_of("leakage", given, {})
    assert (found.low, float(found.high or 0)) == (None, most)


def test_a_fan_of_two_pulses() -> None:
    """120 Hz at two pulses a turn are 3600 turns a minute (maker)."""
    given = {"speed": "3600 {rev}/min", "pulses": "2 1", "percent": "5 %"}
    found = relation.limits_of("tachometer", given, {})
    assert (found.low, found.high) == (114, 126)


@pytest.mark.parametrize(
    ("full", "share", "volts"), [("10 V", "65 %", 6.5), ("10 V", "30 %", 3.0), ("24 V", "0 %", 0)]
)
def test_a_signal_is_its_share_of_the_full_voltage(full: str, share: str, volts: float) -> None:
    """0 to 10 V by percent (maker); mean of pulses: duty times height."""
    found = relation.limits_of("share", {"full": full, "share": share, "within": "0.3 V"}, {})
    assert (float(found.low or 0), float(found.high or 0)) == pytest.approx(
        (volts - 0.3, volts + 0.3)
    )
