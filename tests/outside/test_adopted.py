"""Adopted characteristics, descriptors and units, against an independent package.

Source: bluetooth-sig 0.6.0, which reads the Bluetooth SIG's own YAML files. Each known fault of it
is listed with the row it concerns, and shown to be one still: when it is mended, a test here says
so. Its medfloats are wrong (exponent taken as biased), so those are checked against other sources,
in test_medfloat.py and below.
"""

from __future__ import annotations

import logging
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from bleak_sigspec.formatter import decode_FLOAT_ieee11073
from bluetooth_sig import BluetoothSIGTranslator
from bluetooth_sig.gatt.descriptors import (
    EnvironmentalSensingMeasurementDescriptor,
    ValidRangeDescriptor,
)
from bluetooth_sig.gatt.descriptors.characteristic_presentation_format import (
    CharacteristicPresentationFormatDescriptor,
    FormatNamespace,
)
from bluetooth_sig.gatt.exceptions import CharacteristicParseError, SpecialValueDetectedError
from bluetooth_sig.registry.uuids.units import get_units_registry
from bluetooth_sig.types.uuid import BluetoothUUID
from hypothesis import given, settings
from hypothesis import strategies as st

from metercap.meter.adopted import ADOPTED, THERMOMETERS, Part, uuid_of
from metercap.meter.decode import build_decoder
from metercap.meter.found import Characteristic, find_found
from metercap.meter.presentation import (
    FORMATS,
    SIG_UNITS,
    parse_measurement,
    parse_presentation,
    parse_valid_range,
)
from metercap.model import Reading, Refusal, Status

if TYPE_CHECKING:
    from collections.abc import Iterator

TRANSLATOR = BluetoothSIGTranslator.get_instance()
SINGLE = {
    number: row.parts[0]
    for number, row in ADOPTED.items()
    if len(row.parts) == 1 and not row.tail and not row.parts[0].is_floating
}


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """The package logs every value that it refuses."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


DECODERS = {
    number: build_decoder(
        find_found([Characteristic(uuid_of(0x181A), uuid_of(number), 1, ("notify",))])[0]  # type: ignore[arg-type]
    )
    for number in ADOPTED
}


def ours(number: int, data: bytes) -> Status | Decimal | None:
    """A number, what stands in its place, or None for a refusal."""
    (outcome, *_), _ = DECODERS[number].decode(data)
    if isinstance(outcome, Refusal):
        return None
    assert isinstance(outcome, Reading)
    return outcome.status if outcome.value is None else Decimal(outcome.value)


def theirs(number: int, data: bytes) -> Status | float | None:
    try:
        return float(TRANSLATOR.parse_characteristic(f"{number:04X}", data))
    except SpecialValueDetectedError as special:
        return MEANS[special.special_value.value_type.name]
    except CharacteristicParseError:
        return None


MEANS = {"UNKNOWN": Status.UNKNOWN, "INVALID": Status.INVALID, "OVERFLOW": Status.OVER}


def raws(part: Part) -> st.SearchStrategy[int]:
    half = 1 << part.bits - 1
    low, high = (-half, half - 1) if part.form == "sint" else (0, 2 * half - 1)
    edges = {low, low + 1, high - 1, high, part.lowest, part.highest}
    edges |= {part.lowest - 1, part.highest + 1} | {raw for raw, _ in part.specials}
    return st.integers(low, high) | st.sampled_from([e for e in sorted(edges) if low <= e <= high])


def data_of(part: Part, raw: int) -> bytes:
    return raw.to_bytes(part.bits // 8, "little", signed=part.form == "sint")


# Where the package differs, and why ours is right. GSS: GATT Specification Supplement.
def is_known_fault(number: int, raw: int) -> bool:
    part = SINGLE[number]
    match number:
        case 0x2B18:  # GSS: the lowest code is "or lower", the highest "or higher"
            return raw in {0, 0xFF80}
        case 0x2BA8:  # GSS: d = -3, a watt hour; the package leaves d out
            return raw not in {0, 0xFFFFFFFE, 0xFFFFFFFF}
        case 0x2B8D | 0x2AE2:  # GSS: "all other values are prohibited"; the package reads them
            specials = dict(part.specials)
            return raw not in specials and not part.lowest <= raw <= part.highest
    return False


@pytest.mark.parametrize("number", [pytest.param(n, id=f"{n:04X}") for n in SINGLE])
@settings(deadline=None)  # the package reads its registries on first use
@given(data=st.data())
def test_every_row_agrees_but_for_the_listed_faults(number: int, data: st.DataObject) -> None:
    part = SINGLE[number]
    raw = data.draw(raws(part).filter(lambda each: not is_known_fault(number, each)))
    octets = data_of(part, raw)
    mine, other = ours(number, octets), theirs(number, octets)

    if isinstance(mine, Decimal):
        # Theirs are floats, so they agree to a float's precision.
        assert float(mine) == pytest.approx(other, rel=1e-12, abs=1e-15)
    else:
        assert mine is other


@pytest.mark.parametrize(
    ("number", "raw", "right", "wrong"),
    [
        (0x2B18, 0x0000, Status.UNDER, 0.0),
        (0x2B18, 0xFF80, Status.OVER, 1022.0),
        (0x2BA8, 1000, Decimal("1.000"), 1000.0),
        (0x2BA8, 100_000_000, Decimal("100000.000"), None),
        (0x2B8D, -128, None, -1.28),
        (0x2AE2, 2, None, 1.0),
    ],
)
def test_a_listed_fault_is_one_still(number: int, raw: int, right: object, wrong: object) -> None:
    octets = data_of(SINGLE[number], raw)

    assert is_known_fault(number, raw)
    assert ours(number, octets) == right
    assert theirs(number, octets) == wrong


# ---- several values ----

FIELDS = {
    0x2AE1: ["voltage"],
    0x2B1A: ["average", "standard_deviation", "minimum", "maximum"],
    0x2AE0: ["current"],
    0x2AF1: ["average", "standard_deviation", "minimum", "maximum"],
    0x2B11: ["average", "standard_deviation", "minimum", "maximum"],
    0x2AA0: ["x_axis", "y_axis"],
    0x2AA1: ["x_axis", "y_axis", "z_axis"],
}


def test_no_row_of_several_values_is_left_out() -> None:
    others = set(ADOPTED) - set(SINGLE) - THERMOMETERS - {0x2C22, 0x2BD0, 0x2AE8}

    assert others == set(FIELDS)


@pytest.mark.parametrize("number", FIELDS)
@settings(deadline=None)
@given(data=st.data())
def test_the_values_of_a_row_agree_in_their_order(number: int, data: st.DataObject) -> None:
    row = ADOPTED[number]
    drawn = [data.draw(st.integers(part.lowest, part.highest)) for part in row.parts]
    if "minimum" in FIELDS[number]:
        least, *middle, greatest = sorted(drawn)
        drawn = [*middle, least, greatest]  # the package refuses a mean beyond its ends
    octets = b"".join(map(data_of, row.parts, drawn)) + b"\x40" * row.tail
    parsed = TRANSLATOR.parse_characteristic(f"{number:04X}", octets)
    outcomes, _ = DECODERS[number].decode(octets)

    for outcome, field in zip(outcomes, FIELDS[number], strict=True):
        assert isinstance(outcome, Reading)
        assert float(Decimal(outcome.value or "")) == pytest.approx(getattr(parsed, field))


def test_known_fault_a_value_that_is_not_known_is_a_number_within_several() -> None:
    parsed = TRANSLATOR.parse_characteristic("2AE1", b"\xff\xff\x40")

    assert parsed.voltage == 1023.984375
    assert ours(0x2AE1, b"\xff\xff\x40") is Status.UNKNOWN


@settings(deadline=None)
@given(bits=st.integers(0, 255))
def test_contacts_agree(bits: int) -> None:
    outcomes, _ = DECODERS[0x2C22].decode(bytes([bits]))
    parsed = TRANSLATOR.parse_characteristic("2C22", bytes([bits]))

    closed = [isinstance(each, Reading) and each.value == "1" for each in outcomes]
    assert closed == [bool(parsed & 1 << place) for place in range(8)]


@settings(deadline=None)
@given(number=st.floats(width=32, min_value=-(2**26), max_value=2**26))
def test_a_coefficient_agrees_to_the_decimals_that_are_shown(number: float) -> None:
    octets = TRANSLATOR.encode_characteristic("2AE8", number)

    shown = ours(0x2AE8, bytes(octets))
    assert isinstance(shown, Decimal)
    assert float(shown) == pytest.approx(number, abs=5e-7)


# ---- medfloats: the package is wrong, a second one is right ----


def test_known_fault_the_package_takes_the_exponent_as_biased() -> None:
    octets = bytes.fromhex("00 6E0100FF")

    assert TRANSLATOR.parse_characteristic("2A1C", octets).temperature > 1e100
    assert ours(0x2A1C, octets) == Decimal("36.6")
    assert decode_FLOAT_ieee11073(octets[1:]) == pytest.approx(36.6)
    assert theirs(0x2BD0, bytes.fromhex("14F0")) != 2.0
    assert ours(0x2BD0, bytes.fromhex("14F0")) == Decimal("2.0")


@pytest.mark.parametrize("flag", [0, 1])
def test_the_unit_of_a_thermometer_agrees(flag: int) -> None:
    octets = bytes([flag]) + bytes.fromhex("6E0100FF")
    parsed = TRANSLATOR.parse_characteristic("2A1C", octets)
    (outcome,), _ = DECODERS[0x2A1C].decode(octets)

    assert isinstance(outcome, Reading)
    assert (parsed.unit.name, outcome.unit) in {("CELSIUS", "Cel"), ("FAHRENHEIT", "[degF]")}


# ---- descriptors ----


@given(
    code=st.sampled_from(sorted(FORMATS)),
    exponent=st.integers(-12, 12),
    unit=st.sampled_from(sorted(SIG_UNITS)),
    description=st.integers(0, 0xFFFF),
)
def test_a_presentation_format_agrees(
    code: int, exponent: int, unit: int, description: int
) -> None:
    exponent = exponent if code < 0x14 else 0
    octets = (
        bytes([code])
        + exponent.to_bytes(1, "little", signed=True)
        + unit.to_bytes(2, "little")
        + b"\x01"
        + description.to_bytes(2, "little")
    )
    mine = parse_presentation(octets)
    other = CharacteristicPresentationFormatDescriptor().parse_value(octets).value

    assert (mine.format, mine.exponent) == (other.format, other.exponent)
    assert mine.description == other.description
    assert SIG_UNITS[other.unit] == (mine.quantity, mine.unit)
    assert other.namespace is FormatNamespace.BLUETOOTH_SIG_ASSIGNED_NUMBERS


def test_a_valid_range_of_two_octets_each_agrees() -> None:
    told = parse_presentation(bytes.fromhex("06002827010000"))
    other = ValidRangeDescriptor().parse_value(bytes.fromhex("0A00E803")).value

    assert parse_valid_range(bytes.fromhex("0A00E803"), told) == (10, 1000)
    assert (other.min_value, other.max_value) == (10, 1000)


def test_known_fault_a_measurement_descriptor_of_twelve_octets() -> None:
    # Environmental Sensing Service, section 3.1.2: eleven; so in every public stack's header.
    octets = bytes.fromhex("0000 03 3C0000 050000 00 00")
    other = EnvironmentalSensingMeasurementDescriptor()

    measured = parse_measurement(octets)
    assert (measured.sampling, measured.period_s, measured.update_s) == (3, 60, 5)
    assert not other.parse_value(octets).parse_success
    with pytest.raises(ValueError, match="found 12 octets, expected 11"):
        parse_measurement(octets + b"\x00")


# The SIG's names of its units, as assigned numbers give them.
NAMES = {
    0x2700: "unitless",
    0x2701: "length (metre)",
    0x2703: "time (second)",
    0x2704: "electric current (ampere)",
    0x2705: "thermodynamic temperature (kelvin)",
    0x2719: "magnetic field strength (ampere per metre)",
    0x2722: "frequency (hertz)",
    0x2724: "pressure (pascal)",
    0x2725: "energy (joule)",
    0x2726: "power (watt)",
    0x2727: "electric charge (coulomb)",
    0x2728: "electric potential difference (volt)",
    0x2729: "capacitance (farad)",
    0x272A: "electric resistance (ohm)",
    0x272B: "electric conductance (siemens)",
    0x272C: "magnetic flux (weber)",
    0x272D: "magnetic flux density (tesla)",
    0x272E: "inductance (henry)",
    0x272F: "Celsius temperature (degree Celsius)",
    0x2731: "illuminance (lux)",
    0x2743: "angular velocity (radian per second)",
    0x274B: "electric field strength (volt per metre)",
    0x2760: "time (minute)",
    0x2761: "time (hour)",
    0x2763: "plane angle (degree)",
    0x2780: "pressure (bar)",
    0x2781: "pressure (millimetre of mercury)",
    0x27A5: "pressure (pound-force per square inch)",
    0x27A8: "angular velocity (revolution per minute)",
    0x27AB: "energy (kilowatt hour)",
    0x27AC: "thermodynamic temperature (degree Fahrenheit)",
    0x27AD: "percentage",
    0x27AE: "per mille",
    0x27B0: "electric charge (ampere hours)",
    0x27B6: "irradiance (watt per square metre)",
    0x27C1: "mass flow (gram per second)",
    0x27C2: "volume flow (litre per second)",
    0x27C4: "parts per million",
    0x27C7: "Electrical Apparent Energy (kilovolt ampere hour)",
    0x27C8: "Electrical Apparent Power (volt ampere)",
}
# What a UCUM code is called in those names; a code that is not here has its name checked by UCUM's
# own table, in test_ucum.py.
CODES = {"V": "volt", "A": "ampere", "Ohm": "ohm", "W": "watt", "V.A": "volt ampere", "Hz": "hertz"}


def test_no_unit_is_left_out_here() -> None:
    assert set(NAMES) == set(SIG_UNITS)


@pytest.mark.parametrize("number", NAMES)
def test_a_unit_number_has_the_name_that_the_sig_gave_it(number: int) -> None:
    _, unit = SIG_UNITS[number]
    name = get_units_registry().get_unit_info(BluetoothUUID(number)).name

    assert name == NAMES[number]
    if unit in CODES:
        assert f"({CODES[unit]})" in name


@pytest.mark.parametrize("number", sorted(ADOPTED))
def test_a_characteristic_has_the_name_that_the_sig_gave_it(number: int) -> None:
    info = TRANSLATOR.get_characteristic_info_by_uuid(f"{number:04X}")

    assert info is not None
    assert info.name.replace("\\textsubscript{2}", "2") == ADOPTED[number].name
