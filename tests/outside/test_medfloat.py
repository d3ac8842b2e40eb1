"""Decimal floats of ISO/IEEE 11073-20601, against published vectors and a second decoder.

Sources: the vectors are those of the HL7 Personal Health Device Implementation Guide, page FLOATS;
the special values are those of the GATT Specification Supplement (medfloat16, medfloat32); the
second decoder is bleak-sigspec 0.0.4, which was made from the Bluetooth SIG's XML.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from bleak_sigspec.formatter import decode_FLOAT_ieee11073, decode_SFLOAT_ieee11073
from hypothesis import given
from hypothesis import strategies as st

from metercap.meter.attribute import read_medfloat, write_medfloat
from metercap.model import Status

HL7_FLOAT = [(0xFF000014, "2.0"), (0xFE0000C8, "2.00"), (0x02000002, "200")]
HL7_SFLOAT = [(0xF014, "2.0"), (0xE0C8, "2.00"), (0x0B2E, "-1234")]
GSS_SPECIAL = [
    (0x07FE, 0x007FFFFE, Status.OVER),  # +INFINITY
    (0x0802, 0x00800002, Status.UNDER),  # -INFINITY
    (0x0800, 0x00800000, Status.UNKNOWN),  # NRes: out of range, to which side is not said
    (0x07FF, 0x007FFFFF, Status.INVALID),  # NaN
]


@pytest.mark.parametrize(("raw", "shown"), HL7_FLOAT)
def test_medfloat32_meets_the_hl7_vectors_with_their_precision(raw: int, shown: str) -> None:
    assert read_medfloat(raw, 24) == (Status.OK, shown)


@pytest.mark.parametrize(("raw", "shown"), HL7_SFLOAT)
def test_medfloat16_meets_the_hl7_vectors_with_their_precision(raw: int, shown: str) -> None:
    assert read_medfloat(raw, 12) == (Status.OK, shown)


@pytest.mark.parametrize(("small", "large", "status"), GSS_SPECIAL)
def test_special_values_are_statuses_and_never_numbers(
    small: int, large: int, status: Status
) -> None:
    assert read_medfloat(small, 12) == (status, None)
    assert read_medfloat(large, 24) == (status, None)
    assert write_medfloat(status, None, 12) == small
    assert write_medfloat(status, None, 24) == large


@pytest.mark.parametrize(("raw", "mantissa_bits"), [(0x0801, 12), (0x00800001, 24)])
def test_the_reserved_value_is_refused(raw: int, mantissa_bits: int) -> None:
    assert "reserved" in read_medfloat(raw, mantissa_bits)


@given(mantissa=st.integers(-8388605, 8388605), exponent=st.integers(-12, 12))
def test_medfloat32_agrees_with_bleak_sigspec(mantissa: int, exponent: int) -> None:
    raw = (exponent & 0xFF) << 24 | mantissa & 0xFFFFFF
    status, shown = read_medfloat(raw, 24)
    second = decode_FLOAT_ieee11073(raw.to_bytes(4, "little"))

    assert status is Status.OK
    # The second decoder divides floats, so it agrees to a float's precision only.
    assert float(Decimal(shown)) == pytest.approx(second, rel=1e-12)


@given(mantissa=st.integers(-2045, 2045), exponent=st.integers(-8, 7))
def test_medfloat16_agrees_with_bleak_sigspec(mantissa: int, exponent: int) -> None:
    raw = (exponent & 0xF) << 12 | mantissa & 0xFFF
    status, shown = read_medfloat(raw, 12)
    second = decode_SFLOAT_ieee11073(raw.to_bytes(2, "little"))

    assert status is Status.OK
    assert float(Decimal(shown)) == pytest.approx(second, rel=1e-12)


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (0x07FE, "+INFINITY"),
        (0x0802, "\N{EN DASH}INFINITY"),
        (0x0800, "NRes"),
        (0x07FF, "NaN"),
        (0x0801, "Reserved for future use"),
    ],
)
def test_the_second_decoder_names_the_same_special_values(raw: int, word: str) -> None:
    assert decode_SFLOAT_ieee11073(raw.to_bytes(2, "little")) == word
