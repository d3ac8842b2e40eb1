"""The open advertisement format, against an independent package and a packet of the format's own.

Source: bthome-ble 3.25.0, the decoder that the format's makers publish. Where it differs on purpose
or by mistake, the difference is listed as such. It works in floats and rounds them to the decimals
of the factor, so its numbers are compared by their shortest decimal text.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from bthome_ble import BTHomeBluetoothDeviceData
from bthome_ble.const import MEAS_TYPES
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import shipped
from sensor_state_data import DeviceKey, SensorUpdate

from metercap.meter.advert import (
    LENGTHS,
    MEASURES,
    SERVICE_DATA,
    open_sealed,
    seal,
    write_advert,
)
from metercap.meter.decode import build_decoder
from metercap.model import Reading, Refusal

DECODER = build_decoder(shipped("open-advert"))
ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")

COARSE = 0x58
EXACT = [id_ for id_ in MEASURES if id_ != COARSE]

# Their unit texts; ours are UCUM codes.
UNITS = {"V": "V", "A": "A", "W": "W", "kW.h": "kWh", "Cel": "°C"}


def advertisement(data: bytes, at_s: float = 0.0) -> BluetoothServiceInfoBleak:
    return BluetoothServiceInfoBleak(
        name="bench",
        address=ADDRESS,
        rssi=-60,
        manufacturer_data={},
        service_data={SERVICE_DATA: data},
        service_uuids=[],
        source="here",
        device=None,
        advertisement=None,
        connectable=False,
        time=at_s,
        tx_power=None,
    )


def theirs(update: SensorUpdate) -> dict[str, tuple[object, str | None]]:
    """Quantity (numbered where there are several) -> number and unit."""
    found: dict[str, tuple[object, str | None]] = {}
    for key, value in update.entity_values.items():
        description = update.entity_descriptions.get(DeviceKey(key.key, None))
        unit = description.native_unit_of_measurement if description else None
        found[key.key] = (value.native_value, None if unit is None else str(unit))
    return found


def test_every_object_is_as_long_for_both() -> None:
    with_length = {"string", "raw", "command"}
    fixed = {
        id_: kind.data_length
        for id_, kind in MEAS_TYPES.items()
        if kind.data_format not in with_length
    }
    assert fixed == LENGTHS
    assert {i for i, kind in MEAS_TYPES.items() if kind.data_format in with_length} == {
        0x53, 0x54, 0x3B,
    }  # fmt: skip


@pytest.mark.parametrize("id_", MEASURES)
def test_an_object_means_the_same_to_both(id_: int) -> None:
    ours, kind = MEASURES[id_], MEAS_TYPES[id_]

    assert ours.size == kind.data_length
    assert ours.signed == (kind.data_format == "signed_integer")
    assert ours.step == Decimal(str(kind.factor))
    assert ours.quantity == str(kind.meas_format.device_class)
    assert UNITS[ours.unit] == str(kind.meas_format.native_unit_of_measurement)


@given(data=st.data(), id_=st.sampled_from(EXACT), packet=st.none() | st.just(7))
def test_a_plain_number_reads_the_same(data: st.DataObject, id_: int, packet: int | None) -> None:
    measure = MEASURES[id_]
    raw = data.draw(st.integers(-measure.highest + 1 if measure.signed else 0, measure.highest - 1))
    packed = write_advert([(id_, raw)], packet)

    (reading,), _ = DECODER.decode(packed)
    found = theirs(BTHomeBluetoothDeviceData().update(advertisement(packed)))

    assert isinstance(reading, Reading)
    number, unit = found[measure.quantity]
    assert unit == UNITS[reading.unit]
    assert Decimal(str(number)) == Decimal(reading.value or "")


@given(body=st.lists(st.sampled_from(sorted(MEASURES)), min_size=1, max_size=6, unique=True))
def test_several_objects_read_the_same_and_in_the_same_order(body: list[int]) -> None:
    packed = write_advert([(id_, 10 + id_) for id_ in body])

    outcomes, _ = DECODER.decode(packed)
    found = theirs(BTHomeBluetoothDeviceData().update(advertisement(packed)))

    ours = {}
    for one in outcomes:
        assert isinstance(one, Reading)
        several = [other for other in outcomes if other.quantity == one.quantity]
        number = f"_{several.index(one) + 1}" if len(several) > 1 else ""
        ours[f"{one.quantity}{number}"] = Decimal(one.value or "")
    mine = {key: Decimal(str(n)) for key, (n, _) in found.items() if key in ours}
    assert mine == ours


@given(counter=st.integers(0, 2**32 - 1), raw=st.integers(0, 65534))
def test_what_we_seal_they_open(counter: int, raw: int) -> None:
    device = BTHomeBluetoothDeviceData(bindkey=KEY)
    update = device.update(advertisement(seal(write_advert([(0x4A, raw)]), ADDRESS, KEY, counter)))

    assert device.bindkey_verified
    number, _ = theirs(update)["voltage"]
    assert Decimal(str(number)) == Decimal(raw) / 10


def test_the_example_of_the_formats_own_page_opens() -> None:
    # bthome.io/encryption: 25.06 degrees and 50.55 %, key and address as above. The packet is from
    # memory; its tag proves it.
    packet = bytes.fromhex("41a47266c95f730011223378237214")

    plain, counter = open_sealed(packet, ADDRESS, KEY)

    assert plain.hex() == "4002ca0903bf13"
    assert counter == 0x33221100
    (reading,), _ = DECODER.decode(plain)
    assert isinstance(reading, Reading)
    assert (reading.quantity, reading.value, reading.unit) == ("temperature", "25.06", "Cel")


def test_a_wrong_key_opens_nothing_for_either() -> None:
    sealed = seal(write_advert([(0x4A, 2301)]), ADDRESS, KEY, 1)
    device = BTHomeBluetoothDeviceData(bindkey=bytes(16))

    assert "voltage" not in theirs(device.update(advertisement(sealed)))
    with pytest.raises(ValueError, match="the key for this meter is wrong"):
        open_sealed(sealed, ADDRESS, bytes(16))


def test_a_falling_counter_is_refused_by_both() -> None:
    device = BTHomeBluetoothDeviceData(bindkey=KEY)
    first = seal(write_advert([(0x4A, 2301)]), ADDRESS, KEY, 500)
    older = seal(write_advert([(0x4A, 2400)]), ADDRESS, KEY, 499)
    device.update(advertisement(first))

    assert theirs(device.update(advertisement(older, 60.0)))["voltage"][0] == 230.1
    with pytest.raises(ValueError, match="found counter 499, expected more than 500"):
        open_sealed(older, ADDRESS, KEY, after=500)


# ---- known differences ----


def test_known_difference_a_counter_below_a_hundred_starts_anew_for_them() -> None:
    # They take a low counter for a new battery; so would be taken what was recorded back then.
    device = BTHomeBluetoothDeviceData(bindkey=KEY)
    device.update(advertisement(seal(write_advert([(0x4A, 2301)]), ADDRESS, KEY, 500)))
    replayed = seal(write_advert([(0x4A, 2400)]), ADDRESS, KEY, 99)

    assert theirs(device.update(advertisement(replayed, 60.0)))["voltage"][0] == 240.0
    with pytest.raises(ValueError, match="found counter 99, expected more than 500"):
        open_sealed(replayed, ADDRESS, KEY, after=500)


@pytest.mark.parametrize("id_", EXACT)
def test_known_difference_the_last_number_is_no_number_to_us(id_: int) -> None:
    # A sender that has more to say than its object holds may stop there: see facts of the format.
    measure = MEASURES[id_]
    packed = write_advert([(id_, measure.highest)])
    (reading,), _ = DECODER.decode(packed)

    assert isinstance(reading, Reading)
    assert (reading.status.value, reading.value) == ("over", None)
    number, _ = theirs(BTHomeBluetoothDeviceData().update(advertisement(packed)))[measure.quantity]
    assert Decimal(str(number)) == Decimal(measure.text(measure.highest))


@pytest.mark.parametrize(("raw", "exact", "rounded"), [(1, "0.35", 0.3), (-22, "-7.70", -7.7)])
def test_known_fault_theirs_loses_the_last_decimal_of_a_factor_of_0_35(
    raw: int, exact: str, rounded: float
) -> None:
    # It takes the decimals of 3.5e-1 from the exponent alone.
    packed = write_advert([(COARSE, raw)])
    (reading,), _ = DECODER.decode(packed)

    assert isinstance(reading, Reading)
    assert reading.value == exact
    update = BTHomeBluetoothDeviceData().update(advertisement(packed))
    assert theirs(update)["temperature"][0] == rounded


def test_known_difference_reserved_bits_do_not_matter_to_them() -> None:
    packed = b"\x48" + write_advert([(0x4A, 2301)])[1:]

    assert theirs(BTHomeBluetoothDeviceData().update(advertisement(packed)))["voltage"][0] == 230.1
    (outcome,), _ = DECODER.decode(packed)
    assert isinstance(outcome, Refusal)


@given(body=st.binary(max_size=24))
def test_of_any_bytes_both_read_the_same_objects(body: bytes) -> None:
    packed = b"\x40" + body
    quantities = {measure.quantity for measure in MEASURES.values()}
    numbers = [
        number
        for key, (number, _) in theirs(
            BTHomeBluetoothDeviceData().update(advertisement(packed))
        ).items()
        if key.split("_")[0] in quantities
    ]
    readings = [one for one in DECODER.decode(packed)[0] if isinstance(one, Reading)]
    shown = {
        Decimal(one.value)
        for one in readings
        if one.value is not None and one.function != "temperature-coarse"
    }

    assert len(numbers) == len(readings)
    assert shown <= {Decimal(str(number)) for number in numbers}


def test_known_fault_theirs_breaks_on_no_bytes_at_all() -> None:
    with pytest.raises(IndexError):
        BTHomeBluetoothDeviceData().update(advertisement(b""))
    assert DECODER.decode(b"")[0] == (Refusal("found 0 bytes, expected 2 to 512"),)
