"""What a driver file may not say, and the one line that tells its author."""

# ruff: noqa: E501  the table below reads best with one fault a line

from __future__ import annotations

import pytest
from meter.strategies import DRIVERS, made, shipped

from metercap.errors import DriverError
from metercap.meter.decode import build_decoder
from metercap.meter.description import (
    MOST_BYTES,
    driver_from_json,
    driver_to_json,
    parse_driver,
)


def text_of(name: str) -> str:
    return (DRIVERS / f"{name}.toml").read_text("utf-8")


def refusal(text: str, where: str = "x") -> str:
    with pytest.raises(DriverError) as caught:
        parse_driver(text, where)
    line = str(caught.value)
    assert line.startswith(f"{where}: ")
    assert "\n" not in line
    return line.removeprefix(f"{where}: ")


def changed(name: str, old: str, new: str) -> str:
    """The shipped file with one place changed."""
    text = text_of(name)
    assert old in text
    return text.replace(old, new, 1)


SEG, COUNT, LINE = "bench-segments", "bench-count", "bench-line"
DESCRIBED, VOLTAGE = "bench-described", "bench-voltage"

# One thing wrong in a shipped file -> what the line must say: the key, and what is wrong with it.
WRONG = [
    (SEG, 'bits = ["7.5"] }', 'bits = ["7.6"] }', "field.relative: bit 7.6 is used by field.hold"),
    (SEG, 'bits = ["7.5"] }', 'bits = ["9.5"] }', "bit 9.5 is used by frame.checksum and field.hold"),
    (SEG, 'bits = ["7.5"] }', 'bits = ["1.5"] }', "bit 1.5 is used by frame.const[0] and field.hold"),
    (SEG, 'bits = ["7.5"] }', 'bits = ["10.0"] }', "field.hold: found bit 10.0, expected a bit within"),
    (SEG, 'bits = ["7.5"] }', 'bits = ["7.8"] }', "field.hold.bits[0]: found '7.8'"),
    (SEG, 'bits = ["7.5"] }', 'bits = ["7.5", "8.0"] }', "field.hold: found 2 bits, expected 1"),
    (SEG, '"8.6", "8.7"]', '"8.6"]', "frame: found no user for bit 8.7"),
    (SEG, '"8.6", "8.7"]', '"8.6", "8.7", "8.7"]', "bit 8.7 is used by frame.reserved and frame.res"),
    (SEG, "over = [0, 9]", "over = [0, 10]", "frame.checksum.over: found [0, 10]"),
    (SEG, "over = [0, 9]", "over = [9, 0]", "frame.checksum.over: found [9, 0]"),
    (SEG, 'kind = "sum8"', 'kind = "sum9"', "frame.checksum.kind: found 'sum9'"),
    (SEG, "A6 4F", "A6 4F 00", "frame.xor: found more bytes than frame.length"),
    (SEG, 'glyphs = { "7" = "27" }', 'glyphs = { "7" = "06" }', "no pattern left for '1'"),
    (SEG, 'glyphs = { "7" = "27" }', 'glyphs = { "7" = "A7" }', "field.digits.glyphs: found '7' = 'A7'"),
    (SEG, 'glyphs = { "7" = "27" }', 'glyphs = { "7" = "27", "J" = "27" }', "for '7' and 'J'"),
    (SEG, 'over = ["0L "]', "over = [5]", "value.over: found 5, expected a text"),
    (SEG, 'over = ["0L "]', 'over = ["999"]', "value.over: found '999', expected a text that is no"),
    (SEG, 'over = ["0L "]', 'over = ["----"]', "value.invalid: found '----', which value.over has"),
    (SEG, 'sign = "minus"', 'sign = "minsu"', "value.sign: found 'minsu', expected a flag field"),
    (SEG, 'sign = "minus"', 'sign = "digits"', "value.sign: found 'digits' of type 'seg7'"),
    (SEG, 'sign = "minus"', 'sign = "hold"', "field.hold: found 2 uses of it"),
    (SEG, 'sign = "minus"\n', "", "field.minus: found no use of it"),
    (SEG, 'hold = "hold"', 'hodl = "hold"', "marks.hodl: found no such field"),
    (SEG, 'hold = "hold"', 'hold = "relative"', "marks: found one text for two flags"),
    (SEG, 'when = ["ohm", "r600"]', 'when = ["ohm", "r60"]', "function[1].when: found the same as"),
    (SEG, 'when = ["ohm", "r600"]', 'when = ["ohm", "r61"]', "function[1].when: found 'r61'"),
    (SEG, 'when = ["ohm", "r600"]', 'when = ["ohm", "hold"]', "field.hold: found a use of it beside"),
    (SEG, 'name = "ohms-600"', 'name = "ohms-60"', "function[1].name: found 'ohms-60'"),
    (SEG, 'unit = "Ohm"', 'unit = "ohm"', "function[0].unit: found 'resistance' in 'ohm', expected"),
    (SEG, 'unit = "Ohm"', 'unit = "V"', "function[0].unit: found 'resistance' in 'V'"),
    (SEG, 'ceiling = "60.00"', "ceiling = 60.00", "function[0].ceiling: found 60.0"),
    (SEG, 'ceiling = "60.00"', 'ceiling = "1e5"', "function[0].ceiling: found '1e5'"),
    (SEG, 'ceiling = "60.00"\n', "", "function[0].ceiling: missing"),
    (SEG, 'ceiling = "60.00"', 'ceiling = "60.00"\ndecimals = 2', "function[0].decimals: found 2"),
    (SEG, 'percent = "1.2"', 'percent = "-1.2"', "function[0].accuracy.percent: found '-1.2'"),
    (SEG, 'coupling = "none"', 'coupling = "AC"', "function[0].coupling: found 'AC'"),
    (SEG, 'value = "0.35"', 'value = "0.35", status = "over"', "example[0].reading.value"),
    (SEG, 'function = "ohms-60"', 'function = "ohms-61"', "example[0].reading.function: found 'ohms-"),
    (SEG, 'interval = "0.25 s"', 'interval = "fast"', "link.interval: found 'fast'"),
    (SEG, 'interval = "0.25 s"', 'interval = "0 s"', "link.interval: found '0 s'"),
    (SEG, 'interval = "0.25 s"', 'interval = "1 s"\nstart = "01"', "link.write: missing"),
    (SEG, 'notify = "5e6d', 'notify = "5E6D', "link.notify: found '5E6D"),
    (SEG, 'name = "BENCH-SEG*"', 'name = "B*N*"', "match.name: found 'B*N*'"),
    (SEG, 'title = "Bench', 'title = "\\u202eBench', "title: found '\\u202eBench"),
    (SEG, 'kind = "frame"', 'kind = "pulse"', "kind: found 'pulse'"),
    (SEG, 'kind = "frame"', 'kind = "frame"\ncolour = "red"', "colour: found a key that is not known"),
    (SEG, 'kind = "frame"', 'kind = "frame"\nkind = "frame"', "not TOML: Cannot overwrite a value (at"),
    (SEG, 'kind = "frame"', "kind = frame", "not TOML: Invalid value (at line"),
    (SEG, 'kind = "frame"\n', "", "kind: missing"),
    (COUNT, "over = [2147483647]", "over = [-2147483648]", "value.under: found -2147483648, which"),
    (COUNT, "over = [2147483647]", 'over = ["OL"]', "value.over: found 'OL', expected"),
    (COUNT, 'exponent = "exponent"\n', "", "function[0].decimals: missing, expected a number"),
    (COUNT, 'count = "count"', 'count = "hold"', "value.count: found 'hold' of type 'flag'"),
    (COUNT, 'count = "count"\n', "", "value: found [], expected one of digits, count, number"),
    (COUNT, 'count = "count"', 'count = "count"\ndigits = "count"', "value: found ['digits', 'count']"),
    (COUNT, 'count = "count"', 'count = "count"\nsign = "hold"', "value.sign: found with a sint count"),
    (COUNT, "when = { function = 1 }", "when = { function = 256 }", "function[0].when: found function"),
    (COUNT, "when = { function = 1 }", "when = { function = 'V' }", "function[0].when: found function"),
    (COUNT, 'type = "uint"\nat = 2\nbytes = 1', 'type = "uint"\nat = 2', "field.function: found no or"),
    (COUNT, "at = 3\nbytes = 4", "at = 3\nbytes = 5", "field.count: found 40 bits, expected 1 to 32"),
    (COUNT, "length = 12", "length = 513", "frame.length: found 513"),
    (COUNT, "length = 12", "length = 11", "frame.checksum: found bit 11.0, expected a bit within"),
    (LINE, 'terminator = "0D 0A"', 'terminator = "41"', "line.terminator: found '41'"),
    (LINE, 'terminator = "0D 0A"', 'terminator = "00"', "line.terminator: found '00'"),
    (LINE, "length = 16", "length = 40", "line.length: found 40, expected at most 32"),
    (LINE, "length = 16", "length = 17", "function[0]: found 16 characters, expected line.length"),
    (LINE, 'under = "-OL"', 'under = "OL"', "line: found one text for two states"),
    (LINE, 'under = "-OL"', 'under = "-9"', "line: found '-9' for a state, expected letters"),
    (LINE, 'before = "RES"', 'before = "RES1"', "function[0].before: found 'RES1'"),
    (LINE, 'after = " Ohm "', 'after = "0 Ohm"', "function[0].after: found '0 Ohm'"),
    (LINE, 'after = " kOhm"', 'after = " Ohm "', "function[1]: found the texts of function[0]"),
    (LINE, 'before = "RES"', 'before = "R\u00c9S"', "function[0]: found text that is not ASCII"),
    (LINE, 'after = " Ohm "', 'after = " Ohm "\ndecimals = 1', "function[0].decimals: found 1"),
    (DESCRIBED, "17 00 2A27", "17 01 2A27", "attribute.presentation: found exponent 1 with medfloat32"),
    (DESCRIBED, "17 00 2A27", "19 00 2A27", "attribute.presentation: found format 0x19"),
    (DESCRIBED, "17 00 2A27", "17 00 C327", "attribute.presentation: found unit 0x27C3"),
    (DESCRIBED, "17 00 2A27", "17 00 2827", "but the attribute says 'voltage' in 'V'"),
    (DESCRIBED, "2A27 01 0000", "2A27 02 0000", "attribute.presentation: found namespace 0x02"),
    (DESCRIBED, "2A27 01 0000", "2A27 01 00", "attribute.presentation: found 6 octets, expected 7"),
    (DESCRIBED, "decimals = 2\n", "", "function[0].decimals: missing, expected the most"),
    (VOLTAGE, '"2B18"', '"2B19"', "attribute.characteristic: found '2B19'"),
    (VOLTAGE, '"2B18"', '"2B18"\ncounts = 5999', "attribute.counts: found without a medfloat32"),
    (VOLTAGE, '"2B18"', '"2B18"\nover = 65408', "attribute.over: found, but the value has a code for it"),
    (DESCRIBED, "counts = 5999", "under = 0", "attribute.under: found, but the value has a code"),
    (VOLTAGE, 'unit = "V"', 'unit = "mV"', "function[0]: found 'voltage' in 'mV', but the attribute"),
    (VOLTAGE, 'characteristic = "2B18"', "", "attribute: expected either characteristic or presentat"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "said"), WRONG)
def test_one_wrong_thing_gives_one_line_that_names_it(
    name: str, old: str, new: str, said: str
) -> None:
    assert said in refusal(changed(name, old, new))


def test_two_states_of_an_integer_need_two_raw_values() -> None:
    table = driver_to_json(made("sint32"))
    table["attribute"]["under"] = 2147483647  # type: ignore[index]

    with pytest.raises(DriverError, match="found one raw value for two states"):
        driver_from_json(table, "record")


def test_a_line_cut_at_its_head_must_not_be_able_to_read_as_a_smaller_number() -> None:
    text = changed("bench-line", 'before = "RES"', 'before = ""')

    assert "a line cut at its head" in refusal(text.replace("length = 16", "", 1))


@pytest.mark.parametrize("extra", [0, 1])
def test_a_file_may_be_64_kib_and_not_a_byte_more(extra: int) -> None:
    text = text_of(SEG)
    text += "#" * (MOST_BYTES + extra - len(text.encode()))
    if extra:
        assert f"found {MOST_BYTES + 1} bytes, expected at most {MOST_BYTES}" in refusal(text)
    else:
        assert parse_driver(text, "x").id == SEG


def test_the_id_is_the_name_of_the_file() -> None:
    text = text_of(SEG)

    assert parse_driver(text, "somewhere/bench-segments.toml").id == SEG
    assert refusal(text, "my.toml") == "id: found 'bench-segments', expected 'my', the file's name"


def test_deep_nesting_is_refused_and_does_not_recurse_away() -> None:
    assert "not TOML" in refusal("a = " + "[" * 20_000)


def test_json_of_a_driver_is_checked_as_the_file_is() -> None:
    table = driver_to_json(shipped(SEG))
    table["frame"]["reserved"] = []  # type: ignore[index]

    with pytest.raises(DriverError, match=r"^record: frame: found no user for bit 2\.7"):
        driver_from_json(table, "record")
    with pytest.raises(DriverError, match=r"^record: "):
        driver_from_json(["no", "table"], "record")


def test_the_interval_is_given_in_whole_nanoseconds() -> None:
    assert shipped(SEG).link.interval_ns == 250_000_000
    assert made("bcd").link.interval_ns == 1_000_000_000


def test_a_driver_of_no_known_kind_builds_no_decoder() -> None:
    plain = shipped(SEG)
    bare = type(plain).__mro__[1].model_construct(**dict(plain))

    with pytest.raises(DriverError, match=r"expected frame, line, attribute or advert"):
        build_decoder(bare)
