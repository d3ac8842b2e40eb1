"""Amounts, durations, and which unit may show which quantity."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap import units

EVERY = [(q, u) for q in units.quantities() for u in units.units_of(q)]


@pytest.mark.parametrize(
    ("value", "unit_from", "unit_to", "expected"),
    [
        ("0.0024", "kOhm", "Ohm", "2.4"),
        ("60.00", "MOhm", "Ohm", "60000000"),
        ("-12.5", "mV", "V", "-0.0125"),
        ("1", "kV", "mV", "1000000"),
        ("3", "V", "V", "3"),
        ("20", "Cel", "K", "293.15"),
        ("212", "[degF]", "Cel", "100"),
        ("2", "h", "s", "7200"),
        ("1500", "W.h", "kW.h", "1.5"),
        ("50", "%", "1", "0.5"),
    ],
)
def test_an_amount_is_turned_into_another_unit(
    value: str, unit_from: str, unit_to: str, expected: str
) -> None:
    found = units.convert(Decimal(value), unit_from, unit_to)
    assert abs(found - Decimal(expected)) < Decimal("1e-20")


def test_ohms_and_their_thousands_convert_without_a_trace_of_rounding() -> None:
    assert units.convert(Decimal("1.00"), "kOhm", "Ohm") == 1000
    assert units.convert(Decimal("0.1"), "mOhm", "Ohm") == Decimal("0.0001")


@pytest.mark.parametrize(("unit_from", "unit_to"), [("V", "A"), ("Ohm", "V"), ("s", "Hz")])
def test_units_of_two_kinds_do_not_convert(unit_from: str, unit_to: str) -> None:
    with pytest.raises(ValueError, match=f"found {unit_from}, expected one that leads"):
        units.convert(Decimal(1), unit_from, unit_to)


@pytest.mark.parametrize("unit", ["ohm", "Volt", "", "kVV", "kg"])
def test_a_unit_that_no_meter_shows_is_unknown(unit: str) -> None:
    with pytest.raises(ValueError, match="expected one of the UCUM codes"):
        units.convert(Decimal(1), unit, "V")
    assert not any(units.is_allowed(quantity, unit) for quantity in units.quantities())


def test_power_is_not_apparent_power_though_they_share_a_dimension() -> None:
    assert units.is_allowed("power", "kW")
    assert not units.is_allowed("power", "V.A")
    assert not units.is_allowed("apparent power", "W")
    assert not units.is_allowed("weight", "V")
    assert units.units_of("weight") == ()


@given(st.sampled_from(EVERY), st.decimals(-1000, 1000, places=3))
def test_there_and_back_again(row: tuple[str, str], value: Decimal) -> None:
    quantity, unit = row
    base = units.units_of(quantity)[0]
    back = units.convert(units.convert(value, unit, base), base, unit)
    assert abs(back - value) < Decimal("1e-15")


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("1.0 Ohm", (Decimal("1.0"), "Ohm")),
        ("-5 V", (Decimal(-5), "V")),
        ("3 %", (Decimal(3), "%")),
        ("0 V.A", (Decimal(0), "V.A")),
    ],
)
def test_an_amount_is_a_number_a_space_and_a_unit(text: str, amount: tuple[Decimal, str]) -> None:
    assert units.parse_amount(text) == amount


@pytest.mark.parametrize(
    "text",
    ["", "1", "1Ohm", "1  Ohm", " 1 Ohm", "1 Ohm ", "1. V", ".5 V", "+1 V", "1e3 V", "1,0 V",
     "NaN V", "Infinity V", "\u0661 V", "1 V\n", f"{'9' * 16} V", f"0.{'1' * 16} V"],
)  # fmt: skip
def test_anything_else_is_no_amount(text: str) -> None:
    with pytest.raises(ValueError, match=r"amount: found .*, expected a number, a space and"):
        units.parse_amount(text)


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("2 s", 2_000_000_000),
        ("0.25 s", 250_000_000),
        ("250 ms", 250_000_000),
        ("30 min", 1_800_000_000_000),
        ("1 h", 3_600_000_000_000),
        ("0 s", 0),
    ],
)
def test_a_duration_is_whole_nanoseconds(text: str, ns: int) -> None:
    assert units.parse_duration_ns(text) == ns


@pytest.mark.parametrize("text", ["2", "2 sec", "-2 s", "2s", "2 V", "two s", "", "1e9 s"])
def test_anything_else_is_no_duration(text: str) -> None:
    with pytest.raises(ValueError, match="duration: found"):
        units.parse_duration_ns(text)
