"""The unit table against UCUM's own definitions.

Source: ucumvert 0.3.2, which reads the codes by UCUM's grammar and essence table and turns them
into pint quantities; one known difference is listed where it is tested.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from ucumvert import PintUcumRegistry

from metercap import units
from metercap.meter.presentation import SIG_UNITS

REGISTRY = PintUcumRegistry()
PAIRS = sorted(
    {(quantity, unit) for quantity in units.quantities() for unit in units.units_of(quantity)}
)
# UCUM's text in braces is a remark, so {rev}/min is 1/min there; pint's rpm counts radians.
TURNS = "{rev}/min"


@pytest.mark.parametrize(("quantity", "unit"), [pair for pair in PAIRS if pair[1] != TURNS])
def test_a_code_is_worth_what_ucum_says(quantity: str, unit: str) -> None:
    base = units.units_of(quantity)[0]
    for amount in (0, 1, 100):
        ours = units.convert(Decimal(amount), unit, base)
        # An amount times the unit would not do: degrees have an offset.
        source = REGISTRY.Quantity(amount, REGISTRY.from_ucum(unit).units)
        theirs = source.to(REGISTRY.from_ucum(base).units).magnitude

        assert float(ours) == pytest.approx(float(theirs), rel=1e-9, abs=1e-9)


def test_known_difference_a_turn_is_a_remark_in_ucum() -> None:
    assert str(REGISTRY.from_ucum(TURNS).to_base_units().units) == "1 / second"
    assert [pair for pair in PAIRS if pair[1] == TURNS] == [("rotational speed", TURNS)]


@pytest.mark.parametrize(("quantity", "unit"), sorted(set(SIG_UNITS.values())))
def test_a_unit_of_the_sig_is_one_that_the_tool_knows(quantity: str, unit: str) -> None:
    assert units.is_allowed(quantity, unit)
