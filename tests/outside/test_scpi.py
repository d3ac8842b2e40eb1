"""SCPI-99 and IEEE 488.2, clause by clause, as public texts quote them.

The clause numbers are those of SCPI-99 (volume 1, syntax and style; volume 2, command reference);
the suffixes are those of IEEE 488.2, tables 7-1 and 7-2. The standards themselves were not at hand:
what is marked "from memory" could not be checked against a text.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from meter.strategies import shipped

from metercap import units
from metercap.link.responder import Responder
from metercap.meter.description import LineDriver
from metercap.meter.scpi import SUFFIXES, find_error, find_identity, number_text, parse_number
from metercap.model import Status

METER = shipped("bench-scpi")
assert isinstance(METER, LineDriver)
assert METER.poll is not None


class TestNumbers:
    """Volume 1, 7.2.1: NR1, NR2 and NR3 are accepted alike."""

    @pytest.mark.parametrize(
        ("sent", "shown"),
        [
            ("273", "273"),  # NR1, the clause's own form
            ("+.273", "0.273"),  # NR2, the clause's own form
            ("+2.73E+02", "273"),  # NR3, the clause's own form
            ("-2.7300E+02", "-273.00"),
            ("+2.73E-02", "0.0273"),
            ("+0.00000E+00", "0.00000"),
            ("-0.0", "-0.0"),
            ("273.", "273"),
            ("1.2E+03", "1200"),
        ],
    )
    def test_three_forms(self, sent: str, shown: str) -> None:
        assert parse_number(sent) == (Status.OK, shown)
        assert Decimal(shown) == Decimal(sent)

    @pytest.mark.parametrize(
        ("sent", "status"),
        [
            ("9.9E37", Status.OVER),  # 7.2.1.4, infinity
            ("-9.9E37", Status.UNDER),  # 7.2.1.4, negative infinity
            ("9.91E37", Status.INVALID),  # 7.2.1.5, not a number
            ("+9.90000000E+37", Status.OVER),  # as is commonly sent
            ("-9.90000000E+37", Status.UNDER),
            ("+9.91000000E+37", Status.INVALID),
            ("99E36", Status.OVER),  # compared as numbers and not as texts
            ("0.991E+38", Status.INVALID),
            ("99000000000000000000E18", Status.OVER),
        ],
    )
    def test_infinity_and_not_a_number(self, sent: str, status: Status) -> None:
        assert parse_number(sent) == (status, None)

    @pytest.mark.parametrize("sent", ["1V", "1E", "1 V", "230.1 V", "1.5E+", "E5", "", "NAN"])
    def test_a_unit_is_never_in_an_answer_and_half_a_number_is_none(self, sent: str) -> None:
        with pytest.raises(ValueError, match="expected"):
            parse_number(sent)

    def test_the_virtual_meter_sends_them_as_the_clauses_say(self) -> None:
        assert Decimal(number_text(Status.OVER, None)) == Decimal("9.9E37")
        assert Decimal(number_text(Status.UNDER, None)) == Decimal("-9.9E37")
        assert Decimal(number_text(Status.INVALID, None)) == Decimal("9.91E37")
        assert number_text(Status.OK, "273") == "+2.73E+02"


class TestSuffixes:
    """IEEE 488.2, tables 7-1 and 7-2: upper case, and no SI prefixes."""

    # From the tables: suffix, UCUM unit, value of one in the unit without prefix.
    TABLE = (
        ("V", "V", "1", "V"), ("MV", "mV", "1E-3", "V"), ("UV", "uV", "1E-6", "V"),
        ("KV", "kV", "1E3", "V"), ("A", "A", "1", "A"), ("MA", "mA", "1E-3", "A"),
        ("UA", "uA", "1E-6", "A"), ("KA", "kA", "1E3", "A"), ("OHM", "Ohm", "1", "Ohm"),
        ("KOHM", "kOhm", "1E3", "Ohm"), ("MOHM", "MOhm", "1E6", "Ohm"), ("F", "F", "1", "F"),
        ("MF", "mF", "1E-3", "F"), ("UF", "uF", "1E-6", "F"), ("NF", "nF", "1E-9", "F"),
        ("PF", "pF", "1E-12", "F"), ("SIE", "S", "1", "S"), ("HZ", "Hz", "1", "Hz"),
        ("KHZ", "kHz", "1E3", "Hz"), ("MHZ", "MHz", "1E6", "Hz"), ("S", "s", "1", "s"),
        ("CEL", "Cel", "1", "Cel"), ("K", "K", "1", "K"), ("W", "W", "1", "W"),
    )  # fmt: skip
    LEFT_OUT = ("H", "MH", "UH", "GHZ", "MS", "US", "NS", "DBM", "PAL", "BAR")

    @pytest.mark.parametrize(("suffix", "unit", "one", "base"), TABLE)
    def test_each_is_the_unit_of_the_table(
        self, suffix: str, unit: str, one: str, base: str
    ) -> None:
        assert SUFFIXES[suffix] == unit
        # pint is the second opinion on the size of the unit, never on the suffix.
        assert units.convert(Decimal(1), unit, base) == Decimal(one)

    def test_degrees_fahrenheit_and_percent(self) -> None:
        assert SUFFIXES["FAR"] == "[degF]"
        assert SUFFIXES["PCT"] == "%"

    def test_the_table_is_closed(self) -> None:
        rows = {suffix for suffix, *_ in self.TABLE} | {"FAR", "PCT"}
        assert set(SUFFIXES) == rows
        assert rows.isdisjoint(self.LEFT_OUT)
        assert all(suffix.isupper() for suffix in SUFFIXES)

    def test_each_unit_can_be_shown_for_some_quantity(self) -> None:
        for unit in SUFFIXES.values():
            assert any(units.is_allowed(quantity, unit) for quantity in units.quantities())


class TestIdentity:
    """IEEE 488.2, 10.14 (number from memory): maker, model, serial or 0, firmware or 0."""

    def test_four_fields(self) -> None:
        assert find_identity("Invented, bench, 0,0") == ("Invented", "bench", "0", "0")
        assert find_identity("Invented,bench,0") is None
        assert find_identity("Invented,bench,0,0,0") is None


class TestErrorQueue:
    """Volume 2, 21.8: number, comma, quoted text; first in, first out."""

    def responder(self) -> Responder:
        assert isinstance(METER, LineDriver)
        assert METER.poll is not None
        return Responder(METER, METER.poll, "7")

    def test_an_empty_queue_says_no_error(self) -> None:
        answer = self.responder().take(b"SYST:ERR?\n").decode()
        assert answer == '0,"No error"\n'
        assert find_error(answer.strip()) == (0, "No error")

    def test_an_undefined_header_is_minus_113(self) -> None:
        meter = self.responder()
        assert meter.take(b"MEAS:NONSENSE?\n") == b""
        assert find_error(meter.take(b"SYST:ERR?\n").decode().strip()) == (-113, "Undefined header")
        assert meter.take(b"SYST:ERR?\n") == b'0,"No error"\n'

    def test_overflow_takes_the_place_of_the_last_entry(self) -> None:
        meter = self.responder()
        meter.take(b"X\n" * 100)
        found = []
        while (error := find_error(meter.take(b"SYST:ERR?\n").decode().strip())) != (0, "No error"):
            found.append(error)
        assert found[-1] == (-350, "Queue overflow")
        assert set(found[:-1]) == {(-113, "Undefined header")}
        assert len(found) >= 2

    @pytest.mark.parametrize(
        ("sent", "read"),
        [
            ('-222,"Data out of range"', (-222, "Data out of range")),
            ('-231,"Data questionable"', (-231, "Data questionable")),
            ('-410,"Query INTERRUPTED"', (-410, "Query INTERRUPTED")),
            ('-420,"Query UNTERMINATED"', (-420, "Query UNTERMINATED")),
            ('+101,"Device specific;lead 2"', (101, "Device specific;lead 2")),
        ],
    )
    def test_useful_numbers_are_read(self, sent: str, read: tuple[int, str]) -> None:
        assert find_error(sent) == read


class TestHeaders:
    """Volume 1, 6.2.1: headers are the same in either case."""

    def test_case_does_not_matter(self) -> None:
        meter = Responder(METER, METER.poll, "7")
        meter.show(METER.function[0].reading("230.1"))
        assert meter.take(b"meas:volt:ac?\n") == b"+2.301E+02\n"
        assert meter.take(b"*idn?\n") == b"metercap,bench meter,7,0\n"
