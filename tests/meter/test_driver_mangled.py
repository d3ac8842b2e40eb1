"""A driver with something in it lost, moved or replaced is refused in one line, or works."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st
from meter.strategies import ALL, any_driver

from metercap.errors import DriverError
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_from_json, driver_to_json

if TYPE_CHECKING:
    from collections.abc import Iterator

TABLES = [driver_to_json(any_driver(name)) for name in ALL]
STRANGE = [
    None, 0, 1, -1, 255, 2**40, 3.5, True, "", "x", "0L", "hold", "digits", "count", "1.0", "2.3",
    "AA", "uint", "sint", "bcd", "seg7", "ascii", "flag", "float32", "medfloat16", "frame", "line",
    "attribute", "2B18", "17 00 2A27 01 0000", [], ["2.3"], {},
]  # fmt: skip


def places(node: object) -> Iterator[tuple[dict | list, str | int]]:
    """Every table or array with each of its keys."""
    keys = list(node) if isinstance(node, dict) else range(len(node) if type(node) is list else 0)
    for key in keys:
        yield node, key
        yield from places(node[key])


@settings(max_examples=300)
@given(data=st.data())
def test_a_mangled_driver_is_refused_in_one_line_or_works(data: st.DataObject) -> None:
    table = copy.deepcopy(data.draw(st.sampled_from(TABLES)))
    spots = list(places(table))
    at = st.integers(0, len(spots) - 1)
    where, key = spots[data.draw(at)]
    match data.draw(st.sampled_from(["lost", "moved", "replaced"])):
        case "lost":
            del where[key]
        case "moved":
            other, other_key = spots[data.draw(at)]
            where[key] = copy.deepcopy(other[other_key])
        case "replaced":
            where[key] = data.draw(st.sampled_from(STRANGE))
    driver, said = None, "mangled: "
    try:
        driver = driver_from_json(table, "mangled")
    except DriverError as fault:
        said = str(fault)
    assert said.startswith("mangled: ")
    assert "\n" not in said
    if driver is None:
        return

    decoder = build_decoder(driver)
    decoder.decode(data.draw(st.binary(max_size=20)))
    assert all("\n" not in problem for problem in check_driver(driver))
    assert driver_from_json(driver_to_json(driver), "again") == driver
