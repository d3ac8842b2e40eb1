"""What a meter shows for a physical value: the range, the digits, the overload."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import SHIPPED, come_back, shipped

from metercap.errors import DisplayError
from metercap.meter.decode import build_decoder
from metercap.meter.display import show
from metercap.model import Status

SEGMENT = shipped("bench-segments")


@pytest.mark.parametrize(
    ("ohms", "function", "value", "unit"),
    [
        ("0", "ohms-60", "0.00", "Ohm"),
        ("0.35", "ohms-60", "0.35", "Ohm"),
        ("0.345", "ohms-60", "0.35", "Ohm"),
        ("0.3449", "ohms-60", "0.34", "Ohm"),
        ("60", "ohms-60", "60.00", "Ohm"),
        ("60.004", "ohms-60", "60.00", "Ohm"),
        ("60.005", "ohms-600", "60.0", "Ohm"),
        ("600.05", "kilohms-6", "0.600", "kOhm"),
        ("2200", "kilohms-6", "2.200", "kOhm"),
        ("470000", "kilohms-600", "470.0", "kOhm"),
        ("1000000", "megohms-6", "1.000", "MOhm"),
        ("60000000", "megohms-60", "60.00", "MOhm"),
    ],
)
def test_the_meter_ranges_to_the_finest_row_that_holds_the_value(
    ohms: str, function: str, value: str, unit: str
) -> None:
    reading = show(SEGMENT, "resistance", None, Decimal(ohms), "Ohm")

    assert (reading.function, reading.value, reading.unit) == (function, value, unit)
    assert reading.status is Status.OK


@pytest.mark.parametrize("value", [None, Decimal(60005000), Decimal("1e40")])
def test_what_no_range_holds_is_more_than_the_highest_ceiling(value: Decimal | None) -> None:
    reading = show(SEGMENT, "resistance", None, value, "Ohm")

    assert (reading.status, reading.value) == (Status.OVER, None)
    assert (reading.function, reading.ceiling, reading.unit) == ("megohms-60", "60.00", "MOhm")


def test_a_selector_on_one_range_stays_there() -> None:
    low = show(SEGMENT, "resistance", None, Decimal("0.35"), "Ohm", function="kilohms-600")
    high = show(SEGMENT, "resistance", None, Decimal(1000), "Ohm", function="ohms-600")

    assert (low.value, low.unit) == ("0.0", "kOhm")
    assert (high.status, high.ceiling, high.function) == (Status.OVER, "600.0", "ohms-600")


def test_coupling_and_unit_decide_the_row() -> None:
    ac = show(SEGMENT, "voltage", "ac", Decimal("243.14"), "V")
    dc = show(SEGMENT, "voltage", "dc", Decimal("-0.01205"), "kV")

    assert (ac.function, ac.value, ac.coupling) == ("volts-ac", "243.1", "ac")
    assert (dc.function, dc.value, dc.coupling) == ("volts-dc-60", "-12.05", "dc")
    assert show(SEGMENT, "voltage", "dc", Decimal("0.0123"), "V").unit == "mV"


def test_below_the_lowest_is_under() -> None:
    reading = show(SEGMENT, "voltage", "dc", Decimal(-700), "V")

    assert (reading.status, reading.function) == (Status.UNDER, "volts-dc-600")


def test_a_value_that_rounds_to_nought_has_no_sign() -> None:
    assert show(SEGMENT, "voltage", "dc", Decimal("-0.00001"), "V").value == "0.0"


def test_what_the_meter_does_not_measure_is_an_error() -> None:
    with pytest.raises(DisplayError, match="found no function for capacitance"):
        show(SEGMENT, "capacitance", None, Decimal(1), "uF")
    with pytest.raises(DisplayError, match="found no function for voltage in 'ohms-60'"):
        show(SEGMENT, "voltage", None, Decimal(1), "V", function="ohms-60")
    with pytest.raises(ValueError, match="unit: found V"):
        show(SEGMENT, "resistance", None, Decimal(1), "V")


def test_a_row_that_says_hold_is_never_ranged_to() -> None:
    line = shipped("bench-line")

    assert show(line, "voltage", "ac", Decimal(230), "V").function == "volts-ac"
    assert show(line, "voltage", "ac", Decimal(900), "V").function == "volts-ac"
    held = show(line, "voltage", "ac", Decimal(230), "V", function="volts-ac-held")
    assert held.marks == ("hold",)


@pytest.mark.parametrize(
    ("ohms", "value"),
    [
        ("0.35", "0.35"),
        ("59.99", "59.99"),
        ("59.996", "60.0"),
        ("599.95", "600"),
        ("12340", "12340"),
    ],
)
def test_a_self_described_meter_drops_decimals_as_it_ranges(ohms: str, value: str) -> None:
    assert show(shipped("bench-described"), "resistance", None, Decimal(ohms), "Ohm").value == value


@pytest.mark.parametrize(
    ("volts", "status", "value"),
    [
        ("230", Status.OK, "230.000000"),
        ("230.01", Status.OK, "230.015625"),
        ("0.007", Status.UNDER, None),
        ("0", Status.UNDER, None),
        ("1021.99", Status.OK, "1021.984375"),
        ("1022", Status.OVER, None),
    ],
)
def test_the_adopted_voltage_shows_steps_of_a_64th(
    volts: str, status: Status, value: str | None
) -> None:
    reading = show(shipped("bench-voltage"), "voltage", "ac", Decimal(volts), "V")

    assert (reading.status, reading.value) == (status, value)


CASES = [
    (name, row.quantity, None if row.coupling == "none" else row.coupling, row.unit)
    for name in SHIPPED
    for row in shipped(name).function
]
DECODERS = {name: build_decoder(shipped(name)) for name in SHIPPED}


@given(
    case=st.sampled_from(CASES),
    value=st.none() | st.decimals("0", "1e9", allow_nan=False, allow_infinity=False, places=4),
)
def test_whatever_a_meter_shows_it_can_also_send(
    case: tuple[str, str, str | None, str], value: Decimal | None
) -> None:
    name, quantity, coupling, unit = case
    reading = show(shipped(name), quantity, coupling, value, unit)

    outcomes, rest = come_back(DECODERS[name], reading)
    assert (outcomes[0], rest) == (reading, b"")
