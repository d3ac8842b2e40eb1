"""Which driver fits what a scan shows."""

from __future__ import annotations

import pytest
from meter.strategies import SHIPPED, made, shipped

from metercap.meter.match import find_driver

DRIVERS = [shipped(name) for name in SHIPPED]


@pytest.mark.parametrize("name", SHIPPED)
def test_each_shipped_driver_fits_its_own_meter_and_no_other(name: str) -> None:
    match = shipped(name).match
    shown = (match.name or "").replace("*", " 0042")

    assert find_driver(DRIVERS, shown, [(match.service or "").upper()]) == (
        shipped(name),
        f"{name} fits",
    )


def test_name_and_service_must_both_hold() -> None:
    match = shipped("bench-count").match

    assert find_driver(DRIVERS, "BENCH-COUNT 1", []) == (
        None,
        f"none of {len(DRIVERS)} drivers fits name 'BENCH-COUNT 1' and 0 services",
    )
    assert find_driver(DRIVERS, None, [match.service or ""]) == (
        None,
        f"none of {len(DRIVERS)} drivers fits no name and 1 services",
    )


def test_a_star_stands_for_any_ending_and_nothing_else() -> None:
    exact, open_ended = made("bcd"), shipped("bench-segments")

    assert find_driver([exact], "BENCH", [])[0] == exact
    assert find_driver([exact], "BENCH 2", [])[0] is None
    assert find_driver([exact], "bench", [])[0] is None
    services = [open_ended.match.service or ""]
    assert find_driver([open_ended], "BENCH-SEG", services)[0] == open_ended
    assert find_driver([open_ended], "MY BENCH-SEG", services)[0] is None


def test_two_that_fit_are_none_chosen() -> None:
    twins = [shipped("bench-line"), shipped("bench-line").model_copy(update={"id": "twin"})]
    match = twins[0].match

    assert find_driver(twins, "BENCH-LINE", [match.service or ""]) == (
        None,
        "bench-line and twin fit alike: name one",
    )


def test_a_driver_for_one_meter_comes_before_the_one_for_all_of_its_kind() -> None:
    every = shipped("open-advert")
    match = every.match.model_copy(update={"name": "BOILER *"})
    own = every.model_copy(update={"id": "boiler", "match": match})
    services = [every.match.service or ""]

    assert find_driver([every, own], "BOILER 1", services) == (own, "boiler fits")
    assert find_driver([every, own], "LOFT 1", services) == (every, "open-advert fits")
