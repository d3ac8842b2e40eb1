"""What a GATT table says of itself: which values and coupling, which is main, or why none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.test_meter_round_trip import is_sound

from metercap.meter.adopted import uuid_of
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import (
    AttributeDriver,
    driver_from_json,
    driver_to_json,
)
from metercap.meter.found import (
    TELLING,
    Characteristic,
    Descriptor,
    find_found,
    may_describe_itself,
)
from metercap.meter.presentation import FORMATS, SIG_UNITS
from metercap.model import Reading, Refusal, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

SERVICE = "de5c0000-e492-47f0-9b6d-c81a5703f2be"
OWN, OTHER = "de5c0002-e492-47f0-9b6d-c81a5703f2be", "de5c0003-e492-47f0-9b6d-c81a5703f2be"
HANDLES = iter(range(16, 1_000_000))


def told(
    uuid: str | int,
    *descriptors: tuple[int, str | bytes | None],
    properties: Iterable[str] = ("read", "notify"),
    service: str = SERVICE,
) -> Characteristic:
    """A characteristic whose descriptors are (number, hex or octets)."""
    return Characteristic(
        service,
        uuid_of(uuid) if isinstance(uuid, int) else uuid,
        next(HANDLES),
        tuple(properties),
        tuple(
            Descriptor(
                next(HANDLES),
                uuid_of(number),
                bytes.fromhex(value) if isinstance(value, str) else value,
            )
            for number, value in descriptors
        ),
    )


def found(*table: Characteristic) -> AttributeDriver:
    driver, why = find_found(table)
    assert isinstance(driver, AttributeDriver), why
    assert check_driver(driver) == []
    assert driver_from_json(driver_to_json(driver), "record") == driver
    return driver


def why_not(*table: Characteristic) -> str:
    driver, why = find_found(table)
    assert driver is None
    return why


def read(
    driver: AttributeDriver, data: bytes, source: str = OWN
) -> tuple[Status, str | None] | str:
    ((outcome, *_), _) = decode_frame(build_decoder(driver), source, data)
    return outcome.reason if isinstance(outcome, Refusal) else (outcome.status, outcome.value)


SINT32_VOLTS, FLOAT_VOLTS = "10 FD 2827 01 0000", "17 00 2827 01 0000"


def measurement(sampling: int, period_s: int = 0, update_s: int = 0) -> bytes:
    return (
        bytes([0, 0, sampling])
        + period_s.to_bytes(3, "little")
        + update_s.to_bytes(3, "little")
        + bytes(2)
    )


def test_an_adopted_voltage_is_found_in_any_service() -> None:
    driver = found(told(0x2B18))

    assert driver.link.notify == uuid_of(0x2B18)
    assert driver.match.service == SERVICE
    assert driver.id.startswith("found-2b18-")
    (row,) = driver.function
    assert (row.name, row.quantity, row.unit, row.coupling) == ("voltage", "voltage", "V", "none")
    assert read(driver, b"\x80\x39", uuid_of(0x2B18)) == (Status.OK, "230.000000")


def test_an_adopted_definition_wins_over_a_descriptor() -> None:
    driver = found(told(0x2B18, (0x2904, "06 FF 2827 01 0000")))

    assert read(driver, b"\x80\x39", uuid_of(0x2B18)) == (Status.OK, "230.000000")


@pytest.mark.parametrize(
    ("text", "sampling", "coupling"),
    [
        ("AC voltage", None, "ac"),
        ("AC voltage", 0, "ac"),
        ("AC voltage", 3, "ac"),
        ("Volts a.c.", 3, "ac"),
        ("voltage (VAC)", 3, "ac"),
        ("Voltage", 3, "none"),  # the RMS of a direct voltage is that voltage
        ("", 3, "none"),
        ("AC voltage", 2, "none"),  # the mean of an alternating voltage is nothing like its value
        ("DC voltage", None, "dc"),
        ("DC voltage", 2, "dc"),
        ("AC+DC voltage", 3, "none"),
        ("Voltage, max capacity", 3, "none"),
        ("VACUUM pump", 3, "none"),
    ],
)
def test_coupling_is_said_by_the_description_and_never_by_rms_alone(
    text: str, sampling: int | None, coupling: str
) -> None:
    more = [] if sampling is None else [(0x290C, measurement(sampling))]
    driver = found(told(OWN, (0x2904, FLOAT_VOLTS), (0x2901, text.encode()), *more))

    assert [row.coupling for row in driver.function] == [coupling]


def test_a_resistance_called_ac_has_no_coupling() -> None:
    driver = found(told(OWN, (0x2904, "17 00 2A27 01 0000"), (0x2901, b"AC impedance")))

    assert driver.function[0].coupling == "none"


@pytest.mark.parametrize(
    ("sampling", "period_s", "marks"),
    [
        (1, 0, ()),
        (2, 0, ()),
        (2, 1, ()),
        (2, 2, ("average",)),
        (4, 0, ("maximum",)),
        (5, 0, ("minimum",)),
        (6, 0, ("accumulated",)),
        (7, 0, ("count",)),
    ],
)
def test_a_value_that_is_not_the_present_one_is_marked(
    sampling: int, period_s: int, marks: tuple[str, ...]
) -> None:
    driver = found(told(OWN, (0x2904, SINT32_VOLTS), (0x290C, measurement(sampling, period_s))))
    (outcome,), _ = build_decoder(driver).decode((1234).to_bytes(4, "little"))

    assert isinstance(outcome, Reading)
    assert (outcome.value, outcome.marks) == ("1.234", marks)


@pytest.mark.parametrize(
    ("period_s", "update_s", "interval"),
    [(0, 0, "1 s"), (1, 0, "1 s"), (9, 5, "5 s"), (0, 86400, "9999 s")],
)
def test_the_pace_is_the_one_that_the_meter_states(
    period_s: int, update_s: int, interval: str
) -> None:
    driver = found(told(0x2B18, (0x290C, measurement(1, period_s, update_s))))

    assert driver.link.interval == interval


def test_a_valid_range_gives_over_under_and_the_ceiling() -> None:
    limits = (-100).to_bytes(4, "little", signed=True) + (600_000).to_bytes(4, "little")
    driver = found(told(OWN, (0x2904, SINT32_VOLTS), (0x2906, limits)))

    assert driver.function[0].ceiling == "600.000"
    for raw, expected in (
        (600_000, (Status.OK, "600.000")),
        (600_001, (Status.OVER, None)),
        (-100, (Status.OK, "-0.100")),
        (-101, (Status.UNDER, None)),
    ):
        assert read(driver, raw.to_bytes(4, "little", signed=True)) == expected
    # The ends of the format may stand for anything, so they are not called an overload.
    assert "found raw value 2147483647" in read(driver, bytes.fromhex("FFFFFF7F"))
    assert "found raw value -2147483648" in read(driver, bytes.fromhex("00000080"))


def test_a_float_that_is_over_its_range_does_not_say_which() -> None:
    limits = bytes.fromhex("00000000 58020000")
    driver = found(told(OWN, (0x2904, "17 00 2A27 01 0000"), (0x2906, limits)))
    (outcome,), _ = build_decoder(driver).decode(bytes.fromhex("FEFF7F00"))

    assert isinstance(outcome, Reading)
    assert (outcome.status, outcome.ceiling) == (Status.OVER, None)


# format, octets, what they show with exponent -1 (whole) or 0 (floating) in volts
FORMS = [
    (0x04, "0A", "1.0"),
    (0x06, "E803", "100.0"),
    (0x07, "40420F", "100000.0"),
    (0x08, "40420F00", "100000.0"),
    (0x09, "00E40B540200", "1000000000.0"),
    (0x0A, "00E40B5402000000", "1000000000.0"),
    (0x0C, "F6", "-1.0"),
    (0x0E, "18FC", "-100.0"),
    (0x0F, "C0BDF0", "-100000.0"),
    (0x10, "C0BDF0FF", "-100000.0"),
    (0x11, "001CF4ABFDFF", "-1000000000.0"),
    (0x12, "001CF4ABFDFFFFFF", "-1000000000.0"),
    (0x14, "0000C0BF", "-1.500000"),
    (0x15, "000000000000F8BF", "-1.500000"),
    (0x16, "C8E0", "2.00"),
    (0x17, "C80000FE", "2.00"),
]


@pytest.mark.parametrize(("code", "octets", "value"), FORMS)
def test_every_format_that_is_a_number_is_read(code: int, octets: str, value: str) -> None:
    exponent = "00" if code >= 0x14 else "FF"
    driver = found(told(OWN, (0x2904, f"{code:02X}{exponent}2827010000")))

    assert read(driver, bytes.fromhex(octets)) == (Status.OK, value)


def test_no_format_is_left_out_here() -> None:
    assert {code for code, _, _ in FORMS} == set(FORMATS)


@pytest.mark.parametrize(
    ("code", "octets"),
    [
        (0x04, "FF"),
        (0x06, "FFFF"),
        (0x0C, "7F"),
        (0x0C, "80"),
        (0x0E, "FF7F"),
        (0x0E, "0080"),
        (0x08, "FFFFFFFF"),
        (0x0A, "FFFFFFFFFFFFFFFF"),
    ],
)
def test_the_ends_of_a_format_are_no_numbers_unless_a_range_says_so(code: int, octets: str) -> None:
    driver = found(told(OWN, (0x2904, f"{code:02X}FF2827010000")))

    assert "found raw value" in read(driver, bytes.fromhex(octets))


def test_a_range_that_takes_in_the_end_of_the_format_makes_it_a_number() -> None:
    driver = found(told(OWN, (0x2904, "04FF2827010000"), (0x2906, "00FF")))

    assert read(driver, b"\xff") == (Status.OK, "25.5")


@pytest.mark.parametrize(
    ("octets", "status"),
    [
        ("0000807F", Status.OVER),
        ("000080FF", Status.UNDER),
        ("0000C07F", Status.INVALID),
        ("010080FF", Status.INVALID),
    ],
)
def test_a_binary_float_says_what_is_no_number(octets: str, status: Status) -> None:
    driver = found(told(OWN, (0x2904, "14002827010000")))

    assert read(driver, bytes.fromhex(octets)) == (status, None)


def test_a_binary_float_beyond_any_display_is_refused() -> None:
    driver = found(told(OWN, (0x2904, "14002827010000")))

    assert "expected a number of at most 8 digits" in read(driver, bytes.fromhex("20BCBE4C"))


@pytest.mark.parametrize("unit", SIG_UNITS)
def test_every_unit_makes_a_driver(unit: int) -> None:
    octets = b"\x17\x00" + unit.to_bytes(2, "little") + b"\x01\x00\x00"
    driver = found(told(OWN, (0x2904, octets)))

    assert (driver.function[0].quantity, driver.function[0].unit) == SIG_UNITS[unit]


def test_several_values_become_channels_with_the_electrical_one_in_front() -> None:
    driver = found(
        told(0x2A6E),
        told(OWN, (0x2904, SINT32_VOLTS), (0x2901, b"DC volts")),
        told(0x2AEE, (0x2901, "L\xf6tstrom".encode())),
    )

    assert driver.link.notify == OWN
    assert [also.notify for also in driver.also] == [uuid_of(0x2AEE), uuid_of(0x2A6E)]
    assert [row.channel for row in driver.function] == ["main", "lotstrom", "temperature"]
    assert read(driver, b"\x10\x00", uuid_of(0x2AEE)) == (Status.OK, "0.16")


def test_the_value_that_calls_itself_main_is_main() -> None:
    driver = found(
        told(OWN, (0x2904, "10FD2827010801")),  # auxiliary
        told(0x2A6E),
        told(OTHER, (0x2904, "10FF2F27010601")),  # main
    )

    assert driver.link.notify == OTHER
    assert [row.channel for row in driver.function] == ["main", "temperature", "auxiliary"]


def test_a_value_that_is_not_sent_is_read_marked_and_never_put_before_one_that_is() -> None:
    driver = found(told(0x2B18, properties=["read"]), told(0x2A6E))

    assert driver.read == (uuid_of(0x2B18),)
    assert [row.channel for row in driver.function] == ["main", "voltage"]
    assert [row.quantity for row in driver.function] == ["temperature", "voltage"]
    assert [row.marks for row in driver.function] == [(), ("read on request",)]


def test_a_value_of_several_fields_is_read_in_the_order_of_its_aggregate() -> None:
    volts, amperes = (Descriptor(h, uuid_of(0x2904), o) for h, o in (
        (7, bytes.fromhex("06FF2827010000")), (8, bytes.fromhex("0EFD0427010000")),
    ))  # fmt: skip
    order = Descriptor(9, uuid_of(0x2905), bytes.fromhex("08000700"))
    driver = found(Characteristic(SERVICE, OWN, 5, ("notify",), (volts, amperes, order)))
    outcomes, _ = build_decoder(driver).decode(bytes.fromhex("18FC FD08"))

    assert [(o.channel, o.quantity, o.value) for o in outcomes if isinstance(o, Reading)] == [
        ("main", "current", "-1.000"),
        ("value-2", "voltage", "230.1"),
    ]


GAS = bytes.fromhex("16006127010000")


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ([], "none of its 0 characteristics says"),
        ([told(OWN)], "none of its 1 characteristics says in a known way what it measures"),
        ([told(0x2B18, properties=["write"])], "(2B18: its value can be neither sent nor read)"),
        ([told(0x2B18), told(0x2B18)], "2B18: it stands there more than once"),
        ([told(OWN, (0x2904, None))], "de5c0002: its 0x2904 could not be read"),
        ([told(OWN, (0x2904, "19002827010000"))], "its 0x2904: found format 0x19"),
        ([told(OWN, (0x2904, "1000C327010000"))], "its 0x2904: found unit 0x27C3"),
        ([told(OWN, (0x2904, "10002827020000"))], "found namespace 0x02"),
        ([told(OWN, (0x2904, "1000"))], "found 2 octets, expected 7"),
        ([told(OWN, (0x2904, SINT32_VOLTS), (0x2906, "00"))], "valid_range: found 1 octets"),
        ([told(OWN, (0x2904, SINT32_VOLTS), (0x2906, "00" * 8))], "valid_range: found 0 to 0"),
        (
            [told(OWN, (0x2904, SINT32_VOLTS), (0x2906, "00000080 FFFFFFFF"))],
            "found a range that ends at -0.001",
        ),
        ([told(0x2B18, (0x290C, bytes(12)))], "2B18: its 0x290C: found 12 octets, expected 11"),
        ([told(0x2B18, (0x290C, measurement(8)))], "found sampling function 8, expected 0 to 7"),
        ([told(OWN, (0x2904, SINT32_VOLTS), (0x2904, SINT32_VOLTS))], "found 2 formats (0x2904)"),
        ([told(OWN, (0x2904, SINT32_VOLTS), (0x2905, "FFFF"))], "0x2905 names handle 65535"),
        ([told(OWN, (0x2904, SINT32_VOLTS), (0x2905, ""))], "0x2905 names no format"),
        (
            [told(0x2A19, (0x2904, "0400AD27010000"), service=uuid_of(0x180F))],
            "none of its 1 characteristics says",
        ),
    ],
)
def test_where_nothing_measures_one_line_says_why(table: list[Characteristic], said: str) -> None:
    reason = why_not(*table)

    assert said in reason
    assert "\n" not in reason


def test_two_descriptions_never_share_an_id() -> None:
    one = found(told(0x2B18))
    other = found(told(0x2B18, (0x2901, b"AC voltage")))

    assert one.id != other.id
    assert one == found(told(0x2B18))


def test_a_description_that_would_garble_a_screen_is_cleaned() -> None:
    text = b"\x1b[2JProbe\x00 \xff\xe2\x80\xae" + b"long " * 40
    driver = found(told(0x2A6E), told(OWN, (0x2904, SINT32_VOLTS), (0x2901, text)))

    assert driver.title.isprintable()
    assert all(len(row.channel) <= 32 for row in driver.function)


@pytest.mark.parametrize(
    ("services", "may"),
    [
        ([uuid_of(0x181A)], True),
        ([uuid_of(0x2B18).upper()], True),
        ([uuid_of(0x185A)], True),
        ([SERVICE, uuid_of(0x180F)], False),
        ([], False),
    ],
)
def test_what_is_advertised_hints_at_a_meter_that_describes_itself(
    services: list[str], may: bool
) -> None:
    assert may_describe_itself(services) is may


NUMBERS = [0x2B18, 0x2AEE, 0x2A6E, 0x2A1C, 0x2C22, 0x2B1A, 0x2AE8, 0x2A19, 0x2BE0]
FORMAT_OCTETS = st.builds(
    lambda code, exponent, unit, end: (
        bytes([code])
        + exponent.to_bytes(1, "little", signed=True)
        + unit.to_bytes(2, "little")
        + end
    ),
    st.sampled_from(sorted(FORMATS)) | st.integers(0, 0xFF),
    st.just(0) | st.integers(-14, 14),
    st.sampled_from(sorted(SIG_UNITS)) | st.integers(0, 0xFFFF),
    st.sampled_from([b"\x01\x00\x00", b"\x01\x06\x01", b"\x02\x00\x00"]),
)
DESCRIPTORS = st.builds(
    lambda handle, kind: Descriptor(handle, *kind),
    st.integers(1, 40),
    st.tuples(st.just(uuid_of(0x2904)), FORMAT_OCTETS)
    | st.tuples(st.sampled_from(sorted(TELLING)), st.none() | st.binary(max_size=16)),
)
TABLES = st.lists(
    st.builds(
        Characteristic,
        st.sampled_from([SERVICE, uuid_of(0x181A), uuid_of(0x180F)]),
        st.sampled_from([uuid_of(number) for number in NUMBERS] + [OWN, OTHER]),
        st.integers(1, 40),
        st.lists(st.sampled_from(["read", "notify", "indicate", "write"]), max_size=3).map(tuple),
        st.lists(DESCRIPTORS, max_size=5).map(tuple),
    ),
    max_size=8,
)


@given(table=TABLES, data=st.binary(max_size=16))
def test_any_table_gives_a_driver_that_proves_itself_or_one_line(
    table: list[Characteristic], data: bytes
) -> None:
    driver, why = find_found(table)

    assert why
    assert why.isprintable()
    if driver is not None:
        assert isinstance(driver, AttributeDriver)
        assert check_driver(driver) == []
        decoder = build_decoder(driver)
        for source in driver.sources:
            outcomes, _ = decode_frame(decoder, source, data)
            assert all(is_sound(outcome) for outcome in outcomes)
