"""The recorder as its user runs it, through one fault after another: see the package's table.

One recorder goes through all of these, whatever their order, and at the end of each it holds as
many file descriptors as at the beginning, has shown nothing twice, and left nothing out unsaid.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import pytest
from cli.command import ROOT
from fake_bluez import LEAST_PAYLOAD, BluezProcess, private_bus

from field import faults
from field.recorder import ADDRESS, EVERY_MS, Field, Recorder
from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@pytest.fixture(scope="module")
def field() -> Iterator[Field]:
    with Field() as one:
        yield one
        one.finish()


def survives(field: Field, fault: Callable[[Field], None], times: int = 2) -> list[str]:
    """Let the fault happen so often; what the recorder said meanwhile."""
    before = len(field.recorder.changes)
    for _ in range(times):
        field.strike(fault)
    assert field.recorder.descriptors <= field.steady
    field.assert_nothing_twice_nor_left_out()
    state = field.order("state")
    assert (state["connected"], state["subscribed"]) == ([ADDRESS], 1)
    return field.recorder.changes[before:]


def test_row_1_a_connect_that_aborts(field: Field) -> None:
    said = survives(field, faults.connect_aborts_twice)
    assert said[:2] == ["link ended: the meter dropped the link", "connected"]


def test_row_2_a_device_that_is_forgotten(field: Field) -> None:
    survives(field, faults.device_is_forgotten)


def test_row_3_a_device_that_is_forgotten_while_connecting(field: Field) -> None:
    said = survives(field, faults.device_is_forgotten_while_connecting)
    assert any(line.startswith("no link: ") for line in said)


def test_row_4_a_link_that_drops(field: Field) -> None:
    survives(field, faults.link_drops)


def test_row_5_a_meter_that_falls_silent_while_the_link_stands(field: Field) -> None:
    said = survives(field, faults.meter_falls_silent, times=1)
    assert said[0] == "link ended: the meter sent nothing for 3 s"


def test_row_5_a_service_that_is_killed(field: Field) -> None:
    said = survives(field, faults.service_is_killed)
    assert said[0] == "link ended: the Bluetooth service left the system bus"


def test_row_6_a_message_bus_that_dies(field: Field) -> None:
    survives(field, faults.bus_dies)


def test_row_7_a_subscription_that_is_never_answered(field: Field) -> None:
    said = survives(field, faults.subscription_is_not_answered, times=1)
    assert "no link: the meter did not accept the subscription within 5 s" in said


def test_row_8_a_scan_that_is_busy(field: Field) -> None:
    said = survives(field, faults.scan_is_busy, times=1)
    assert any("busy with another scan" in line for line in said)


def test_row_9_a_scan_that_cannot_be_stopped(field: Field) -> None:
    survives(field, faults.scan_cannot_be_stopped)


def test_row_11_a_link_that_a_killed_recorder_left(field: Field) -> None:
    survives(field, faults.recorder_is_killed, times=1)


def test_row_13_services_that_are_another_meters(field: Field) -> None:
    said = survives(field, faults.services_are_stale)
    assert any("does not show the characteristic" in line for line in said)


def test_row_14_a_link_that_falls_during_discovery(field: Field) -> None:
    survives(field, faults.link_falls_during_discovery)


def test_row_15_values_are_asked_for_by_signals_and_an_empty_one_is_refused(field: Field) -> None:
    before = len(field.recorder.said)
    field.order("notify", hex="")
    field.recorder.until_said("refused cut: found 0 bytes", before)
    field.recorder.flow()
    assert not any(said == "connected" for said in field.recorder.said[before:])
    calls = field.order("state")["calls"]
    assert "StartNotify" in calls
    assert "AcquireNotify" not in calls


def test_rows_16_and_17_ten_drops_leave_no_second_subscription_and_no_descriptor(
    field: Field,
) -> None:
    survives(field, faults.link_drops, times=10)


def test_row_19_an_adapter_that_is_unplugged(field: Field) -> None:
    said = survives(field, faults.adapter_is_unplugged)
    assert said[0].startswith("link ended: ")


def test_row_19_an_adapter_that_comes_back_as_another(field: Field) -> None:
    survives(field, faults.adapter_is_renumbered, times=1)


def test_row_20_values_that_are_lost_between_drops(field: Field) -> None:
    """A third of all values is lost, and the link with them now and then."""
    for _ in range(3):
        for _ in range(10):
            field.order("fault", kind="lost", times=1)
            field.order("until_sent", count=3)
        field.strike(faults.link_drops)
    field.forgive()
    survives(field, faults.link_drops, times=1)


def test_row_21_a_value_lost_in_the_middle_shows_in_the_times(field: Field) -> None:
    """Without a counter of the meter's own, two arrivals further apart are all there is to see."""
    before = len(field.recorder.raw) - 1
    field.order("fault", kind="lost", times=20)
    values = field.recorder.values
    while values[-1] - values[-2] == 1:
        field.recorder.flow(1)
        values = field.recorder.values
    rows = field.recorder.raw[before:]
    gaps = [
        (_seconds(later) - _seconds(row), int(later["value"]) - int(row["value"]))
        for row, later in itertools.pairwise(rows)
    ]
    longest, more = gaps[-1]
    assert more == 21
    assert {one for _, one in gaps[:-1]} <= {1}
    assert longest > 20 * EVERY_MS / 1000 * 0.9
    field.strike(faults.link_drops)
    field.forgive()


def _seconds(row: dict[str, str]) -> float:
    hours, minutes, seconds = row["phenomenonTime"].split("T")[1].rstrip("Z").split(":")
    return float(hours) * 3600 + float(minutes) * 60 + float(seconds)


def test_row_23_a_connect_over_classic_bluetooth_is_named(field: Field) -> None:
    said = survives(field, faults.connects_over_classic, times=1)
    assert any("set ControllerMode = le" in line for line in said)


def test_row_24_an_adapter_that_is_switched_off(field: Field) -> None:
    said = survives(field, faults.adapter_is_switched_off)
    assert said[0].startswith("link ended: ")


def test_row_24_a_right_that_is_missing(field: Field) -> None:
    said = survives(field, faults.use_is_denied, times=1)
    assert any("add the user to the group bluetooth" in line for line in said)


def test_row_25_lines_that_a_small_link_cuts_at_twenty_bytes() -> None:
    """ATT_MTU 23 leaves 20 bytes of a notification; the meter's lines have 18 and run on."""
    driver = parse_driver((ROOT / "drivers/bench-line.toml").read_text("utf-8"), "bench-line.toml")
    decoder = build_decoder(driver)
    numbers = range(100, 140)
    stream = b"".join(decoder.encode(driver.function[0].reading(str(one))) for one in numbers)
    with private_bus(), BluezProcess() as bluez:
        notify, service = driver.link.notify, driver.match.service
        meter = {"address": ADDRESS, "name": "BENCH-LINE", "service": service, "notify": notify}
        bluez.send({"do": "meter", **meter})
        cut = [stream[at : at + LEAST_PAYLOAD].hex() for at in range(0, len(stream), LEAST_PAYLOAD)]
        bluez.send({"do": "play", "address": ADDRESS, "every_ms": EVERY_MS, "frames": cut})
        recorder = Recorder(ADDRESS, "--driver", "bench-line")
        try:
            recorder.until(lambda: recorder.values[-1:] == [numbers[-1]])
        finally:
            recorder.interrupt()
    assert recorder.values == list(numbers)
