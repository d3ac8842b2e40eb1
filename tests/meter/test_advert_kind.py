"""What advertisements say: objects one by one and together, packets, sealed ones, refusals."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import readings, shipped

from metercap.errors import DisplayError, DriverError
from metercap.meter.advert import (
    LENGTHS,
    MEASURES,
    AdvertDecoder,
    is_opening,
    is_sealed,
    open_sealed,
    packet_of,
    seal,
    write_advert,
)
from metercap.meter.decode import build_decoder, decode_opened
from metercap.meter.description import driver_from_json, driver_to_json
from metercap.model import Outcome, Reading, Refusal, Status

DRIVER = shipped("open-advert")
DECODER = build_decoder(DRIVER)
ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")


def shown(data: str | bytes) -> list[tuple[object, ...] | str]:
    raw = bytes.fromhex(data) if isinstance(data, str) else data
    outcomes, pending = DECODER.decode(raw)
    assert pending == b""
    return [
        one.reason
        if isinstance(one, Refusal)
        else (one.quantity, one.value, one.unit, one.status.value, one.channel)
        for one in outcomes
    ]


# One line for each object: worked out by hand from the format's table, lowest byte first.
GOLDEN = [
    ("02 CA 09", "temperature", "25.06", "Cel"),
    ("02 9C FF", "temperature", "-1.00", "Cel"),
    ("45 11 01", "temperature", "27.3", "Cel"),
    ("45 FF FF", "temperature", "-0.1", "Cel"),
    ("57 EA", "temperature", "-22", "Cel"),
    ("58 EA", "temperature", "-7.70", "Cel"),
    ("58 01", "temperature", "0.35", "Cel"),
    ("0A 13 8A 14", "energy", "1346.067", "kW.h"),
    ("4D 12 13 8A 14", "energy", "344593.170", "kW.h"),
    ("0B 02 1B 00", "power", "69.14", "W"),
    ("5C 02 FB FF FF", "power", "-12.78", "W"),
    ("0C 02 0C", "voltage", "3.074", "V"),
    ("4A FC 08", "voltage", "230.0", "V"),
    ("43 4E 34", "current", "13.390", "A"),
    ("5D 02 EA", "current", "-5.630", "A"),
]


@pytest.mark.parametrize(("body", "quantity", "value", "unit"), GOLDEN)
def test_an_object_keeps_the_decimals_of_its_factor(
    body: str, quantity: str, value: str, unit: str
) -> None:
    assert shown(f"40 {body}") == [(quantity, value, unit, "ok", "main")]


def test_every_object_that_is_read_has_a_golden_line() -> None:
    assert {int(body[:2], 16) for body, *_ in GOLDEN} == set(MEASURES)


def test_a_reading_is_marked_as_a_sample_and_carries_no_coupling_of_the_formats() -> None:
    (reading,), _ = DECODER.decode(bytes.fromhex("404AFC08"))

    assert isinstance(reading, Reading)
    assert (reading.marks, reading.coupling, reading.accuracy) == (("sampled",), None, None)


@pytest.mark.parametrize(
    ("data", "quantity", "status"),
    [
        ("40 4A FF FF", "voltage", "over"),
        ("40 0C FF FF", "voltage", "over"),
        ("40 5D FF 7F", "current", "over"),
        ("40 5D 00 80", "current", "under"),
        ("40 57 80", "temperature", "under"),
        ("40 57 81", "temperature", "under"),
    ],
)
def test_a_sender_at_the_end_of_its_numbers_is_not_believed(
    data: str, quantity: str, status: str
) -> None:
    ((found, value, _, said, _),) = shown(data)

    assert (found, value, said) == (quantity, None, status)


def test_all_objects_of_a_packet_are_read_and_like_ones_told_apart() -> None:
    data = "40 00 07 01 64 0C 02 0C 43 4E 34 45 11 01 45 12 01 4A FC 08"

    assert shown(data) == [
        ("voltage", "3.074", "V", "ok", "main"),
        ("current", "13.390", "A", "ok", "main"),
        ("temperature", "27.3", "Cel", "ok", "main"),
        ("temperature", "27.4", "Cel", "ok", "2"),
        ("voltage", "230.0", "V", "ok", "2"),
    ]


@pytest.mark.parametrize(
    "between",
    ["09 60", "3D 09 60", "3E 2A 2C 09 60", "42 4E 34 00", "50 5D 39 61 64", "03 BF 13",
     "53 05 68 65 6C 6C 6F", "53 00", "54 02 4A FF", "3B 02 01 4A 00", "3B 00 01",
     "F1 00 01 02 04"],
)  # fmt: skip
def test_what_is_not_read_is_passed_over_by_its_length(between: str) -> None:
    assert shown(f"40 {between} 4A FC 08") == [("voltage", "230.0", "V", "ok", "main")]


def test_an_object_of_unknown_length_ends_the_reading_there() -> None:
    assert shown("40 0C 02 0C E0 4A FC 08") == [
        ("voltage", "3.074", "V", "ok", "main"),
        "object 0xE0: not known, so neither is its length; the last 4 bytes are not read",
    ]


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ("", "found 0 bytes, expected 2 to 512"),
        ("40", "found 1 bytes, expected 2 to 512"),
        ("40 54", "object 0x54: found no length, expected one byte"),
        ("20 0C 02 0C", "found version 1, expected 2"),
        ("60 0C 02 0C", "found version 3, expected 2"),
        ("48 0C 02 0C", "found device information 0x48, expected its reserved bits to be 0"),
        ("41 0C 02 0C", "sealed: found no key for this meter, expected one in keys.toml"),
        ("40 0C 02", "object 0x0C: found 1 bytes, expected 2"),
        ("40 53 05 68", "object 0x53: found 1 bytes, expected 5"),
        ("40 3B 1F", "object 0x3B: found 0 bytes, expected 32"),
    ],
)
def test_what_is_no_advertisement_says_so(data: str, reason: str) -> None:
    assert shown(data) == [reason]


def test_a_packet_longer_than_any_is_refused_and_one_as_long_is_read() -> None:
    longest = bytes([0x40]) + bytes([0x0F, 0]) * 255 + bytes([0x53])

    assert len(longest) == 512
    assert shown(longest + b"\0") == ["found 513 bytes, expected 2 to 512"]
    assert shown(longest) == ["object 0x53: found no length, expected one byte"]


def test_a_packet_with_the_senders_address_is_read_behind_it() -> None:
    assert shown("42 A5 80 8F E6 48 54 4A FC 08") == [("voltage", "230.0", "V", "ok", "main")]


def test_a_packet_without_measurements_says_nothing() -> None:
    assert shown("44 00 01 01 64 3A 01") == []


def test_a_packet_is_known_by_its_id_or_by_all_of_it() -> None:
    first, again, next_ = (
        write_advert([(0x4A, 2300 + n)], packet=p) for n, p in ((0, 9), (1, 9), (1, 10))
    )
    assert packet_of(first) == packet_of(again) != packet_of(next_)

    bare = write_advert([(0x4A, 2300)])
    assert packet_of(bare) == bare
    assert packet_of(b"\x41\x00\x09") == b"\x41\x00\x09"


@given(reading=readings("open-advert"))
def test_a_reading_comes_back_from_its_object_with_its_own_digits(reading: Reading) -> None:
    assert DECODER.decode(DECODER.encode(reading)) == ((reading,), b"")


def is_sound(outcome: Outcome) -> bool:
    if isinstance(outcome, Refusal):
        return outcome.reason != "" and "\n" not in outcome.reason
    if outcome.status is not Status.OK:
        return outcome.value is None
    assert outcome.value is not None
    return Decimal(outcome.value).is_finite() and outcome.value.isascii()


@given(data=st.binary(max_size=60), info=st.sampled_from([0x40, 0x42, 0x44, 0x46]))
def test_no_bytes_break_the_decoder(data: bytes, info: int) -> None:
    for raw in (data, bytes([info]) + data):
        outcomes, rest = DECODER.decode(raw)
        assert all(is_sound(outcome) for outcome in outcomes)
        assert rest == b""
        assert len(packet_of(raw)) <= max(1, len(raw))


@st.composite
def objects(draw: st.DrawFn) -> list[tuple[int, int]]:
    ids = draw(st.lists(st.sampled_from(sorted(LENGTHS)), max_size=12))
    return [(id_, draw(st.integers(0, (1 << 8 * LENGTHS[id_] - 1) - 1))) for id_ in ids]


@given(body=objects(), packet=st.none() | st.integers(0, 255))
def test_each_object_is_read_wherever_it_stands(
    body: list[tuple[int, int]], packet: int | None
) -> None:
    data = write_advert(body, packet)
    if len(data) < 2:
        return
    outcomes, _ = DECODER.decode(data)
    alone = [DECODER.decode(write_advert([one]))[0] for one in sorted(body) if one[0] in MEASURES]

    assert [one._replace(channel="main") for one in outcomes] == [one for (one,) in alone]


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (DRIVER.function[0].reading("230.15"), "expected a multiple of 0.1"),
        (DRIVER.function[0].reading("230"), "which no object here shows"),
        (DRIVER.function[0].reading("-1.0"), "can't convert negative"),
        (DRIVER.function[0].reading("6553.6"), "too big"),
        (DRIVER.function[0].reading(None, Status.UNDER), "which the format cannot say"),
        (DRIVER.function[0].reading(None, Status.BLANK), "which the format cannot say"),
        (DRIVER.function[0].reading("1.0")._replace(function="ohms"), "expected one of voltage"),
        (DRIVER.function[0].reading("1.0")._replace(marks=()), "which no object here shows"),
    ],
)
def test_a_reading_that_no_object_shows_is_refused(reading: Reading, said: str) -> None:
    with pytest.raises(DisplayError, match=said):
        DECODER.encode(reading)


# ---- sealed ----

# Worked out once with another implementation of AES-CCM: see tests/outside/test_bthome.py.
PLAIN = write_advert([(0x4A, 2301), (0x45, 215)], packet=7)


def test_what_was_sealed_opens_with_key_address_and_a_higher_counter() -> None:
    sealed = seal(PLAIN, ADDRESS, KEY, 5)

    assert is_sealed(sealed)
    assert not is_sealed(PLAIN)
    assert sealed[0] == 0x41
    assert open_sealed(sealed, ADDRESS.lower(), KEY, after=4) == (PLAIN, 5)
    assert is_opening(sealed, PLAIN)


@pytest.mark.parametrize(
    ("address", "key", "after", "said"),
    [
        (ADDRESS, KEY, 5, "found counter 5, expected more than 5"),
        (ADDRESS, KEY, 6, "found counter 5, expected more than 6"),
        (ADDRESS, bytes(16), -1, "the key for this meter is wrong"),
        ("54:48:E6:8F:80:A6", KEY, -1, "the key for this meter is wrong"),
        (ADDRESS, KEY[:15], -1, "key: found 15 bytes, expected 16"),
        ("a-name-not-an-address", KEY, -1, "expected six bytes"),
    ],
)
def test_what_does_not_open_says_why(address: str, key: bytes, after: int, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        open_sealed(seal(PLAIN, ADDRESS, KEY, 5), address, key, after)


@given(bit=st.integers(0, 8 * len(seal(PLAIN, ADDRESS, KEY, 5)) - 1))
def test_every_bit_of_a_sealed_packet_is_protected(bit: int) -> None:
    sealed = bytearray(seal(PLAIN, ADDRESS, KEY, 5))
    sealed[bit // 8] ^= 1 << bit % 8

    with pytest.raises(ValueError, match=r"sealed: |address"):
        open_sealed(bytes(sealed), ADDRESS, KEY)


@given(data=st.binary(max_size=60), after=st.integers(-1, 2**32))
def test_no_bytes_break_the_opening(data: bytes, after: int) -> None:
    for raw in (data, b"\x41" + data, b"\x43" + data):
        with pytest.raises(ValueError, match=r"^(sealed|key): [^\n]+$"):
            open_sealed(raw, ADDRESS, KEY, after)


def test_a_sealed_packet_may_carry_the_senders_address() -> None:
    plain = b"\x42" + bytes.fromhex("A5808FE64854") + PLAIN[1:]
    sealed = seal(plain, ADDRESS, KEY, 1)

    assert sealed[1:7] == plain[1:7]
    assert open_sealed(sealed, ADDRESS, KEY) == (plain, 1)
    assert is_opening(sealed, plain)
    with pytest.raises(ValueError, match="found an address inside that is not 54:48:E6:8F:80:A6"):
        open_sealed(sealed, "54:48:E6:8F:80:A6", KEY)


@pytest.mark.parametrize("counter", [-1, 2**32])
def test_a_counter_that_does_not_fit_seals_nothing(counter: int) -> None:
    with pytest.raises(ValueError, match="expected 0 to 4294967295"):
        seal(PLAIN, ADDRESS, KEY, counter)


def test_what_is_sealed_is_not_sealed_again() -> None:
    with pytest.raises(ValueError, match="expected plain service data"):
        seal(seal(PLAIN, ADDRESS, KEY, 1), ADDRESS, KEY, 2)


def test_the_record_is_read_without_the_key() -> None:
    sealed = seal(PLAIN, ADDRESS, KEY, 5)

    assert decode_opened(DECODER, sealed, PLAIN) == DECODER.decode(PLAIN)
    refused = Refusal("sealed: found counter 5, expected more than 6")
    assert decode_opened(DECODER, sealed, refused) == ((refused,), b"")


@pytest.mark.parametrize(
    "opened",
    [PLAIN + b"\0", PLAIN[:-1], b"\x44" + PLAIN[1:], seal(PLAIN, ADDRESS, KEY, 5), b""],
    ids=["longer", "shorter", "another head", "still sealed", "empty"],
)
def test_opened_bytes_that_cannot_have_been_inside_give_no_reading(opened: bytes) -> None:
    (outcome,), _ = decode_opened(DECODER, seal(PLAIN, ADDRESS, KEY, 5), opened)

    assert outcome == Refusal("sealed: the opened bytes cannot be what these were opened to")


def test_nothing_plain_passes_for_opened() -> None:
    assert not is_opening(PLAIN, PLAIN)
    assert not is_opening(b"", b"")


def test_who_opens_nothing_does_not_pay_for_the_cipher() -> None:
    code = (
        "import sys; from pathlib import Path; from metercap.shelf import load_driver; "
        "from metercap.meter.decode import build_decoder; "
        "d = build_decoder(load_driver(Path('/nonexistent'), 'open-advert')); "
        "assert d.decode(bytes.fromhex('404AFC08'))[0][0].value == '230.0'; "
        "sys.exit('cryptography' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# ---- the driver file ----


def changed(**more: object) -> dict[str, object]:
    table = driver_to_json(DRIVER)
    rows = table["function"]
    assert isinstance(rows, list)
    rows[0] = {**rows[0], **more}
    return table


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"object": "03"}, r"function\[0\].object: found '03', expected one of 02 0A"),
        (
            {"object": "0C", "ceiling": "60"},
            r"function\[1\].object: found '0C', expected one that function\[0\] has",
        ),
        ({"unit": "mV"}, r"found 'voltage' in 'mV', expected 'voltage' in 'V', which object 4A is"),
        ({"ceiling": "6553.5"}, r"ceiling: found '6553.5', expected less than 6553.5"),
        ({"decimals": 1}, r"decimals: found, expected none"),
    ],
)
def test_a_row_says_no_more_than_its_object(more: dict[str, object], said: str) -> None:
    with pytest.raises(DriverError, match=said):
        driver_from_json(changed(**more), "record")


@pytest.mark.parametrize(
    ("link", "said"),
    [
        ({"notify": "00002b18-0000-1000-8000-00805f9b34fb"}, "link.notify: found '00002b18"),
        ({"write": "00002b18-0000-1000-8000-00805f9b34fb"}, "never written to"),
    ],
)
def test_a_sender_is_not_connected_to(link: dict[str, str], said: str) -> None:
    table = driver_to_json(DRIVER)
    table["link"] = {**table["link"], **link}

    with pytest.raises(DriverError, match=said):
        driver_from_json(table, "record")


def test_a_key_has_no_place_in_a_driver() -> None:
    table = driver_to_json(DRIVER)
    table["advert"] = {"format": "bthome-v2", "key": KEY.hex()}

    with pytest.raises(DriverError, match=r"advert.key: found a key that is not known here"):
        driver_from_json(table, "record")


def test_an_owner_may_say_what_the_format_cannot() -> None:
    known = {"coupling": "ac", "ceiling": "260.0", "accuracy": {"percent": "1.0", "counts": "2"}}
    table = changed(**known)
    table["example"] = [
        {**example, "reading": {**example["reading"], "coupling": "ac"}}
        if example["reading"]["function"] == "voltage"
        else example
        for example in table["example"]
    ]
    decoder = AdvertDecoder(driver_from_json(table, "record"))

    (mains,), _ = decoder.decode(bytes.fromhex("404AFC08"))
    (beyond,), _ = decoder.decode(bytes.fromhex("404A9E0A"))
    assert (mains.value, mains.coupling, mains.accuracy) == ("230.0", "ac", (Decimal("1.0"), 2))
    assert (beyond.status, beyond.value, beyond.ceiling) == (Status.OVER, None, "260.0")
