"""Answers to queries: whose number it is, and every way in which it can be nobody's."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import DRIVERS, made, readings, shipped

from metercap.errors import DisplayError, DriverError
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import LineDriver, driver_from_json, driver_to_json, parse_driver
from metercap.meter.reply import Answer, Asked, ReplyDecoder, find_asked
from metercap.meter.scpi import MOST_PLACES, MOST_WHOLE, number_text, parse_number
from metercap.model import Reading, Refusal, Status

METER = shipped("bench-scpi")
ANSWERS = build_decoder(METER)
assert isinstance(METER, LineDriver)
assert isinstance(ANSWERS, ReplyDecoder)
VOLTS_AC, VOLTS_DC, FREQUENCY = METER.function
AC, DC = "MEAS:VOLT:AC?", "MEAS:VOLT:DC?"
IDN, ERR = "*IDN?", "SYST:ERR?"
WHO = b"Invented,bench,7,1.0\n"
FILE = (DRIVERS / "bench-scpi.toml").read_text("utf-8")


def said(query: str, line: bytes) -> list[Reading | Refusal]:
    """What a whole answer is read as."""
    return list(ANSWERS.take(Asked(1, 1, query), line).outcomes)


def reason(query: str, line: bytes) -> str:
    (outcome,) = said(query, line)
    assert isinstance(outcome, Refusal)
    return outcome.reason


# ---- one answer ----


def test_the_unit_is_that_of_the_query_and_of_nothing_else() -> None:
    assert said(AC, b"+2.301450E+02\n") == [VOLTS_AC.reading("230.1450")]
    assert said(DC, b"+2.301450E+02\n") == [VOLTS_DC.reading("230.1450")]
    assert said("MEAS:FREQ?", b"50.01\n") == [FREQUENCY.reading("50.01")]


@pytest.mark.parametrize(
    "line",
    [
        b"\n", b"+\n", b".\n", b"E3\n", b"1E\n", b"1V\n", b"1 V\n", b"1.5E+\n", b"1 2\n", b"1,2\n",
        b"1..2\n", b"--1\n", b"0x10\n", b"1_0\n", b"NAN\n", b"INF\n", b"1e3 \x00\n", b"\xb2\n",
        b"1.5\r\n", b"1E400\n", b"1E30\n", b"9.95E37\n", b"-9.91E37\n", b"OL\n", b'0,"No error"\n',
        b"Invented,bench,7,1.0\n", b"1E-25\n", b"1234567890123456\n",
    ],
)  # fmt: skip
def test_what_is_not_wholly_a_number_is_refused(line: bytes) -> None:
    assert "expected a number and nothing else for volts-ac" in reason(AC, line)


def test_an_error_is_told_in_the_words_of_the_meter() -> None:
    assert reason(ERR, b'-113,"Undefined header"\n') == (
        "the meter reports error -113: Undefined header"
    )
    assert reason(ERR, b'+5, "A ""hot"" lead"\n') == 'the meter reports error 5: A "hot" lead'
    assert said(ERR, b'0,"No error"\n') == []
    assert said(ERR, b'+0,"No error"\n') == []
    assert "expected an error" in reason(ERR, b"0\n")
    assert "expected an error" in reason(ERR, b'-113,"Undef\x1b[2Jined"\n')


def test_who_a_meter_is_is_no_reading() -> None:
    taken = ANSWERS.take(Asked(1, 1, IDN), WHO)
    assert taken.outcomes == ()
    assert taken.answer is Answer.GOOD


@pytest.mark.parametrize("line", [b"1,2,3,4\n", b"a,b,c\n", b"a,b,c,d,e\n", b"a,,c,d\n"])
def test_what_is_not_four_fields_of_a_name_is_late(line: bytes) -> None:
    taken = ANSWERS.take(Asked(1, 1, IDN), line)
    assert taken.answer is Answer.OPEN
    assert "late: found" in taken.outcomes[0].reason


# ---- the order of things ----


def test_late_answers_before_the_four_fields_are_refused() -> None:
    taken = ANSWERS.take(Asked(5, 1, IDN), b"+1.5\n+2.5\n" + WHO)
    assert [type(one) for one in taken.outcomes] == [Refusal, Refusal]
    assert taken.answer is Answer.GOOD


def test_the_half_of_an_answer_is_not_the_head_of_the_next_one() -> None:
    pending = ANSWERS.take(Asked(1, 1, AC), b"+1.2").pending
    outcomes, *_ = ANSWERS.take(Asked(2, 1, AC), b"50\n", pending)
    assert outcomes == (
        Refusal("no answer in time to the query before this"),
        VOLTS_AC.reading("50"),
    )


@pytest.mark.parametrize(("number", "said_"), [(4, "2 queries"), (3, "query")])
def test_queries_without_answer_are_counted(number: int, said_: str) -> None:
    pending = ANSWERS.take(Asked(1, 1, AC), b"1\n").pending
    outcomes, *_ = ANSWERS.take(Asked(number, 1, AC), b"2\n", pending)
    assert outcomes[0] == Refusal(f"no answer in time to the {said_} before this")


def test_a_second_line_is_refused_wherever_it_comes() -> None:
    taken = ANSWERS.take(Asked(1, 1, AC), b"1\n2\n")
    assert [type(one) for one in taken.outcomes] == [Reading, Refusal]
    assert taken.answer is Answer.BAD
    taken = ANSWERS.take(Asked(1, 1, AC), b"1\n2")
    assert [type(one) for one in taken.outcomes] == [Reading, Refusal]
    taken = ANSWERS.take(Asked(1, 2, AC), b"2\n", ANSWERS.take(Asked(1, 1, AC), b"1\n").pending)
    assert [type(one) for one in taken.outcomes] == [Refusal]
    assert taken.answer is Answer.BAD


def test_a_line_that_nobody_asked_for_is_refused() -> None:
    taken = ANSWERS.take(None, b"1\n")
    assert taken.outcomes == (
        Refusal("unasked: found '1\\n', expected nothing before the next query"),
    )


@pytest.mark.parametrize(
    "source", ["c1", "c1 ", "c1 1 Q", "c1 0.1 Q", "c1 1.0 Q", "c1 1.1 ", "c1 1.1"]
)
def test_a_source_that_does_not_say_what_was_asked_says_nothing(source: str) -> None:
    assert find_asked(source) is None
    (outcome,), _ = decode_frame(ANSWERS, source, b"1\n")
    assert isinstance(outcome, Refusal)


def test_a_query_that_the_driver_does_not_ask_has_no_unit() -> None:
    assert "query: found 'MEAS:RES?'" in reason("MEAS:RES?", b"1\n")


def test_a_part_that_is_missing_is_missed() -> None:
    taken = ANSWERS.take(Asked(1, 2, AC), b"4.5\n")
    assert "cut: found piece 2 of an answer, expected piece 1" in taken.outcomes[0].reason
    # Nor does the rest of it make a number.
    taken = ANSWERS.take(Asked(1, 3, AC), b"4.5\n", taken.pending)
    assert [type(one) for one in taken.outcomes] == [Refusal]


def test_an_answer_without_end_is_refused_once_and_the_buffer_stays_small() -> None:
    pending, seen = b"", []
    for piece in range(1, 200):
        taken = ANSWERS.take(Asked(1, piece, AC), b"1" * 20, pending)
        pending = taken.pending
        seen += [one for one in taken.outcomes if "found more than 255" in one.reason]
        assert len(pending) < 300
    assert len(seen) == 1


# ---- properties ----


@given(data=st.data())
def test_an_answer_reads_the_same_however_it_is_cut(data: st.DataObject) -> None:
    reading = data.draw(readings("bench-scpi"))
    query, line = ANSWERS.query_of(reading.function), ANSWERS.encode(reading)
    for size in range(1, len(line)):
        pending, outcomes = b"", []
        for piece, start in enumerate(range(0, len(line), size), 1):
            taken = ANSWERS.take(Asked(3, piece, query), line[start : start + size], pending)
            pending = taken.pending
            outcomes += taken.outcomes
        assert outcomes == [reading]
        assert taken.answer is Answer.GOOD


@given(
    data=st.binary(max_size=60) | st.from_regex(rb"[-+0-9.E,\n ]{0,40}", fullmatch=True),
    pending=st.binary(max_size=40) | st.from_regex(rb"[1-3]\.[0-3][?!][0-9.\n]*", fullmatch=True),
    asked=st.none()
    | st.builds(
        Asked, st.integers(1, 4), st.integers(1, 4), st.sampled_from([AC, DC, IDN, ERR, "X?"])
    ),
)
def test_no_bytes_break_it_and_what_is_read_is_a_plain_number(
    data: bytes, pending: bytes, asked: Asked | None
) -> None:
    taken = ANSWERS.take(asked, data, pending)
    for outcome in taken.outcomes:
        if isinstance(outcome, Refusal):
            assert outcome.reason.isprintable()
            continue
        assert asked is not None
        assert ANSWERS.query_of(outcome.function) == asked.query
        if outcome.status is Status.OK:
            assert Decimal(outcome.value).is_finite()
            assert outcome.value.lstrip("-").replace(".", "", 1).isdecimal()


@given(text=st.from_regex(r"[-+]?[0-9]{0,9}(\.[0-9]{0,9})?([Ee][-+]?[0-9]{1,2})?", fullmatch=True))
def test_a_number_keeps_its_value_and_every_digit(text: str) -> None:
    try:
        exact = Decimal(text)
    except ArithmeticError:
        exact = None
    try:
        number = parse_number(text)
    except ValueError:
        # Refused: no number at all, or one that no meter shows.
        assert (
            exact is None
            or abs(exact) >= 10**MOST_WHOLE
            or exact.as_tuple().exponent < -MOST_PLACES
            or exact == 0
        )
        return
    if number.status is Status.OK:
        assert Decimal(number.value) == exact
        assert -Decimal(number.value).as_tuple().exponent == max(-exact.as_tuple().exponent, 0)
    else:
        assert abs(exact) >= Decimal("9.895E37")


@given(
    text=st.from_regex(r"-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,20})?", fullmatch=True),
)
def test_a_number_written_is_read_back_to_the_digit(text: str) -> None:
    assert parse_number(number_text(Status.OK, text)) == (Status.OK, text)


def test_what_no_answer_can_show_is_not_sent() -> None:
    with pytest.raises(DisplayError, match="expected ok, over, under or invalid"):
        ANSWERS.encode(VOLTS_AC.reading(None, Status.BLANK))
    with pytest.raises(DisplayError, match="which no answer here shows"):
        ANSWERS.encode(VOLTS_AC.reading("007"))


# ---- free-running lines with a suffix ----


FREE = build_decoder(made("suffixed"))


@pytest.mark.parametrize(
    ("line", "function", "value"),
    [
        (b"DC 230.1 V\r\n", "volts", "230.1"),
        (b"DC -2.301E+02V\r\n", "volts", "-230.1"),
        (b"RES 1.5 MOHM\r\n", "ohms", "1.5"),
    ],
)
def test_a_suffix_selects_the_row_of_its_unit(line: bytes, function: str, value: str) -> None:
    (outcome,), _ = FREE.decode(line)
    assert isinstance(outcome, Reading)
    assert (outcome.function, outcome.value) == (function, value)


@pytest.mark.parametrize(
    "line",
    [
        b"DC 230.1 MV\r\n", b"DC 230.1 mV\r\n", b"DC 230.1 v\r\n", b"DC 230.1 VOLT\r\n",
        b"DC 230.1\r\n", b"DC V\r\n", b"RES 1.5 mOHM\r\n", b"RES 1.5 KOHM\r\n", b"RES 1.5 OHM\r\n",
        b"DC 230.1  V\r\n", b"DC 230.1 V \r\n", b"DC 1E V\r\n", b"DC OL MV\r\n", b"DC OLV\r\n",
    ],
)  # fmt: skip
def test_a_suffix_that_no_row_and_no_table_has_is_refused(line: bytes) -> None:
    (outcome,), _ = FREE.decode(line)
    assert isinstance(outcome, Refusal)


# ---- driver files ----


@pytest.mark.parametrize(
    ("old", "new", "said_"),
    [
        ('identify = "*IDN?"\n', "", "poll.identify: missing, so a late answer could be taken"),
        ('write = "2d8a0002-51c7-4e0b-9f36-7ab04c15e9d2"\n', "", "link.write: missing"),
        ('query = "MEAS:FREQ?"\n', "", "function[2].query: found None"),
        ('query = "MEAS:FREQ?"', f'query = "{AC}"', "found that of function[0]"),
        ('interval = "1.5 s"', 'interval = "1 s"', "3 times 0.5 s"),
        ('every = "0.5 s"', 'every = "0 s"', "poll.every: found '0 s', expected more than 0"),
        ('error_query = "SYST:ERR?"', 'error_query = "*idn?"', "twice"),
        ("longest = 255", "longest = 255\nwidth = 9", "an answer is a bare number"),
        ('terminator = "0A"', 'terminator = "31"', "expected one or two control characters"),
        ('query = "MEAS:FREQ?"', 'query = "MEAS:FREQ?"\nafter = " Hz"', "around the number"),
        (
            'quantity = "frequency"\nunit = "Hz"',
            'quantity = "resistance"\nunit = "Ohm"',
            "found resistance and voltage in turn",
        ),
    ],
)  # fmt: skip
def test_a_driver_whose_answers_could_be_mistaken_is_refused(
    old: str, new: str, said_: str
) -> None:
    assert old in FILE
    with pytest.raises(DriverError) as caught:
        parse_driver(FILE.replace(old, new, 1), "bench-scpi.toml")
    assert said_ in str(caught.value)
    assert "\n" not in str(caught.value)


def test_errors_are_asked_for_only_where_the_meter_can_be_brought_into_step() -> None:
    table: Any = driver_to_json(made("polled"))
    table["poll"]["error_query"] = "SYST:ERR?"
    with pytest.raises(DriverError, match=r"poll\.identify: missing"):
        driver_from_json(table, "polled")
    table["poll"]["identify"] = "*IDN?"
    assert driver_from_json(table, "polled").function == made("polled").function


def test_a_query_beside_no_poll_is_refused() -> None:
    text = (DRIVERS / "bench-line.toml").read_text("utf-8")
    with pytest.raises(DriverError, match="expected it only beside poll"):
        parse_driver(text.replace('before = "FRQ"', 'before = "FRQ"\nquery = "F?"'), "x")


def test_an_example_of_another_query_is_found_out() -> None:
    changed = FILE.replace('text = "-12.051"', 'text = "-12.052"')
    assert check_driver(parse_driver(changed, "bench-scpi.toml")) == [
        "example[1]: reading.value: found '-12.052', expected '-12.051'"
    ]


def test_one_query_needs_no_source_and_several_do() -> None:
    one = build_decoder(made("polled"))
    (outcome,), _ = one.decode(b"+1.5\r\n")
    assert isinstance(outcome, Reading)
    (outcome,), _ = ANSWERS.decode(b"+1.5\n")
    assert outcome == Refusal("line: found '+1.5', and nothing says what was asked")
