"""Every row of the adopted characteristics: special values first, exact digits, and back."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from meter.test_meter_round_trip import is_sound

from metercap import units
from metercap.errors import DisplayError
from metercap.meter.adopted import ADOPTED, THERMOMETERS, Part, find_adopted, uuid_of
from metercap.meter.decode import Decoder, build_decoder, decode_frame
from metercap.meter.description import AttributeDriver
from metercap.meter.found import Characteristic, find_found
from metercap.model import Outcome, Reading, Refusal, Status

SERVICE = "de5c0000-e492-47f0-9b6d-c81a5703f2be"


def driver_of(*numbers: int) -> AttributeDriver:
    table = [
        Characteristic(SERVICE, uuid_of(number), 3 * place, ("notify",))
        for place, number in enumerate(numbers)
    ]
    driver, _ = find_found(table)
    assert isinstance(driver, AttributeDriver)
    return driver


DECODERS = {number: build_decoder(driver_of(number)) for number in ADOPTED}
ROWS = [pytest.param(number, id=f"{number:04X}") for number in ADOPTED]


def shown(outcome: Outcome) -> tuple[Status, str | None] | str:
    return outcome.reason if isinstance(outcome, Refusal) else (outcome.status, outcome.value)


def read(number: int, octets: str) -> list[tuple[Status, str | None] | str]:
    return [shown(outcome) for outcome in DECODERS[number].decode(bytes.fromhex(octets))[0]]


OK, OVER, UNDER = Status.OK, Status.OVER, Status.UNDER
UNKNOWN, INVALID = Status.UNKNOWN, Status.INVALID

# Written from the GATT Specification Supplement's text, not from the rows.
VECTORS = [
    (0x2B18, "8039", (OK, "230.000000")),
    (0x2B18, "0100", (OK, "0.015625")),
    (0x2B18, "0000", (UNDER, None)),
    (0x2B18, "80FF", (OVER, None)),
    (0x2B18, "FFFF", (UNKNOWN, None)),
    (0x2B18, "81FF", "found raw value 0xFF81, which 0x2B18 does not define"),
    (0x2BE0, "000000", (OK, "0.000000")),
    (0x2BE0, "FEFFFF", (OK, "262143.968750")),
    (0x2BE0, "FFFFFF", (UNKNOWN, None)),
    (0x2BE8, "3200", (OK, "50")),
    (0x2BE8, "0000", (OK, "0")),  # direct current
    (0x2BE8, "FEFF", (INVALID, None)),
    (0x2BE8, "FFFF", (UNKNOWN, None)),
    (0x2AEE, "D204", (OK, "12.34")),
    (0x2AEE, "FEFF", (OK, "655.34")),
    (0x2AEE, "FFFF", (UNKNOWN, None)),
    (0x2B05, "FDFFFF", (OK, "1677721.3")),
    (0x2B05, "FEFFFF", (INVALID, None)),
    (0x2B05, "FFFFFF", (UNKNOWN, None)),
    (0x2B8A, "0A0000", (OK, "1.0")),
    (0x2B8A, "FEFFFF", (INVALID, None)),
    (0x2AF2, "FEFFFF", (OK, "16777214")),
    (0x2AF2, "FFFFFF", (UNKNOWN, None)),
    (0x2BA8, "FDFFFFFF", (OK, "4294967.293")),
    (0x2BA8, "FEFFFFFF", (INVALID, None)),
    (0x2BA8, "FFFFFFFF", (UNKNOWN, None)),
    (0x2B89, "01000000", (OK, "0.001")),
    (0x2B8D, "9C", (OK, "-1.00")),
    (0x2B8D, "64", (OK, "1.00")),
    (0x2B8D, "7F", (UNKNOWN, None)),
    (0x2B8D, "65", "found raw value 101, which 0x2B8D does not define"),
    (0x2AE2, "01", (OK, "1")),
    (0x2AE2, "02", "found raw value 0x02, which 0x2AE2 does not define"),
    (0x2B04, "C8", (OK, "100.0")),
    (0x2B04, "01", (OK, "0.5")),
    (0x2B04, "FF", (UNKNOWN, None)),
    (0x2B04, "C9", "found raw value 0xC9, which 0x2B04 does not define"),
    (0x2AE8, "0000C03F", (OK, "1.500000")),
    (0x2AE8, "0000807F", (OVER, None)),
    (0x2AE8, "000080FF", (UNDER, None)),
    (0x2AE8, "0000C07F", (INVALID, None)),
    (0x2AEA, "FFFF", (UNKNOWN, None)),
    (0x2AEB, "FEFFFF", (OK, "16777214")),
    (0x2A6E, "0080", (UNKNOWN, None)),
    (0x2A6E, "4D95", (OK, "-273.15")),
    (0x2A6E, "4C95", "found raw value -27316, which 0x2A6E does not define"),
    (0x2A6E, "FF7F", (OK, "327.67")),
    (0x2BDF, "0180", (INVALID, None)),
    (0x2BDF, "0080", (UNKNOWN, None)),
    (0x2BDF, "FF7F", (OK, "16383.5")),
    (0x2BDF, "DEFD", (OK, "-273.0")),
    (0x2B0D, "7F", (UNKNOWN, None)),
    (0x2B0D, "FF", (OK, "-0.5")),
    (0x2B0D, "80", (OK, "-64.0")),
    (0x2C2E, "1027", (OK, "1000.0")),
    (0x2C2E, "1127", "found raw value 10001, which 0x2C2E does not define"),
    (0x2C2E, "0080", (UNKNOWN, None)),
    (0x2A7B, "80", (OK, "-128")),
    (0x2A6F, "1027", (OK, "100.00")),
    (0x2A6F, "1127", "found raw value 0x2711, which 0x2A6F does not define"),
    (0x2A6F, "FFFF", (UNKNOWN, None)),
    (0x2C1B, "FF", (UNKNOWN, None)),
    (0x2A6D, "FFFFFFFF", (OK, "429496729.5")),
    (0x2B1B, "FEFF", (OK, "65.534")),
    (0x2B1B, "FFFF", (UNKNOWN, None)),
    (0x2B02, "FEFF", (OK, "65534")),
    (0x2BD0, "14F0", (OK, "2.0")),
    (0x2BD0, "0008", (UNKNOWN, None)),  # NRes: outside the range, to which side is not said
    (0x2BD0, "FF07", (INVALID, None)),
    (0x2B8C, "FDFF", (OK, "65533")),
    (0x2B8C, "FEFF", (OVER, None)),
    (0x2B8C, "FFFF", (UNKNOWN, None)),
    (0x2AFB, "FEFFFF", (OK, "167772.14")),
    (0x2C1C, "FFFF", (UNKNOWN, None)),
    (0x2A77, "FFFF", (OK, "6553.5")),
    (0x2C09, "00000080", (OK, "-2147483648")),
    (0x2C09, "FFFFFF7F", (UNKNOWN, None)),
]


@pytest.mark.parametrize(("number", "octets", "expected"), VECTORS)
def test_a_value_says_what_the_supplement_says(number: int, octets: str, expected: object) -> None:
    assert read(number, octets) == [expected]


def test_every_row_of_one_value_has_a_vector() -> None:
    single = {number for number, row in ADOPTED.items() if len(row.parts) == 1 and not row.tail}

    assert single - {number for number, _, _ in VECTORS} == set()


def test_an_average_is_marked_and_its_duration_passed_over() -> None:
    (outcome,), _ = DECODERS[0x2AE1].decode(bytes.fromhex("8039FE"))

    assert isinstance(outcome, Reading)
    assert (outcome.value, outcome.marks) == ("230.000000", ("average",))


def test_statistics_are_four_readings_on_channels_of_their_own() -> None:
    outcomes, _ = DECODERS[0x2B11].decode(bytes.fromhex("D007 0A00 0080 C409 FF"))

    assert [(r.channel, *shown(r), r.marks) for r in outcomes if isinstance(r, Reading)] == [
        ("main", OK, "20.00", ("average",)),
        ("deviation", OK, "0.10", ("deviation",)),
        ("minimum", UNKNOWN, None, ("minimum",)),
        ("maximum", OK, "25.00", ("maximum",)),
    ]


def test_eight_contacts_are_eight_channels() -> None:
    outcomes, _ = DECODERS[0x2C22].decode(b"\x81")

    assert [r.value for r in outcomes if isinstance(r, Reading)] == [*"10000001"]
    assert [r.channel for r in outcomes if isinstance(r, Reading)][::7] == ["main", "contact-8"]


@pytest.mark.parametrize(
    ("octets", "unit", "expected"),
    [
        ("00 6E0100FF", "Cel", (OK, "36.6")),
        ("01 DB0300FF", "[degF]", (OK, "98.7")),
        ("06 6E0100FF EA070102030405 02", "Cel", (OK, "36.6")),
        ("00 FFFF7F00", "Cel", (INVALID, None)),
    ],
)
def test_a_thermometer_says_its_unit_by_a_flag(
    octets: str, unit: str, expected: tuple[Status, str | None]
) -> None:
    data = bytes.fromhex(octets)
    (outcome,), _ = DECODERS[0x2A1C].decode(data)

    assert isinstance(outcome, Reading), outcome
    assert (outcome.unit, shown(outcome)) == (unit, expected)


@pytest.mark.parametrize("octets", ["", "00", "02 6E0100FF", "00 6E0100FF 00"])
def test_a_thermometer_whose_flags_promise_another_length_is_refused(octets: str) -> None:
    (outcome,), _ = DECODERS[0x2A1C].decode(bytes.fromhex(octets))

    assert isinstance(outcome, Refusal)
    assert "bytes, expected" in outcome.reason


@pytest.mark.parametrize("number", ROWS)
def test_a_row_is_whole(number: int) -> None:
    row = ADOPTED[number]
    alternatives = 2 if number in THERMOMETERS else 1

    assert sum(part.bits for part in row.parts) % (8 * alternatives) == 0
    for part in row.parts:
        assert units.is_allowed(part.quantity, part.unit)
        assert part.b <= 0  # else a step would be no exact decimal
        for raw, _ in part.specials:
            assert not part.lowest <= raw <= part.highest
        if not part.is_floating:
            half = 1 << part.bits - 1
            low, high = (-half, half - 1) if part.form == "sint" else (0, 2 * half - 1)
            assert low <= part.lowest < part.highest <= high


def whole_readings(part: Part) -> st.SearchStrategy[tuple[Status, str | None]]:
    numbers = st.integers(part.lowest, part.highest)
    values = numbers.map(lambda raw: (OK, f"{raw * part.step:f}"))
    return values | st.sampled_from([(OK, f"{part.highest * part.step:f}")] + [
        (status, None) for _, status in part.specials
    ])  # fmt: skip


@pytest.mark.parametrize("number", ROWS)
@given(data=st.data())
def test_what_a_row_can_say_comes_back_from_its_bytes(number: int, data: st.DataObject) -> None:
    driver, decoder = driver_of(number), DECODERS[number]
    place = data.draw(st.integers(0, len(driver.function) - 1))
    row, part = driver.function[place], ADOPTED[number].parts[place]
    if part.is_floating:
        said: tuple[Status, str | None] = data.draw(st.sampled_from([(OK, "1"), (INVALID, None)]))
        if part.form == "float32" and said[0] is OK:
            said = (OK, "0.250000")
    else:
        said = data.draw(whole_readings(part))
    reading = row.reading(said[1], said[0], part.marks)
    octets = decoder.encode(reading)

    assert reading in decoder.decode(octets)[0]
    if len(driver.function) == 1:
        assert decoder.decode(octets)[0] == (reading,)


@pytest.mark.parametrize("number", ROWS)
@given(data=st.binary(max_size=20))
@example(b"")
def test_no_bytes_break_a_row(number: int, data: bytes) -> None:
    outcomes, rest = DECODERS[number].decode(data)

    assert outcomes
    assert rest == b""
    assert all(is_sound(outcome) for outcome in outcomes)


@pytest.mark.parametrize("number", ROWS)
@given(data=st.data())
def test_no_bytes_of_the_right_length_break_a_row(number: int, data: st.DataObject) -> None:
    row = ADOPTED[number]
    size = sum(part.bits for part in row.parts) // 8 + row.tail
    if number in THERMOMETERS:
        size = 5
    octets = data.draw(st.binary(min_size=size, max_size=size))
    outcomes, _ = DECODERS[number].decode(octets)

    assert all(is_sound(outcome) for outcome in outcomes)
    for outcome in outcomes:
        if isinstance(outcome, Reading):
            assert outcome in DECODERS[number].decode(_encoded(DECODERS[number], outcome))[0]


def _encoded(decoder: Decoder, reading: Reading) -> bytes:
    try:
        return decoder.encode(reading)
    except DisplayError as fault:
        pytest.fail(str(fault))


def test_values_of_several_characteristics_are_told_apart_by_their_source() -> None:
    driver = driver_of(0x2B18, 0x2AEE)
    decoder = build_decoder(driver)
    volts, amperes = (uuid_of(number) for number in (0x2B18, 0x2AEE))
    data = bytes.fromhex("8039")

    (reading,), _ = decode_frame(decoder, volts, data)
    assert (reading.quantity, reading.value) == ("voltage", "230.000000")  # type: ignore[union-attr]
    (reading,), _ = decode_frame(decoder, amperes, data)
    assert (reading.quantity, reading.value) == ("current", "147.20")  # type: ignore[union-attr]
    (refused,), _ = decode_frame(decoder, uuid_of(0x2A6E), data)
    assert isinstance(refused, Refusal)
    assert uuid_of(0x2A6E) in refused.reason


def test_a_uuid_is_found_in_any_case_and_no_other_is() -> None:
    assert find_adopted("00002B18-0000-1000-8000-00805F9B34FB") is ADOPTED[0x2B18]
    assert find_adopted(uuid_of(0x2B19)) is None
    assert find_adopted("2b18") is None
    assert find_adopted("10002b18-0000-1000-8000-00805f9b34fb") is None
    assert find_adopted("00002b18-0000-1000-8000-00805f9b34fc") is None
