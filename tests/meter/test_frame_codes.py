"""Coded points and states, bits that never change, and digits that lack or double a segment."""

from __future__ import annotations

import pytest
from meter.strategies import _HEAD, _OHMS, _VOLTS

from metercap.errors import DriverError
from metercap.meter.decode import build_decoder
from metercap.meter.description import Driver, parse_driver
from metercap.model import Outcome, Refusal, Status

CODES = """
[frame]
length = 4
on = ["3.7"]
off = ["3.5", "3.6"]
[field]
count = { type = "uint", at = 0, bytes = 2 }
point = { type = "uint", bits = ["2.0", "2.1"] }
state = { type = "uint", bits = ["2.2", "2.3"] }
function = { type = "uint", bits = ["2.4", "2.5", "2.6", "2.7", "3.0", "3.1", "3.2", "3.3", "3.4"] }
[value]
count = "count"
most = 5999
over = [65535]
places = { field = "point", codes = { 0 = 0, 1 = 2, 3 = 1 } }
state = { field = "state", codes = { 0 = "ok", 1 = "over", 2 = "special" } }
"""
ROWS = _VOLTS + "when = { function = 5 }\n" + _OHMS + "when = { function = 6 }\n"

GLASS = """
[frame]
length = 2
[field]
volt = { type = "flag", bits = ["1.7"] }
ohm = { type = "flag", bits = ["1.6"] }
[field.digits]
type = "seg7"
digits = [
    ["off", "0.0", "0.0", "off", "off", "off", "off"],
    ["0.1", "0.2", "on", "0.3 0.4", "0.5", "0.6", "0.7"],
]
[value]
digits = "digits"
over = ["1E"]
"""


def made(body: str) -> Driver:
    return parse_driver(_HEAD.format(kind="frame") + body, "made")


def read(driver: Driver, frame: str) -> Outcome:
    (outcome,), _ = build_decoder(driver).decode(bytes.fromhex(frame))
    return outcome


@pytest.mark.parametrize(
    ("frame", "status", "value"),
    [
        ("D204 50 80", Status.OK, "1234"),
        ("D204 51 80", Status.OK, "12.34"),
        ("D204 53 80", Status.OK, "123.4"),
        ("D204 57 80", Status.OVER, None),
        ("FFFF 50 80", Status.OVER, None),
        ("FFFF 58 80", Status.OVER, None),
    ],
)
def test_codes_say_where_the_point_is_and_whether_there_is_a_number(
    frame: str, status: Status, value: str | None
) -> None:
    outcome = read(made(CODES + ROWS), frame)

    assert not isinstance(outcome, Refusal)
    assert (outcome.status, outcome.value) == (status, value)


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        ("D204 52 80", "volts: unknown code for the decimal point"),
        ("D204 5C 80", "volts: unknown code for the state"),
        ("D204 58 80", "volts: found a number beside a state that has none"),
        ("7017 50 80", "volts: found count 6000, expected at most 5999"),
        ("D204 50 A0", "constant: found A0 in byte 3, expected 80"),
        ("D204 50 00", "constant: found 00 in byte 3, expected 80"),
    ],
)
def test_codes_that_the_file_does_not_name_are_refused(frame: str, reason: str) -> None:
    assert read(made(CODES + ROWS), frame) == Refusal(reason)


def test_a_digit_without_some_segments_shows_what_it_can() -> None:
    driver = made(
        GLASS.replace("length = 2", 'length = 2\noff = ["1.0", "1.1", "1.2", "1.3", "1.4", "1.5"]')
        + _VOLTS
        + 'decimals = 0\nwhen = ["volt"]\n'
        + _OHMS
        + 'decimals = 0\nwhen = ["ohm"]\n'
    )

    # The half digit's one bit drives two strokes; both bits of the d stroke must agree.
    assert getattr(read(driver, "FF 80"), "value", None) == "18"
    assert getattr(read(driver, "FE 80"), "value", None) == "8"
    for frame in ("EF 80", "F7 80", "00 80"):
        assert isinstance(read(driver, frame), Refusal)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("3 = 1 }", "4 = 1 }", "value.places.codes: found 4, expected at most 3"),
        ('0 = "ok"', '0 = "over"', "value.state.codes: found no 'ok'"),
        ("over = [65535]", 'over = ["OL"]', "value.over: found 'OL'"),
        ('on = ["3.7"]', 'on = ["3.7", "3.6"]', "bit 3.6 is used by frame.on and frame.off"),
    ],
)
def test_codes_that_cannot_be_are_named(old: str, new: str, line: str) -> None:
    with pytest.raises(DriverError) as caught:
        made(CODES.replace(old, new) + ROWS)

    assert line in str(caught.value)
