"""What the proof of a driver by its own examples finds."""

from __future__ import annotations

import pytest
from meter.strategies import DRIVERS, made

from metercap.meter.check import check_driver
from metercap.meter.description import parse_driver
from metercap.meter.frame import CHECKSUMS


def problems(name: str, old: str, new: str) -> list[str]:
    text = (DRIVERS / f"{name}.toml").read_text("utf-8")
    assert old in text
    return check_driver(parse_driver(text.replace(old, new, 1), "x"))


def cut_examples(name: str, keep: str) -> list[str]:
    """The file with only those examples that hold the text `keep`."""
    head, *examples = (DRIVERS / f"{name}.toml").read_text("utf-8").split("[[example]]")
    kept = [example for example in examples if keep in example]
    return check_driver(parse_driver("[[example]]".join([head, *kept]), "x"))


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("bench-segments", 'value = "0.35"', 'value = "0.36"',
         "example[0]: reading.value: found '0.35', expected '0.36'"),
        ("bench-segments", 'value = "59.99", unit = "Ohm", marks = ["hold"]',
         'value = "59.99", unit = "Ohm"',
         "example[1]: reading.marks: found ('hold',), expected ()"),
        ("bench-segments", 'value = "0.35", unit = "Ohm"', 'value = "0.35", unit = "kOhm"',
         "example[0]: reading.unit: found 'Ohm', expected 'kOhm'"),
        ("bench-line", "RES     0.4 Ohm ", "RES     0,4 Ohm ", "example[0]: refused: unknown"),
        ("bench-line", "RES     0.4 Ohm ", "RES     0.4 Ohm", "example[0]: refused: cut"),
        ("bench-voltage", "80 39", "80", "example[0]: refused: found 1 bytes, expected 2"),
        ("bench-described", "C8 00 00 FE", "02 00 00 00", "example[1]: reading.value: found '2'"),
    ],
)  # fmt: skip
def test_an_example_that_does_not_fit_is_named(name: str, old: str, new: str, said: str) -> None:
    assert problems(name, old, new)[0].startswith(said)


def test_a_function_without_example_and_a_missing_overload_are_named() -> None:
    found = cut_examples("bench-segments", "0.35")

    assert "function[1]: found no example for 'ohms-600', expected at least one" in found
    assert found[-1] == "example: found no overload, expected at least one with status 'over'"
    assert len(found) == 13


@pytest.mark.parametrize("over", [None, 2147483647])
def test_only_what_can_say_overload_needs_an_example_of_it(over: int | None) -> None:
    driver = made("sint32")
    attribute = driver.attribute.model_copy(update={"over": over})
    example = driver.example[0].model_copy(update={"hex": "64 00 00 00"})
    reading = example.reading.model_copy(update={"value": "1.00", "coupling": "dc"})
    example = example.model_copy(update={"reading": reading})
    found = check_driver(driver.model_copy(update={"attribute": attribute, "example": (example,)}))

    assert found == (
        []
        if over is None
        else ["example: found no overload, expected at least one with status 'over'"]
    )


def test_marks_of_an_example_may_stand_in_any_order() -> None:
    new = 'marks = ["relative", "low battery", "hold"]'

    assert problems("bench-segments", 'marks = ["hold", "low battery", "relative"]', new) == []


def test_an_example_that_is_not_what_the_encoder_would_send_is_named() -> None:
    # 200 as 2 x 10^2 is right, but a meter that this file describes sends 200 x 10^0.
    text = (DRIVERS / "bench-described.toml").read_text("utf-8")
    text += """
[[example]]
hex = "02000002"
reading = { function = "ohms", quantity = "resistance", value = "200", unit = "Ohm" }
"""

    assert check_driver(parse_driver(text, "x")) == [
        "example[7]: encodes to c8000000, expected 02000002"
    ]


def test_reserved_bits_of_an_example_are_no_fault() -> None:
    text = (DRIVERS / "bench-count.toml").read_text("utf-8")
    # The first example with byte 9, which says nothing, set to 5A, and its sum made right.
    head, _, tail = text.partition('hex = "C5 3A 01 FD 08 00 00 FF 00 00')
    frame = bytes.fromhex("C53A01FD080000FF005A")
    crc = CHECKSUMS["CRC-16/MODBUS"](frame).to_bytes(2, "little")
    changed = f'{head}hex = "{(frame + crc).hex(" ").upper()}{tail[6:]}'

    assert changed != text
    assert check_driver(parse_driver(changed, "x")) == []
