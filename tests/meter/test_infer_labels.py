"""What people type beside frames, and how a file of it may be wrong."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import DriverError
from metercap.meter.infer import parse_samples
from metercap.meter.infer.labels import parse_label
from metercap.model import Status


@pytest.mark.parametrize(
    ("shown", "value", "quantity", "unit", "coupling"),
    [
        ("230.1 V AC", "230.1", "voltage", "V", "ac"),
        ("230.1VAC", "230.1", "voltage", "V", "ac"),
        ("230.1 v ac", "230.1", "voltage", "V", "ac"),
        ("-0.004 mV DC", "-0.004", "voltage", "mV", "dc"),
        ("\u22120.004 mV DC", "-0.004", "voltage", "mV", "dc"),
        ("+12 A dc", "12", "current", "A", "dc"),
        ("12.34 kOhm", "12.34", "resistance", "kOhm", None),
        ("12.34 k\u03a9", "12.34", "resistance", "kOhm", None),
        ("12.34 K \u2126", "12.34", "resistance", "kOhm", None),
        ("0.2 MOHM", "0.2", "resistance", "MOhm", None),
        ("0.2 mOhm", "0.2", "resistance", "mOhm", None),
        ("5 \u00b5A", "5", "current", "uA", None),
        ("5 \u03bcA", "5", "current", "uA", None),
        ("5 uA", "5", "current", "uA", None),
        ("5 MV DC", "5", "voltage", "mV", "dc"),
        ("470 nF", "470", "capacitance", "nF", None),
        ("10 pF", "10", "capacitance", "pF", None),
        ("50.00 hz", "50.00", "frequency", "Hz", None),
        ("1.2 MHz", "1.2", "frequency", "MHz", None),
        ("21.5 \u00b0C", "21.5", "temperature", "Cel", None),
        ("70 \u00b0F", "70", "temperature", "[degF]", None),
        ("3 F", "3", "capacitance", "F", None),
        ("1.20 kW", "1.20", "power", "kW", None),
        ("50 %", "50", "duty", "%", None),
    ],
)
def test_labels_are_read_as_people_type_them(
    shown: str, value: str, quantity: str, unit: str, coupling: str | None
) -> None:
    label = parse_label(shown)

    assert (label.status, label.value) == (Status.OK, value)
    assert label.function == (quantity, unit, coupling)


@pytest.mark.parametrize(
    ("shown", "status"),
    [
        ("OL MOhm", Status.OVER),
        ("ol Mohm", Status.OVER),
        ("0L MOhm", Status.OVER),
        ("O.L MOhm", Status.OVER),
        (".OL MOhm", Status.OVER),
        ("overload MOhm", Status.OVER),
        ("-OL MOhm", Status.UNDER),
    ],
)
def test_an_overload_is_a_status(shown: str, status: Status) -> None:
    label = parse_label(shown)

    assert (label.status, label.value) == (status, None)
    assert label.function == ("resistance", "MOhm", None)


@pytest.mark.parametrize(
    "shown", ["", "V", "1,234.5 V", "1 234 V", "230.1", "230.1 furlong", "AC", ".5 V", "1.2.3 V"]
)
def test_what_is_no_label_is_refused(shown: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        parse_label(shown)


def test_a_file_may_have_blank_lines_spaced_hex_and_any_case_of_heading() -> None:
    samples = parse_samples("\ufeffHex, Shown\n\na5 01, 1 V DC\nA5:02,2 V DC\r\n", "s.csv")

    assert [(s.line, s.frame, s.label.value) for s in samples] == [
        (3, b"\xa5\x01", "1"),
        (4, b"\xa5\x02", "2"),
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "s.csv: found no labelled frames, expected hex,shown and pairs of it"),
        ("a5,1 V\n", "s.csv: line 1: found ['a5', '1 V'], expected the heading hex,shown"),
        ("hex,shown\n", "s.csv: found no labelled frames, expected hex,shown and pairs of it"),
        ("hex,shown\na5\n", "s.csv: line 2: found 1 cells, expected two: hex,shown"),
        (
            "hex,shown\na5,1 V\na,1 V\n",
            "s.csv: line 3: hex: found 'a', expected pairs of hex digits",
        ),
        (
            "hex,shown\na5,1 V\na5,volts\n",
            "s.csv: line 3: shown: found 'volts', expected a number or OL, and a unit",
        ),
        (
            f"hex,shown\n{'00' * 513},1 V\n",
            "s.csv: line 2: hex: found 513 bytes, expected at most 512",
        ),
    ],
)
def test_a_bad_line_is_named(text: str, line: str) -> None:
    with pytest.raises(DriverError) as caught:
        parse_samples(text, "s.csv")

    assert str(caught.value) == line


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    try:
        found = str(len(parse_samples(text, "s.csv")))
    except DriverError as refused:
        found = str(refused)

    assert found
    assert found != "0"
    assert len(found.splitlines()) == 1


@given(st.text(max_size=40))
def test_any_label_is_read_or_refused(shown: str) -> None:
    try:
        label = parse_label(shown)
    except ValueError:
        return
    assert (label.value is None) == (label.status is not Status.OK)
