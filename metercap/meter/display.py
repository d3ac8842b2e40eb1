"""A physical value to the reading that a meter would show for it; no bytes are made here."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

from metercap.errors import DisplayError
from metercap.meter.advert import MEASURES
from metercap.meter.attribute import find_part
from metercap.meter.description import (
    AdvertFunction,
    AttributeDriver,
    AttributeFunction,
    LineFunction,
)
from metercap.model import Reading, Status
from metercap.units import convert

if TYPE_CHECKING:
    from metercap.meter.adopted import Part
    from metercap.meter.description import Driver, Function


def show(
    driver: Driver,
    quantity: str,
    coupling: str | None,
    value: Decimal | None,
    unit: str,
    *,
    function: str | None = None,
) -> Reading:
    """What the meter shows for `value` in `unit` (UCUM); None is an open circuit.

    The meter ranges by itself over the rows of that quantity and coupling ("ac", "dc" or None),
    from the finest, or stands on the one row named `function`. What no range holds shows as over,
    or under where it is negative, with the ceiling of the highest row tried.
    Raises DisplayError where the driver has no such row, ValueError where the unit is of another
    kind.
    """
    rows = _rows(driver, quantity, coupling, function)
    for row in rows:
        if value is None:
            break
        here = convert(value, unit, row.unit)
        shown = _rounded(driver, row, here)
        if shown is not None:
            return row.reading(shown)
    top = rows[-1]
    if value is not None and convert(value, unit, top.unit) < _lowest(driver, top):
        return top.reading(None, Status.UNDER)
    return top.reading(None, Status.OVER)


def _rows(
    driver: Driver, quantity: str, coupling: str | None, function: str | None
) -> list[Function]:
    """The rows that may show it, finest range first."""
    rows = [
        row
        for row in driver.function
        if row.quantity == quantity
        and row.coupling == (coupling or "none")
        and function in {None, row.name}
        # A row that always carries marks (hold, relative) is never where ranging leads.
        and (function is not None or not (isinstance(row, LineFunction) and row.marks))
        and (function is not None or row.input is None)
    ]
    if not rows:
        wanted = f"{quantity} {coupling or ''}".strip()
        at = "" if function is None else f" in {function!r}"
        raise DisplayError(f"{driver.id}: found no function for {wanted}{at}")
    base = rows[0].unit
    return sorted(rows, key=lambda row: convert(Decimal(row.ceiling), row.unit, base))


def _decimals(row: Function) -> int:
    """Places after the point in this range: its own, else those of its ceiling."""
    if row.decimals is not None:
        return row.decimals
    return len(row.ceiling.partition(".")[2])


def _rounded(driver: Driver, row: Function, value: Decimal) -> str | None:
    """The digits, rounded half away from zero (common practice); None where they do not fit."""
    ceiling = Decimal(row.ceiling)
    if abs(value) > 2 * ceiling:
        return None  # and no rounding of numbers that are too long to round
    part = _find_whole(driver, row)
    if part is not None:
        steps = (value / part.step).quantize(Decimal(1), ROUND_HALF_UP)
        shown = steps * part.step
        fits = part.lowest <= steps <= part.highest and abs(shown) <= ceiling
        return f"{shown:f}" if fits else None
    if isinstance(row, AdvertFunction):
        measure = MEASURES[int(row.object, 16)]
        raw = (value / measure.step).quantize(Decimal(1), ROUND_HALF_UP)
        return measure.text(int(raw)) if abs(raw * measure.step) <= ceiling else None
    places = _decimals(row)
    if isinstance(driver, AttributeDriver) and driver.attribute.counts is not None:
        counts = driver.attribute.counts
        while places and abs(_round(value, places)).scaleb(places) > counts:
            places -= 1
    shown = _round(value, places)
    return f"{shown:.{places}f}" if abs(shown) <= ceiling else None


def _round(value: Decimal, places: int) -> Decimal:
    rounded = value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return rounded or abs(rounded)  # a zero carries no sign of what it came from


def _find_whole(driver: Driver, row: Function) -> Part | None:
    """The adopted whole number that a row stands for."""
    if not isinstance(driver, AttributeDriver) or not isinstance(row, AttributeFunction):
        return None
    part = find_part(driver, row)
    return None if part is None or part.is_floating else part


def _lowest(driver: Driver, row: Function) -> Decimal:
    """Below this a display is under its range: half a step below the lowest code, else 0.

    The lowest code of the adopted voltage says "or lower", so it shows no nought.
    """
    part = _find_whole(driver, row)
    return Decimal(0) if part is None else (part.lowest - Decimal("0.5")) * part.step
