"""What attribute values say: end codes, exact digits, refusals."""

from __future__ import annotations

from decimal import Decimal

import pytest
from meter.strategies import made, shipped

from metercap.errors import DisplayError
from metercap.meter.decode import build_decoder
from metercap.model import Outcome, Reading, Refusal, Status

VOLTS = shipped("bench-voltage").function[0]
OHMS = shipped("bench-described").function[0]
VOLTAGE = build_decoder(shipped("bench-voltage"))
DESCRIBED = build_decoder(shipped("bench-described"))
SINT32 = build_decoder(made("sint32"))


def shown(outcomes: tuple[tuple[Outcome, ...], bytes]) -> tuple[Status, str | None] | str:
    (outcome,), _ = outcomes
    if isinstance(outcome, Refusal):
        return outcome.reason
    return outcome.status, outcome.value


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("8039", (Status.OK, "230.000000")),
        ("0100", (Status.OK, "0.015625")),
        ("7FFF", (Status.OK, "1021.984375")),
        ("80FF", (Status.OVER, None)),
        ("0000", (Status.UNDER, None)),
        ("FFFF", (Status.UNKNOWN, None)),
        ("81FF", "found raw value 0xFF81, which 0x2B18 does not define"),
        ("FEFF", "found raw value 0xFFFE, which 0x2B18 does not define"),
        ("80", "found 1 bytes, expected 2"),
        ("803900", "found 3 bytes, expected 2"),
    ],
)
def test_voltage(raw: str, expected: object) -> None:
    assert shown(VOLTAGE.decode(bytes.fromhex(raw))) == expected


def test_one_step_of_the_adopted_voltage_is_the_counts_of_its_accuracy() -> None:
    # Two neighbours differ by 1/64 V, which is 15625 of the last of six decimals.
    low, high = (Decimal(VOLTAGE.decode(bytes([n, 1]))[0][0].value) for n in (7, 8))
    assert (high - low).scaleb(6) == VOLTS.accuracy.value.counts


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("C80000FE", (Status.OK, "2.00")),
        ("02000002", (Status.OK, "200")),
        ("FEFF7F00", (Status.OVER, None)),
        ("02008000", (Status.UNDER, None)),
        ("00008000", (Status.UNKNOWN, None)),
        ("FFFF7F00", (Status.INVALID, None)),
        ("01008000", "found reserved value 0x800001, expected a number"),
        ("FEFF7F01", "found reserved value 0x17FFFFE, expected a number"),
        ("01000080", "found exponent -128, expected at most 12 either way"),
        ("0100007F", "found exponent 127, expected at most 12 either way"),
        ("010000", "found 3 bytes, expected 4"),
    ],
)
def test_a_self_described_medfloat(raw: str, expected: object) -> None:
    assert shown(DESCRIBED.decode(bytes.fromhex(raw))) == expected


def test_a_self_described_integer_takes_its_point_from_the_descriptor() -> None:
    assert shown(SINT32.decode((12340).to_bytes(4, "little"))) == (Status.OK, "123.40")
    assert shown(SINT32.decode(b"\xff\xff\xff\xff")) == (Status.OK, "-0.01")
    assert shown(SINT32.decode((99_999_999).to_bytes(4, "little"))) == (Status.OK, "999999.99")


def test_an_integer_at_the_end_of_its_range_is_never_taken_for_a_number() -> None:
    # The driver says what 7FFFFFFF means; of 80000000 it says nothing.
    assert shown(SINT32.decode(b"\xff\xff\xff\x7f")) == (Status.OVER, None)
    assert shown(SINT32.decode(b"\x00\x00\x00\x80")) == (
        "found raw value -2147483648, expected at most 8 digits"
    )


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (VOLTS.reading("230.1"), "expected a multiple of 0.015625"),
        (VOLTS.reading("230"), "which no value here shows"),
        (VOLTS.reading("1022.000000"), "expected 0.015625 to 1021.984375"),
        (VOLTS.reading("-1.000000"), "expected 0.015625 to 1021.984375"),
        (VOLTS.reading(None, Status.BLANK), "which 0x2B18 cannot say"),
    ],
)
def test_a_voltage_that_the_characteristic_cannot_hold_is_refused(
    reading: Reading, said: str
) -> None:
    with pytest.raises(DisplayError, match=said):
        VOLTAGE.encode(reading)


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (OHMS.reading("83886.06"), "expected at most 8388605 without its point"),
        (OHMS.reading("1e5"), "expected a plain number"),
        (OHMS.reading(None, Status.BLANK), "which the format cannot say"),
        (OHMS.reading("1")._replace(unit="kOhm"), "which no value here shows"),
    ],
)
def test_a_resistance_that_a_medfloat_cannot_hold_is_refused(reading: Reading, said: str) -> None:
    with pytest.raises(DisplayError, match=said):
        DESCRIBED.encode(reading)


@pytest.mark.parametrize(
    ("value", "status", "said"),
    [
        ("1.234", Status.OK, "expected a multiple of 0.01"),
        ("1000000.00", Status.OK, "expected -999999.99 to 999999.99"),
        (None, Status.UNDER, "which the driver has no raw value for"),
    ],
)
def test_an_integer_says_no_more_than_its_description(
    value: str | None, status: Status, said: str
) -> None:
    with pytest.raises(DisplayError, match=said):
        SINT32.encode(made("sint32").function[0].reading(value, status))
