"""What frames say, where a property would not show it: exact readings and exact refusals."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import made, shipped

from metercap.errors import DisplayError
from metercap.meter.check import example_bytes
from metercap.meter.decode import build_decoder
from metercap.meter.description import SEGMENTS
from metercap.meter.frame import CHECKSUMS, find_unprotected
from metercap.model import Reading, Refusal, Status

SEGMENT_METER = shipped("bench-segments")
SEGMENT = build_decoder(SEGMENT_METER)
COUNT = build_decoder(shipped("bench-count"))
BCD = build_decoder(made("bcd"))
ASCII = build_decoder(made("ascii"))
FLOAT = build_decoder(made("float32"))
UINT = build_decoder(made("uint"))

KEY = bytes.fromhex("37C15E089BE4721DA64F")
FIRST = example_bytes(SEGMENT_METER, SEGMENT_METER.example[0])


def reason(outcomes: tuple[tuple[Reading | Refusal, ...], bytes]) -> str:
    (outcome,), rest = outcomes
    assert rest == b""
    assert isinstance(outcome, Refusal)
    return outcome.reason


def value(outcomes: tuple[tuple[Reading | Refusal, ...], bytes]) -> tuple[Status, str | None]:
    (outcome,), _ = outcomes
    assert isinstance(outcome, Reading)
    return outcome.status, outcome.value


def glass(frame: bytes, **changes: int) -> bytes:
    """The frame of the segment meter with some plain bytes changed, its sum made right again."""
    plain = bytearray(a ^ b for a, b in zip(frame, KEY, strict=True))
    for name, byte in changes.items():
        plain[int(name[1:])] = byte
    plain[9] = sum(plain[:9]) & 0xFF
    return bytes(a ^ b for a, b in zip(plain, KEY, strict=True))


def counted(function: int, count: int, exponent: int, flags: int = 0, spare: int = 0) -> bytes:
    body = b"\xc5\x3a" + bytes([function]) + count.to_bytes(4, "little", signed=True)
    body += exponent.to_bytes(1, "little", signed=True) + bytes([flags, spare])
    return body + CHECKSUMS["CRC-16/MODBUS"](body).to_bytes(2, "little")


def test_a_wrong_sum_says_what_stands_there_and_what_should() -> None:
    plain = FIRST[9] ^ KEY[9]
    broken = FIRST[:9] + bytes([FIRST[9] ^ 0x10])

    assert reason(SEGMENT.decode(broken)) == f"sum8: found {plain ^ 0x10:02X}, expected {plain:02X}"


def test_lengths_are_told_apart() -> None:
    assert reason(SEGMENT.decode(b"")) == "cut: found 0 bytes, expected 10"
    assert reason(SEGMENT.decode(FIRST[:7])) == "cut: found 7 bytes, expected 10"
    assert reason(SEGMENT.decode(FIRST + FIRST[:1])) == "too long: found 11 bytes, expected 10"
    assert reason(SEGMENT.decode(FIRST * 3)) == (
        "joined: found 3 frames of 10 bytes in one notification, expected one"
    )


def test_a_wrong_constant_names_its_byte() -> None:
    assert reason(SEGMENT.decode(glass(FIRST, b1=0x97))) == (
        "constant: found 97 in byte 1, expected 96"
    )


def test_no_function_and_two_functions_at_once_are_refused() -> None:
    assert reason(SEGMENT.decode(glass(FIRST, b7=0))) == (
        "unknown pattern: no function has just the bits 6.6"
    )
    assert "just the bits 6.4 6.6 7.3" in reason(
        SEGMENT.decode(glass(FIRST, b6=(FIRST[6] ^ KEY[6]) | 0x10))
    )
    assert "just the bits none" in reason(SEGMENT.decode(glass(FIRST, b6=0, b7=0)))
    assert "just the bits 2.0 2.1 2.2" in reason(COUNT.decode(counted(7, 1, 0)))


@pytest.mark.parametrize("pattern", sorted(set(range(128)) - set(SEGMENTS.values()) - {0x27}))
def test_a_pattern_that_is_no_glyph_is_refused_and_never_a_digit(pattern: int) -> None:
    a, b, c, d, e, f, g = (pattern >> n & 1 for n in range(7))
    byte2 = a | f << 1 | e << 2 | d << 3
    byte3 = (FIRST[3] ^ KEY[3]) & 0xF8 | b | g << 1 | c << 2

    assert reason(SEGMENT.decode(glass(FIRST, b2=byte2, b3=byte3))) == (
        "ohms-60: unknown pattern in digit 1, expected one of the glyphs"
    )


def test_a_glyph_of_the_file_replaces_the_one_of_the_table() -> None:
    # This meter's 7 has segment f lit; the table's plain 7 is then no glyph.
    shown = SEGMENT.encode(
        Reading("voltage", "7", "V", coupling="ac", function="volts-ac")._replace(
            ceiling="600.0", accuracy=SEGMENT_METER.function[7].accuracy.value
        )
    )
    assert value(SEGMENT.decode(shown)) == (Status.OK, "7")
    plain = shown[5] ^ KEY[5]

    assert "digit 4" in reason(SEGMENT.decode(glass(shown, b5=plain & ~0x20)))


def test_two_lit_points_are_refused() -> None:
    plain = (FIRST[4] ^ KEY[4], FIRST[3] ^ KEY[3])

    assert "two decimal points" in reason(
        SEGMENT.decode(glass(FIRST, b4=plain[0] | 0x08, b3=plain[1] | 0x08))
    )


def test_blank_digits_are_blank_and_a_lone_sign_or_point_is_refused() -> None:
    blank = SEGMENT.encode(SEGMENT_METER.function[0].reading(None, Status.BLANK))

    assert value(SEGMENT.decode(blank)) == (Status.BLANK, None)
    assert "spells '-'" in reason(SEGMENT.decode(glass(blank, b2=0x10)))
    assert "spells '.   '" in reason(SEGMENT.decode(glass(blank, b3=0x08)))


def test_overload_beside_a_minus_is_below_the_range_and_never_above() -> None:
    over = SEGMENT.encode(SEGMENT_METER.function[0].reading(None, Status.OVER))

    assert value(SEGMENT.decode(over)) == (Status.OVER, None)
    assert value(SEGMENT.decode(glass(over, b2=(over[2] ^ KEY[2]) | 0x10))) == (Status.UNDER, None)


@given(junk=st.integers(0, 1023))
def test_reserved_bits_say_nothing(junk: int) -> None:
    # 2.7, 6.3 and the eight of byte 8, with a right sum.
    changes = {
        "b2": (FIRST[2] ^ KEY[2]) & 0x7F | (junk & 1) << 7,
        "b6": (FIRST[6] ^ KEY[6]) & 0xF7 | (junk >> 1 & 1) << 3,
        "b8": junk >> 2,
    }

    assert SEGMENT.decode(glass(FIRST, **changes)) == SEGMENT.decode(FIRST)


@pytest.mark.parametrize(
    ("count", "exponent", "shown"),
    [
        (0, 0, "0"),
        (0, -2, "0.00"),
        (35, -2, "0.35"),
        (-35, -2, "-0.35"),
        (12340, -1, "1234.0"),
        (99_999_999, -8, "0.99999999"),
        (-99_999_999, 0, "-99999999"),
    ],
)
def test_a_count_keeps_every_digit(count: int, exponent: int, shown: str) -> None:
    assert value(COUNT.decode(counted(3, count, exponent))) == (Status.OK, shown)


@pytest.mark.parametrize(
    ("count", "exponent", "said"),
    [
        (1, 1, "exponent 1, expected -8 to 0"),
        (1, -9, "exponent -9, expected -8 to 0"),
        (100_000_000, 0, "count 100000000, expected at most 8 digits"),
        (-100_000_000, 0, "count -100000000, expected at most 8 digits"),
    ],
)
def test_a_number_beyond_any_display_is_refused(count: int, exponent: int, said: str) -> None:
    assert said in reason(COUNT.decode(counted(3, count, exponent)))


def test_raw_values_that_mean_overload_win_over_any_exponent() -> None:
    assert value(COUNT.decode(counted(1, 0x7FFFFFFF, 99))) == (Status.OVER, None)
    assert value(COUNT.decode(counted(1, -0x80000000, 0))) == (Status.UNDER, None)
    assert value(COUNT.decode(counted(1, 0x7FFFFFFE, 0))) == (Status.UNKNOWN, None)


def bcd(plain: str) -> bytes:
    """Masked by A5 3C, then an exclusive or over what is on the wire."""
    wire = bytes(a ^ b for a, b in zip(bytes.fromhex(plain), b"\xa5\x3c\xa5\x3c", strict=True))
    return wire + bytes([wire[0] ^ wire[1] ^ wire[2] ^ wire[3]])


def test_bcd_drops_the_zeros_that_its_display_would_not_show() -> None:
    # Bytes 0 and 1 are the digits; in byte 2 bits 0 to 4 are minus, over, p1, p3, p2; function 3
    # is bits 3.5 and 2.6, lowest first.
    assert value(BCD.decode(bcd("00354020"))) == (Status.OK, "35")
    assert value(BCD.decode(bcd("00355020"))) == (Status.OK, "0.35")
    assert value(BCD.decode(bcd("00355120"))) == (Status.OK, "-0.35")
    assert value(BCD.decode(bcd("00004820"))) == (Status.OK, "0.0")
    assert "unknown pattern in digit 2" in reason(BCD.decode(bcd("0A354020")))


def test_an_over_flag_wins_over_whatever_the_digits_hold() -> None:
    assert value(BCD.decode(bcd("12344220"))) == (Status.OVER, None)
    assert value(BCD.decode(bcd("FFFF4320"))) == (Status.UNDER, None)


def text_frame(text: str) -> bytes:
    body = text.encode("latin-1")
    return body + CHECKSUMS["CRC-16/KERMIT"](body).to_bytes(2, "big")


@pytest.mark.parametrize(
    ("text", "status", "shown"),
    [
        ("V 230.1 ", None, None),
        ("V  230.1", Status.OK, "230.1"),
        ("V-0.0040", Status.OK, "-0.0040"),
        ("V    OL ", Status.OVER, None),
        ("R   -OL ", Status.UNDER, None),
        ("R       ", Status.BLANK, None),
        ("R  +12.3", None, None),
        ("R   1e99", None, None),
        ("R    nan", None, None),
        ("R   .123", None, None),
        ("R   123.", None, None),
        ("R 1 23.4", None, None),
        ("X  230.1", None, None),
        ("V  23\xb21.", None, None),
    ],
)
def test_only_plain_numbers_are_read_from_text(
    text: str, status: Status | None, shown: str | None
) -> None:
    if status is None:
        reason(ASCII.decode(text_frame(text)))
    else:
        assert value(ASCII.decode(text_frame(text))) == (status, shown)


def float_frame(raw: str, function: int = 1) -> bytes:
    body = bytes([function]) + bytes.fromhex(raw)
    return bytes(byte ^ 0xFF for byte in body + bytes([sum(body) & 0xFF]))


@pytest.mark.parametrize("raw", ["7F800000", "FF800000", "7FC00000", "7F7FFFFF", "4CBEBC20"])
def test_a_float_that_no_display_can_hold_is_refused(raw: str) -> None:
    # Infinities, not a number, 3.4e38, 1e8.
    assert "as float32, expected a number" in reason(FLOAT.decode(float_frame(raw)))


def test_a_float_is_shown_with_the_decimals_of_its_row() -> None:
    assert value(FLOAT.decode(float_frame("42F6E979"))) == (Status.OK, "123.5")  # 123.456
    assert value(FLOAT.decode(float_frame("42F6E979", 0xFF))) == (Status.OK, "123.46")
    assert value(FLOAT.decode(float_frame("80000000"))) == (Status.OK, "-0.0")


def test_each_row_has_its_own_point() -> None:
    volts, ohms = made("uint").function

    assert value(UINT.decode(UINT.encode(volts.reading("1.500")))) == (Status.OK, "1.500")
    assert value(UINT.decode(UINT.encode(ohms.reading("1500")))) == (Status.OK, "1500")
    with pytest.raises(DisplayError, match="which no frame here shows"):
        UINT.encode(ohms.reading("1.5"))


def test_what_the_meter_cannot_show_is_refused_by_name() -> None:
    ohms = SEGMENT_METER.function[0]
    for wrong, said in (
        (ohms.reading("123456"), "expected at most 4 characters"),
        (ohms.reading("0.12345"), "expected at most|no such place for a point"),
        (ohms.reading("1e5"), "which the display cannot form"),
        (ohms.reading(None, Status.UNKNOWN), "which the display cannot say"),
        (ohms.reading("0.35")._replace(unit="kOhm"), "which no frame here shows"),
        (ohms.reading("0.35")._replace(marks=("peak",)), "which no frame here shows"),
        (ohms.reading("0.35")._replace(function="ohm"), "function: found 'ohm'"),
        (ohms.reading("0.35")._replace(channel="second"), "which no frame here shows"),
    ):
        with pytest.raises(DisplayError, match=said):
            SEGMENT.encode(wrong)


def test_bits_that_nothing_guards_are_listed() -> None:
    assert find_unprotected(made("uint")) == ()
    assert find_unprotected(made("medfloat16")) == tuple(
        f"{byte}.{bit}" for byte in (0, 1) for bit in range(8)
    )
