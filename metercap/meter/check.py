"""A driver to the list of what its own examples show to be wrong with it; nothing is repaired."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metercap.errors import MetercapError
from metercap.meter.attribute import AttributeDecoder, can_overload
from metercap.meter.decode import build_decoder, encode_all
from metercap.meter.description import (
    AttributeDriver,
    FrameDriver,
    LineDriver,
    placed_rows,
)
from metercap.meter.frame import FrameDecoder
from metercap.meter.line import LineDecoder
from metercap.meter.reply import Answer, Asked, ReplyDecoder
from metercap.model import Reading, Refusal, Status

if TYPE_CHECKING:
    from metercap.meter.decode import Decoder
    from metercap.meter.description import Driver, Example, ExampleReading
    from metercap.model import Outcome


def check_driver(driver: Driver) -> list[str]:
    """Problems, one line each; an empty list when every example proves the description.

    Each example must decode to what it says and encode back to its own bytes (but for what no
    reading determines), each function must have an example, and one must show an overload.
    """
    try:
        decoder = build_decoder(driver)
    except MetercapError as fault:
        return [str(fault)]
    problems = []
    for index, example in enumerate(driver.example):
        problem = _check_example(driver, decoder, example)
        if problem is not None:
            problems.append(f"example[{index}]: {problem}")
    seconds = [example.second for example in driver.example if example.second is not None]
    shown = {said.function for said in [*seconds, *(e.reading for e in driver.example)]}
    problems += [
        f"{place}: found no example for {row.name!r}, expected at least one"
        for place, row in placed_rows(driver)
        if row.name not in shown
    ]
    if _can_overload(driver) and all(
        Status(example.reading.status) is not Status.OVER for example in driver.example
    ):
        problems.append("example: found no overload, expected at least one with status 'over'")
    if _can_second_overload(driver) and all(said.status != Status.OVER.value for said in seconds):
        problems.append("example: found no second with status 'over', expected at least one")
    return problems


def example_bytes(driver: Driver, example: Example) -> bytes:
    """The notification of an example; a line gets its terminator."""
    if example.hex is not None:
        return bytes.fromhex(example.hex)
    end = bytes.fromhex(driver.line.terminator) if isinstance(driver, LineDriver) else b""
    return (example.text or "").encode() + end


def expected_reading(driver: Driver, example: Example) -> Reading:
    """The reading that an example states; range and accuracy come from its function row."""
    return _expected(driver, example.reading)


def expected_readings(driver: Driver, example: Example) -> tuple[Reading, ...]:
    """What an example states for each display, the main one first."""
    said = (example.reading, example.second)
    return tuple(_expected(driver, one) for one in said if one is not None)


def _expected(driver: Driver, said: ExampleReading) -> Reading:
    row = next(row for row in driver.rows if row.name == said.function)
    reading = row.reading(said.value, Status(said.status), tuple(sorted(said.marks)))
    coupling = None if said.coupling == "none" else said.coupling
    return reading._replace(quantity=said.quantity, unit=said.unit, coupling=coupling)


def decode_example(
    decoder: Decoder, example: Example, data: bytes
) -> tuple[tuple[Outcome, ...], bytes]:
    """Read the notification of an example; a meter with `poll` was asked for the example's row."""
    if isinstance(decoder, AttributeDecoder):
        # Of several values in one notification the example states one.
        said = example.reading.function
        every = decoder.decode_from(decoder.source_of(said), data)
        rows = [each for each in every if isinstance(each, Reading) and each.function == said]
        return tuple(rows) or every[:1], b""
    if not isinstance(decoder, ReplyDecoder):
        return decoder.decode(data)
    taken = decoder.take(Asked(1, 1, decoder.query_of(example.reading.function)), data)
    return taken.outcomes, data if taken.answer is Answer.OPEN else b""


def _check_example(driver: Driver, decoder: Decoder, example: Example) -> str | None:
    data, expected = example_bytes(driver, example), expected_readings(driver, example)
    outcomes, rest = decode_example(decoder, example, data)
    refused = [outcome.reason for outcome in outcomes if isinstance(outcome, Refusal)]
    if refused and not rest:
        return f"refused: {refused[0]}"
    if rest or len(outcomes) != len(expected):
        count = "one reading" if len(expected) == 1 else f"{len(expected)} readings"
        return f"found {len(outcomes)} readings and {len(rest)} bytes over, expected {count}"
    found = tuple(outcome for outcome in outcomes if isinstance(outcome, Reading))
    for place, one, wanted in zip(("reading", "second"), found, expected, strict=False):
        for key in Reading._fields:
            if getattr(one, key) != getattr(wanted, key):
                return (
                    f"{place}.{key}: found {getattr(one, key)!r}, expected {getattr(wanted, key)!r}"
                )
    try:
        again = encode_all(decoder, found)
    except MetercapError as fault:
        return f"cannot be encoded: {fault}"
    if isinstance(decoder, FrameDecoder | LineDecoder):
        same = decoder.is_same(again, data)
    else:
        same = again == data
    return None if same else f"encodes to {again.hex()}, expected {data.hex()}"


def _can_second_overload(driver: Driver) -> bool:
    """Whether the description has a way for a second display to say "over"."""
    if not isinstance(driver, FrameDriver) or driver.second is None:
        return False
    value = driver.second.value
    coded = value.state is not None and "over" in value.state.codes.values()
    floating = value.number is not None and driver.field[value.number].type != "float32"
    return bool(value.over or value.over_flag or coded or floating)


def _can_overload(driver: Driver) -> bool:
    """Whether the description has a way to say "over"; the integers of 0x2904 have none of it."""
    if isinstance(driver, AttributeDriver):
        return any(can_overload(table) for table in (driver.attribute, *driver.also))
    return True
