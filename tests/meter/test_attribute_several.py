"""A driver file of several attributes: which row is whose, and what such a file may not say."""

from __future__ import annotations

from decimal import Decimal

import pytest

from metercap.errors import DisplayError, DriverError
from metercap.meter.adopted import uuid_of
from metercap.meter.attribute import AttributeDecoder
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder
from metercap.meter.description import AttributeDriver, parse_driver
from metercap.meter.display import show
from metercap.model import Status

OWN = "5e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"
PANEL = f"""
id = "panel"
title = "Panel meter, two adopted values and one that describes itself"
version = "1"
kind = "attribute"
[match]
name = "PANEL*"
[link]
notify = "{uuid_of(0x2B18)}"
interval = "1 s"
silence = "15 s"
[attribute]
characteristic = "2B18"
[[also]]
notify = "{uuid_of(0x2AEE)}"
characteristic = "2AEE"
[[also]]
notify = "{OWN}"
presentation = "0E FE 2F27 01 0000"
valid_range = "00EC 983A"
[[function]]
name = "volts"
quantity = "voltage"
unit = "V"
coupling = "ac"
ceiling = "1022"
[[function]]
name = "amperes"
quantity = "current"
unit = "A"
coupling = "ac"
ceiling = "655.34"
channel = "clamp"
[[function]]
name = "probe"
quantity = "temperature"
unit = "Cel"
coupling = "none"
ceiling = "150.00"
channel = "probe"
[[example]]
hex = "80 39"
reading = {{ function = "volts", quantity = "voltage", unit = "V", coupling = "ac", value = "230.000000" }}
[[example]]
hex = "D2 04"
reading = {{ function = "amperes", quantity = "current", unit = "A", coupling = "ac", value = "12.34" }}
[[example]]
hex = "66 08"
reading = {{ function = "probe", quantity = "temperature", unit = "Cel", value = "21.50" }}
[[example]]
hex = "99 3A"
reading = {{ function = "probe", quantity = "temperature", unit = "Cel", status = "over" }}
"""  # noqa: E501  an example is one line in a file


def driver(old: str = "", new: str = "") -> AttributeDriver:
    assert old in PANEL
    made = parse_driver(PANEL.replace(old, new, 1) if old else PANEL, "panel.toml")
    assert isinstance(made, AttributeDriver)
    return made


def test_the_examples_of_every_attribute_prove_the_file() -> None:
    assert check_driver(driver()) == []
    wrong = driver('hex = "66 08"', 'hex = "67 08"')
    assert check_driver(wrong) == ["example[2]: reading.value: found '21.51', expected '21.50'"]


def test_a_reading_is_written_to_the_characteristic_of_its_row() -> None:
    decoder = build_decoder(driver())
    assert isinstance(decoder, AttributeDecoder)

    assert decoder.source_of("amperes") == uuid_of(0x2AEE)
    with pytest.raises(DisplayError, match="ohms: found no such function, expected one of volts"):
        decoder.source_of("ohms")


@pytest.mark.parametrize(
    ("quantity", "coupling", "value", "unit", "shown"),
    [
        ("voltage", "ac", "230.1", "V", (Status.OK, "230.093750")),  # to the nearest 1/64 V
        ("voltage", "ac", "0", "V", (Status.UNDER, None)),
        ("voltage", "ac", "2000", "V", (Status.OVER, None)),
        ("current", "ac", "12344", "mA", (Status.OK, "12.34")),
        ("current", "ac", "0", "A", (Status.OK, "0.00")),
        ("temperature", None, "21.504", "Cel", (Status.OK, "21.50")),
        ("temperature", None, "151", "Cel", (Status.OVER, None)),
    ],
)
def test_a_value_is_shown_in_the_steps_of_its_attribute(
    quantity: str, coupling: str | None, value: str, unit: str, shown: object
) -> None:
    made = driver()
    reading = show(made, quantity, coupling, Decimal(value), unit)

    assert (reading.status, reading.value) == shown
    build_decoder(made).encode(reading)


WRONG = [
    ('channel = "probe"', 'channel = "clamp"', "function: found one channel in two attributes"),
    ('channel = "clamp"\n', "", "function: found one channel in two attributes"),
    (f'notify = "{OWN}"', f'notify = "{uuid_of(0x2AEE)}"', "also.notify: found one characteristic"),
    ('characteristic = "2AEE"', 'characteristic = "2AEF"', "also[0].characteristic: found '2AEF'"),
    ('characteristic = "2AEE"', 'characteristic = "2AF1"', "function: found 3, expected 6: one"),
    ('unit = "A"', 'unit = "mA"', "function[1]: found 'current' in 'mA', but the attribute says"),
    ('ceiling = "150.00"', 'ceiling = "200"', "function[2].ceiling: found '200', expected 150.00"),
    ('"00EC 983A"', '"983A 00EC"', "also[1].valid_range: found 15000 to -5120, expected a lowest"),
    ('valid_range = "00EC 983A"', 'valid_range = "00"', "also[1].valid_range: found 1 octets"),
    ('"0E FE 2F27 01 0000"', '["0E FE 2F27 01 0000", "0E FE 2F27 01 0000"]', "found more keys"),
    ("[match]", 'read = ["6e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"]\n[match]', "read: found 6e6d0002"),
    ('characteristic = "2AEE"', 'characteristic = "2AEE"\nvalid_range = "00"', "of its own"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), WRONG)
def test_one_wrong_thing_gives_one_line_that_names_it(old: str, new: str, said: str) -> None:
    with pytest.raises(DriverError) as caught:
        driver(old, new)

    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
