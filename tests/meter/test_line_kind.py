"""What lines say: exact readings, exact refusals, and streams that lose their place."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import made, shipped

from metercap.errors import DisplayError
from metercap.meter.decode import build_decoder
from metercap.model import Reading, Refusal, Status

METER = shipped("bench-line")
LINES = build_decoder(METER)
PLAIN = build_decoder(made("line"))
GOOD = b"RES    0.35 Ohm \r\n"


def one(line: bytes) -> Reading | Refusal:
    (outcome,), rest = LINES.decode(line)
    assert rest == b""
    return outcome


def refused(line: bytes) -> str:
    outcome = one(line)
    assert isinstance(outcome, Refusal)
    return outcome.reason


def test_a_line_is_read_with_range_and_accuracy_of_its_row() -> None:
    assert one(GOOD) == METER.function[0].reading("0.35")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"\r\n", "cut: found 0 bytes"),
        (b" 0.35 Ohm \r\n", "cut: found 10 bytes"),
        (b"RES    0.35 Ohm  \r\n", "too long: found 17 bytes"),
        (b"RES    0.35 ohm \r\n", "expected the texts of a function"),
        (b"RES   +0.35 Ohm \r\n", "expected a number for ohms"),
        (b"RES    1e99 Ohm \r\n", "expected a number for ohms"),
        (b"RES     nan Ohm \r\n", "expected a number for ohms"),
        (b"RES    0,35 Ohm \r\n", "expected a number for ohms"),
        (b"RES    0.35  Ohm\r\n", "expected the texts of a function"),
        (b"RES 0.35    Ohm \r\n", "expected a number for ohms"),
        (b"RES     .35 Ohm \r\n", "expected a number for ohms"),
        (b"RES    35.  Ohm \r\n", "expected a number for ohms"),
        (b"RES    \xb2\xb3.5 Ohm \r\n", "expected a number for ohms"),
        (b"RES      ol Ohm \r\n", "expected a number for ohms"),
        (b"res    0.35 Ohm \r\n", "expected the texts of a function"),
    ],
)
def test_a_line_that_is_not_exactly_as_described_is_refused(line: bytes, said: str) -> None:
    assert said in refused(line)


def test_several_lines_in_one_notification_are_several_readings() -> None:
    outcomes, rest = LINES.decode(GOOD + b"VAC   243.2 V   \r\nVA")

    assert [o.value for o in outcomes if isinstance(o, Reading)] == ["0.35", "243.2"]
    assert rest == b"VA"


def test_a_bad_line_does_not_cost_the_next_one() -> None:
    outcomes, _ = LINES.decode(b"garbage\r\n" + GOOD)

    assert isinstance(outcomes[0], Refusal)
    assert outcomes[1] == one(GOOD)


def test_a_line_without_end_is_refused_once_and_the_buffer_stays_small() -> None:
    seen, pending = [], b""
    for _ in range(1000):
        outcomes, pending = LINES.decode(b"RES    0.35 Ohm     ", pending)
        seen += outcomes
        assert len(pending) <= METER.line.longest + 3  # type: ignore[attr-defined]
    assert len(seen) == 1
    assert "line: found more than 32 bytes" in seen[0].reason

    # The rest of the endless line is no line of its own; the next whole one is.
    outcomes, pending = LINES.decode(b"RES    9.99 Ohm \r", pending)
    assert outcomes == ()
    outcomes, pending = LINES.decode(b"\n" + GOOD, pending)
    assert outcomes == (one(GOOD),)
    assert pending == b""


@pytest.mark.parametrize("size", [31, 32, 33])
def test_the_longest_line_is_the_limit_to_the_byte(size: int) -> None:
    outcomes, pending = LINES.decode(b"x" * size)
    ended, rest = LINES.decode(b"\r\n", pending)

    assert rest == b""
    assert len(outcomes + ended) == 1
    said = (outcomes + ended)[0].reason
    assert ("more than 32 bytes" in said) == (size > 32)


@given(data=st.binary(max_size=200), cut=st.integers(0, 200))
def test_any_stream_reads_the_same_cut_anywhere(data: bytes, cut: int) -> None:
    whole, rest = LINES.decode(data + b"\r\n")
    head, pending = LINES.decode(data[:cut])
    tail, again = LINES.decode(data[cut:] + b"\r\n", pending)

    assert head + tail == whole
    assert again == rest


@given(cut=st.integers(1, 20))
def test_a_line_cut_at_its_head_never_reads_as_a_smaller_number(cut: int) -> None:
    for line in (b"+512.3 V DC\n", b"R=-42.5\n"):
        outcomes, _ = PLAIN.decode(line[cut:])

        assert all(isinstance(outcome, Refusal) for outcome in outcomes)


def test_a_sign_is_always_written_where_the_file_says_so() -> None:
    volts, ohms = made("line").function

    assert PLAIN.encode(volts.reading("230.1")) == b"+230.1 V DC\n"
    assert PLAIN.encode(ohms.reading("-0.5")) == b"R=-0.5\n"
    assert PLAIN.decode(b"230.1 V DC\n")[0][0] == Refusal(
        "unknown pattern: found line '230.1 V DC', expected a number for volts"
    )


def test_a_line_that_two_rows_fit_is_refused() -> None:
    # "R=+1 V DC" has the head of one row and the end of the other; its middle fits neither.
    assert isinstance(PLAIN.decode(b"R=+1 V DC\n")[0][0], Refusal)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"value": "123456789"}, "which no line here shows"),
        ({"value": "1\n2"}, "which no line here shows"),
        ({"value": "+1"}, "which no line here shows"),
        ({"value": None, "status": Status.UNKNOWN}, "which no line here shows"),
        ({"unit": "kOhm"}, "which no line here shows"),
        ({"function": "volts"}, "function: found 'volts', expected one of ohms"),
    ],
)
def test_what_no_line_can_show_is_refused(change: dict[str, object], said: str) -> None:
    with pytest.raises(DisplayError, match=said):
        LINES.encode(METER.function[0].reading("1")._replace(**change))
