"""The adopted characteristic Voltage and the 0x2904 descriptor, against an independent package.

Source: bluetooth-sig 0.6.0, which reads the Bluetooth SIG's own YAML files. Known differences are
listed where they are tested. Its medfloats are wrong (exponent taken as biased), so those are
checked against other sources, in test_medfloat.py.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from bluetooth_sig import BluetoothSIGTranslator
from bluetooth_sig.gatt.descriptors.characteristic_presentation_format import (
    CharacteristicPresentationFormatDescriptor,
    FormatNamespace,
)
from bluetooth_sig.gatt.exceptions import CharacteristicParseError, SpecialValueDetectedError
from bluetooth_sig.registry.uuids.units import get_units_registry
from bluetooth_sig.types.uuid import BluetoothUUID
from hypothesis import example, given, settings
from hypothesis import strategies as st

from metercap.meter.attribute import SIG_UNITS, parse_presentation, read_voltage
from metercap.model import Status

TRANSLATOR = BluetoothSIGTranslator.get_instance()


def parse(raw: int) -> Decimal:
    return Decimal(TRANSLATOR.parse_characteristic("2B18", raw.to_bytes(2, "little")))


@settings(deadline=None)  # the package reads its registries on first use
@given(raw=st.integers(0x0001, 0xFF7F))
@example(0x3980)  # 230 V
@example(0x0001)
@example(0xFF7F)
def test_every_voltage_between_the_end_codes_agrees_exactly(raw: int) -> None:
    status, shown = read_voltage(raw)

    assert status is Status.OK
    assert Decimal(shown) == parse(raw)


def test_not_known_is_special_in_both() -> None:
    assert read_voltage(0xFFFF) == (Status.UNKNOWN, None)
    with pytest.raises(SpecialValueDetectedError):
        parse(0xFFFF)


@pytest.mark.parametrize("raw", [0xFF81, 0xFFFE])
def test_codes_above_the_highest_voltage_are_refused_by_both(raw: int) -> None:
    assert "does not define" in read_voltage(raw)
    with pytest.raises(CharacteristicParseError):
        parse(raw)


@pytest.mark.parametrize(
    ("raw", "status", "number"),
    [(0x0000, Status.UNDER, "0"), (0xFF80, Status.OVER, "1022")],
)
def test_known_difference_the_end_codes_mean_or_lower_and_or_higher(
    raw: int, status: Status, number: str
) -> None:
    # GATT Specification Supplement, Voltage: the lowest code says "or lower", the highest "or
    # higher". The package gives the bare number; a number that may be larger is none to us.
    assert read_voltage(raw) == (status, None)
    assert parse(raw) == Decimal(number)


@pytest.mark.parametrize("octets", ["10FF2A27010000", "17002A27010000", "10FD2827010000"])
def test_a_presentation_format_agrees(octets: str) -> None:
    ours = parse_presentation(bytes.fromhex(octets))
    theirs = CharacteristicPresentationFormatDescriptor().parse_value(bytes.fromhex(octets)).value

    assert (ours.format, ours.exponent) == (theirs.format, theirs.exponent)
    assert SIG_UNITS[theirs.unit] == (ours.quantity, ours.unit)
    assert theirs.namespace is FormatNamespace.BLUETOOTH_SIG_ASSIGNED_NUMBERS


# The SIG's names of these units, as assigned numbers give them; ours are UCUM codes.
NAMES = {
    "s": "time (second)",
    "A": "electric current (ampere)",
    "K": "thermodynamic temperature (kelvin)",
    "Hz": "frequency (hertz)",
    "W": "power (watt)",
    "V": "electric potential difference (volt)",
    "F": "capacitance (farad)",
    "Ohm": "electric resistance (ohm)",
    "S": "electric conductance (siemens)",
    "Cel": "Celsius temperature (degree Celsius)",
    "min": "time (minute)",
    "h": "time (hour)",
    "{rev}/min": "angular velocity (revolution per minute)",
    "[degF]": "thermodynamic temperature (degree Fahrenheit)",
    "V.A": "Electrical Apparent Power (volt ampere)",
}


@pytest.mark.parametrize("number", SIG_UNITS)
def test_a_unit_number_has_the_name_that_the_sig_gave_it(number: int) -> None:
    _, unit = SIG_UNITS[number]

    assert get_units_registry().get_unit_info(BluetoothUUID(number)).name == NAMES[unit]
