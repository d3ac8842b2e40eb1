"""Parts of a doubt: what adds up, what cancels, and how value and uncertainty are written."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sequence.walking import Visit, written

from metercap.errors import ProcedureError
from metercap.sequence.budget import Part, combine, doubt_text, made, rectangle

HEAD = """
id = "test"
title = "Test"
version = "1"
[[step]]
id = "step"
title = "t"
do = "d"
say = "s"
source = "this test"
quantity = "voltage"
mode = "ac"
expect = { between = ["216.2 V", "253.0 V"] }
start = "begin"
"""


@pytest.mark.parametrize(
    ("amount", "doubt", "value_text", "expanded_text"),
    [
        ("243.21", "1.65", "243.2", "3.3"),
        ("243.21", "16.5", "243", "33"),
        ("1234.5", "61", "1230", "130"),
        ("0.0704", "0.0171", "0.070", "0.035"),
        ("0.35", "0.00487", "0.3500", "0.0098"),
        ("0.35", "0.004951", "0.350", "0.010"),  # 0.0099... goes up to 0.010, not 0.0100
        ("-0.001", "0.05", "0.00", "0.10"),
        ("230.1", "0", "230.10", "0"),
    ],
)
def test_a_value_ends_where_its_uncertainty_ends(
    amount: str, doubt: str, value_text: str, expanded_text: str
) -> None:
    found = made(Decimal(amount), "V", (Part("", Decimal(doubt)),), -1)
    assert (found.value_text, found.expanded_text) == (value_text, expanded_text)


@given(st.decimals("1e-9", "1e9", allow_nan=False), st.decimals("-1e6", "1e6", places=3))
def test_written_digits_never_say_less_doubt_than_there_is(doubt: Decimal, amount: Decimal) -> None:
    found = made(amount, "V", (Part("", doubt),), -3)
    said = Decimal(found.expanded_text)
    assert found.expanded <= said <= found.expanded * Decimal("1.1")
    decimals = len(found.expanded_text.partition(".")[2])
    assert len(found.value_text.partition(".")[2]) == decimals


def test_few_degrees_of_freedom_widen_the_uncertainty() -> None:
    """u 1 with 5 of them beside u 1 with infinitely many: 4 / (1/5) = 20, so k 2.13."""
    found = made(
        Decimal(10), "V", (Part("", Decimal(1), freedom=Decimal(5)), Part("", Decimal(1))), 0
    )
    assert (found.freedom_text, found.factor) == ("20", Decimal("2.13"))
    assert found.expanded == found.doubt * Decimal("2.13")
    assert made(Decimal(10), "V", (Part("", Decimal(1)),), 0).freedom_text == "infinite"


def test_readings_of_one_meter_share_its_gain_and_not_its_counts() -> None:
    one = made(Decimal(10), "V", (Part("limit", Decimal(3), own=Decimal(1), shared="meter"),), -1)
    assert one.doubt == 4  # percent and counts add up, as a maker states them
    difference = combine(Decimal(0), "V", [(Decimal(1), one), (Decimal(-1), one)])
    assert difference.doubt == Decimal(2).sqrt()
    total = combine(Decimal(20), "V", [(Decimal(1), one), (Decimal(1), one)])
    assert total.doubt == 6 + Decimal(2).sqrt()


def test_another_unit_changes_no_doubt_and_a_moved_zero_none_either() -> None:
    volts = made(Decimal("1.5"), "V", (Part("", Decimal("0.1")),), -1).in_unit("mV")
    assert (volts.value, volts.doubt, volts.exponent) == (1500, 100, 2)
    kelvin = made(Decimal(20), "Cel", (Part("", Decimal(2)),), 0).in_unit("K")
    assert (kelvin.value, kelvin.doubt) == (Decimal("293.15"), 2)
    with pytest.raises(ValueError, match="expected one that leads to A"):
        volts.in_unit("A")


def test_a_rectangle_is_its_half_width_over_root_three() -> None:
    assert doubt_text(rectangle("", Decimal("0.3")).doubt) == "0.18"


def expanded(influence: str) -> Decimal:
    visit = Visit(written(f"{HEAD}influence = [{influence}]"))
    visit.begin("step")
    visit.show("230.0 V", 7, "ac")
    return Decimal(str(visit.of("attempt")[0]["expanded"]))


def test_a_declared_influence_widens_the_doubt_of_its_step() -> None:
    """0.9 % + 2 counts of 230.0 V is 2.27 V; as wide again, and the tail, makes U 3.8 V."""
    alone = expanded("")
    within = expanded('{ name = "cold", within = "2270 mV", source = "t" }')
    percent = expanded('{ name = "cold", percent = "0.987", source = "t" }')
    assert (alone, within, percent) == (Decimal("2.7"), Decimal("3.8"), Decimal("3.8"))


@pytest.mark.parametrize(
    ("influence", "found"),
    [
        ('{ name = "cold", source = "t" }', "either within or percent"),
        ('{ name = "cold", within = "1 V", percent = "1", source = "t" }', "either"),
        ('{ name = "cold", within = "1 Ohm", source = "t" }', "a unit of voltage"),
        ('{ name = "cold", within = "-1 V", source = "t" }', "nothing below zero"),
    ],
)
def test_an_influence_is_one_width_in_the_unit_of_its_step(influence: str, found: str) -> None:
    with pytest.raises(ProcedureError, match=found):
        written(f"{HEAD}influence = [{influence}]")
