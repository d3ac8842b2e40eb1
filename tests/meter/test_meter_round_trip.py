"""What holds for every driver file: properties made from the file itself."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import ALL, SHIPPED, any_driver, come_back, displays, readings, shipped

from metercap.meter.check import check_driver, example_bytes, expected_reading
from metercap.meter.decode import build_decoder, encode_all
from metercap.meter.description import (
    AdvertDriver,
    FrameDriver,
    LineDriver,
    bit_address,
    driver_from_json,
    driver_to_json,
)
from metercap.meter.frame import FrameDecoder, find_unprotected
from metercap.model import Reading, Refusal, Status

DECODERS = {name: build_decoder(any_driver(name)) for name in ALL}
FRAMES = [name for name in ALL if isinstance(any_driver(name), FrameDriver)]
LINES = [name for name in ALL if isinstance(any_driver(name), LineDriver)]
FREE = [name for name in LINES if any_driver(name).poll is None]
ADVERTS = [name for name in ALL if isinstance(any_driver(name), AdvertDriver)]
DUALS = [name for name in FRAMES if any_driver(name).second is not None]
WHOLE = [name for name in ALL if name not in {*LINES, *ADVERTS}]


def is_sound(outcome: object) -> bool:
    """A refusal of one line, or a reading whose value is a finite plain number if it has one."""
    if isinstance(outcome, Refusal):
        return outcome.reason != "" and "\n" not in outcome.reason
    assert isinstance(outcome, Reading)
    if outcome.status is not Status.OK:
        return outcome.value is None
    return Decimal(outcome.value).is_finite() and outcome.value.isascii()


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_driver_is_proved_by_its_examples(name: str) -> None:
    assert check_driver(shipped(name)) == []


@pytest.mark.parametrize("name", ALL)
@given(data=st.data())
def test_what_a_display_says_comes_back_from_its_bytes(name: str, data: st.DataObject) -> None:
    reading = data.draw(readings(name))

    outcomes, rest = come_back(DECODERS[name], reading)
    assert outcomes[0] == reading
    assert len(outcomes) == 1 + (name in DUALS)
    assert rest == b""


@pytest.mark.parametrize("name", FRAMES)
@given(data=st.data())
def test_what_all_displays_say_comes_back_from_one_frame(name: str, data: st.DataObject) -> None:
    shown = data.draw(displays(name))

    assert len(shown) == 1 + (name in DUALS)
    assert DECODERS[name].decode(encode_all(DECODERS[name], shown)) == (shown, b"")


@pytest.mark.parametrize("name", DUALS)
@given(data=st.data())
def test_what_one_display_cannot_show_leaves_the_other(name: str, data: st.DataObject) -> None:
    decoder = DECODERS[name]
    assert isinstance(decoder, FrameDecoder)
    shown = data.draw(displays(name))
    frame = int.from_bytes(encode_all(decoder, shown), "little") ^ decoder._xor
    spoiled = data.draw(st.sampled_from([decoder._main, decoder._second]))
    other = decoder._main if spoiled is decoder._second else decoder._second
    # Any bits in what one display is read from and the other is not.
    own = (spoiled._select_mask | spoiled._rule.mask | spoiled._over_flag) & ~other._select_mask
    noise = data.draw(st.integers(0, (1 << 8 * decoder._length) - 1))
    outcomes, _ = decoder.decode(decoder._seal(frame & ~own | noise & own))

    place = 0 if spoiled is decoder._main else 1
    assert outcomes[1 - place] == shown[1 - place]
    if isinstance(outcomes[place], Refusal):
        assert outcomes[place].reason.startswith(f"{('main', 'second')[place]} display: ")
    else:
        assert outcomes[place].channel == ("main", "second")[place]


@pytest.mark.parametrize("name", ALL)
@given(data=st.binary(max_size=40), pending=st.binary(max_size=40))
def test_no_bytes_at_all_break_a_decoder(name: str, data: bytes, pending: bytes) -> None:
    outcomes, rest = DECODERS[name].decode(data, pending)

    assert all(is_sound(outcome) for outcome in outcomes)
    assert len(rest) <= 80


@pytest.mark.parametrize("name", WHOLE)
@given(data=st.data())
def test_bytes_of_the_right_length_do_not_break_a_decoder(name: str, data: st.DataObject) -> None:
    size = len(DECODERS[name].encode(data.draw(readings(name))))
    outcomes, rest = DECODERS[name].decode(data.draw(st.binary(min_size=size, max_size=size)))

    assert rest == b""
    # A frame refused as a whole is refused once.
    assert len(outcomes) in {1, 1 + (name in DUALS)}
    assert all(is_sound(outcome) for outcome in outcomes)


@pytest.mark.parametrize("name", FRAMES)
@given(bits=st.integers(0, 2**128 - 1), row=st.integers(0, 63))
def test_whatever_a_sealed_frame_shows_can_be_shown_again(name: str, bits: int, row: int) -> None:
    # Any bits at all, but with a row's own function bits, constants and a right checksum, so that
    # the value is reached.
    decoder = DECODERS[name]
    assert isinstance(decoder, FrameDecoder)
    keys = sorted(decoder._main._keys.values())
    free = ~(decoder._main._select_mask | decoder._const_mask) & (1 << 8 * decoder._length) - 1
    frame = decoder._seal(bits & free | keys[row % len(keys)] | decoder._const)
    outcomes, _ = decoder.decode(frame)

    assert all(is_sound(outcome) for outcome in outcomes)
    assert all(": " in each.reason for each in outcomes if isinstance(each, Refusal))
    if all(isinstance(outcome, Reading) for outcome in outcomes):
        assert decoder.decode(encode_all(decoder, outcomes)) == (outcomes, b"")
    if isinstance(outcomes[0], Reading):
        assert decoder.decode(decoder.encode(outcomes[0]))[0][0] == outcomes[0]


@pytest.mark.parametrize("name", FRAMES)
@given(data=st.data())
def test_a_flipped_bit_is_refused_or_listed_as_unprotected(name: str, data: st.DataObject) -> None:
    driver, decoder = any_driver(name), DECODERS[name]
    frame = encode_all(decoder, data.draw(displays(name)))
    unprotected = find_unprotected(driver)
    passed = []
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << bit % 8
        outcomes, _ = decoder.decode(bytes(flipped))
        if any(isinstance(outcome, Reading) for outcome in outcomes):
            passed.append(bit_address(bit))

    assert set(passed) <= set(unprotected)


@pytest.mark.parametrize("name", ["bench-count", "bench-dual", "bench-segments"])
def test_every_flipped_bit_of_every_example_is_refused(name: str) -> None:
    driver, decoder = shipped(name), DECODERS[name]
    assert find_unprotected(driver) == ()
    for example in driver.example:
        frame = example_bytes(driver, example)
        for bit in range(8 * len(frame)):
            flipped = (int.from_bytes(frame, "little") ^ 1 << bit).to_bytes(len(frame), "little")
            (outcome,), _ = decoder.decode(flipped)
            assert isinstance(outcome, Refusal), bit_address(bit)


@pytest.mark.parametrize("name", WHOLE)
@given(data=st.data())
def test_a_cut_joined_or_repeated_frame_is_refused_and_says_so(
    name: str, data: st.DataObject
) -> None:
    decoder = DECODERS[name]
    one, other = (decoder.encode(data.draw(readings(name))) for _ in range(2))
    for size in range(len(one)):
        (outcome,), rest = decoder.decode(one[:size])
        assert isinstance(outcome, Refusal)
        assert f"found {size} bytes" in outcome.reason
        assert rest == b""
    for joined in (one + other, one * 2, one + other[:1]):
        (outcome,), _ = decoder.decode(joined)
        assert isinstance(outcome, Refusal)
    assert decoder.decode(one) == decoder.decode(one)


@pytest.mark.parametrize("name", FREE)
@given(data=st.data())
def test_lines_read_the_same_however_notifications_cut_and_join_them(
    name: str, data: st.DataObject
) -> None:
    decoder = DECODERS[name]
    shown = data.draw(st.lists(readings(name), min_size=1, max_size=6))
    stream = b"".join(decoder.encode(reading) for reading in shown)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))

    outcomes, pending = [], b""
    for start, stop in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        new, pending = decoder.decode(stream[start:stop], pending)
        outcomes += new

    assert outcomes == shown
    assert pending == b""


@pytest.mark.parametrize("name", ALL)
def test_a_driver_survives_json_with_its_keys_in_any_order(name: str) -> None:
    driver = any_driver(name)
    text = json.dumps(driver_to_json(driver), sort_keys=True)
    again = driver_from_json(json.loads(text, parse_float=pytest.fail), "record")

    assert again == driver
    assert driver_to_json(again) == driver_to_json(driver)


@given(data=st.data())
def test_key_order_of_a_driver_does_not_show_in_its_readings(data: st.DataObject) -> None:
    driver = shipped("bench-segments")
    text = json.dumps(driver_to_json(driver), sort_keys=True)
    sorted_decoder = build_decoder(driver_from_json(json.loads(text), "record"))
    reading = data.draw(readings("bench-segments"))
    frame = DECODERS["bench-segments"].encode(reading)

    assert sorted_decoder.encode(reading) == frame
    assert sorted_decoder.decode(frame) == ((reading,), b"")


def test_the_demo_meter_says_what_its_first_example_says() -> None:
    driver = shipped("bench-segments")
    first = expected_reading(driver, driver.example[0])

    assert (first.value, first.unit, first.ceiling) == ("0.35", "Ohm", "60.00")
    assert first.accuracy == (Decimal("1.2"), Decimal(5))
