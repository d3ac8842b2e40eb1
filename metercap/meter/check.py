"""A driver to the list of what its own examples show to be wrong with it; nothing is repaired."""

from __future__ import annotations

from typing import TYPE_CHECKING

from metercap.errors import MetercapError
from metercap.meter.attribute import AttributeDecoder, can_overload
from metercap.meter.decode import build_decoder
from metercap.meter.description import AttributeDriver, LineDriver
from metercap.meter.frame import FrameDecoder
from metercap.meter.line import LineDecoder
from metercap.meter.reply import Answer, Asked, ReplyDecoder
from metercap.model import Reading, Refusal, Status

if TYPE_CHECKING:
    from metercap.meter.decode import Decoder
    from metercap.meter.description import Driver, Example
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
    shown = {example.reading.function for example in driver.example}
    problems += [
        f"function[{index}]: found no example for {row.name!r}, expected at least one"
        for index, row in enumerate(driver.function)
        if row.name not in shown
    ]
    if _can_overload(driver) and all(
        Status(example.reading.status) is not Status.OVER for example in driver.example
    ):
        problems.append("example: found no overload, expected at least one with status 'over'")
    return problems


def example_bytes(driver: Driver, example: Example) -> bytes:
    """The notification of an example; a line gets its terminator."""
    if example.hex is not None:
        return bytes.fromhex(example.hex)
    end = bytes.fromhex(driver.line.terminator) if isinstance(driver, LineDriver) else b""
    return (example.text or "").encode() + end


def expected_reading(driver: Driver, example: Example) -> Reading:
    """The reading that an example states; range and accuracy come from its function row."""
    said = example.reading
    row = next(row for row in driver.function if row.name == said.function)
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
    data, expected = example_bytes(driver, example), expected_reading(driver, example)
    outcomes, rest = decode_example(decoder, example, data)
    if rest or len(outcomes) != 1:
        return f"found {len(outcomes)} readings and {len(rest)} bytes over, expected one reading"
    found = outcomes[0]
    if isinstance(found, Refusal):
        return f"refused: {found.reason}"
    if found != expected:
        key = next(key for key in Reading._fields if getattr(found, key) != getattr(expected, key))
        return f"reading.{key}: found {getattr(found, key)!r}, expected {getattr(expected, key)!r}"
    try:
        again = decoder.encode(found)
    except MetercapError as fault:
        return f"cannot be encoded: {fault}"
    if isinstance(decoder, FrameDecoder | LineDecoder):
        same = decoder.is_same(again, data)
    else:
        same = again == data
    return None if same else f"encodes to {again.hex()}, expected {data.hex()}"


def _can_overload(driver: Driver) -> bool:
    """Whether the description has a way to say "over"; the integers of 0x2904 have none of it."""
    if isinstance(driver, AttributeDriver):
        return any(can_overload(table) for table in (driver.attribute, *driver.also))
    return True
