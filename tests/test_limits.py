"""Every limit on what is read, at one below, at it, and at one above."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from procedure.test_procedure_file import GOOD
from sequence import jobs
from test_daemon import at_the_leads

from metercap import daemon as daemon_module
from metercap.errors import DriverError, ProcedureError
from metercap.meter import description as driver_file
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import parse_driver
from metercap.model import Reading, Refusal
from metercap.procedure import description as procedure_file
from metercap.procedure.description import (
    parse_procedure,
    procedure_from_json,
    procedure_to_json,
)

if TYPE_CHECKING:
    from metercap.model import Outcome

DRIVERS = Path(__file__).parents[1] / "drivers"
BESIDE = pytest.mark.parametrize("beside", [-1, 0, 1])

LONG = """
id = "long"
title = "A meter that sends a long frame"
version = "1"
kind = "frame"
[match]
name = "LONG"
[link]
notify = "5e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"
interval = "1 s"
[frame]
length = {length}
const = [{{ at = 0, hex = "{const}" }}]
[field.count]
type = "uint"
at = {at}
bytes = 2
[value]
count = "count"
[[function]]
name = "volts"
quantity = "voltage"
unit = "V"
coupling = "dc"
ceiling = "600.0"
decimals = 1
[[example]]
hex = "00"
reading = {{ function = "volts", quantity = "voltage", value = "1", unit = "V" }}
"""


def long_driver(length: int) -> str:
    return LONG.format(length=length, const="A5" * (length - 2), at=length - 2)


def filled(text: str, size: int) -> str:
    """The text as a file of that many bytes, the last of them one half of a letter's two."""
    tail = "\n#"
    room = size - len(text.encode()) - len(tail)
    whole = text + tail + "\u00e9" * (room // 2) + "x" * (room % 2)
    assert len(whole.encode()) == size
    return whole


def test_the_limits_are_those_that_are_documented() -> None:
    assert driver_file.MOST_FRAME_BYTES == 512
    assert driver_file.MOST_BYTES == 64 * 1024
    assert procedure_file.MOST_BYTES == 1024 * 1024
    assert procedure_file.MOST_STEPS == 5000
    assert daemon_module.MOST_WAITING == 10_000


@BESIDE
def test_a_frame_has_at_most_512_bytes(beside: int) -> None:
    length = 512 + beside
    if beside > 0:
        with pytest.raises(DriverError, match=r"frame.length: found 513"):
            parse_driver(long_driver(length), "x")
        return
    decoder = build_decoder(parse_driver(long_driver(length), "x"))
    (reading,), _ = decoder.decode(b"\xa5" * (length - 2) + b"\x2c\x01")
    assert isinstance(reading, Reading)
    assert reading.value == "30.0"


@BESIDE
def test_bytes_beside_a_frame_of_512_are_refused_with_their_number(beside: int) -> None:
    decoder = build_decoder(parse_driver(long_driver(512), "x"))
    data = b"\xa5" * 510 + b"\x2c\x01" + b"\0" * max(beside, 0)
    (outcome,), _ = decoder.decode(data[: 512 + beside])
    assert isinstance(outcome, Refusal) == bool(beside)
    if isinstance(outcome, Refusal):
        assert f"found {512 + beside} bytes, expected 512" in outcome.reason


@BESIDE
def test_a_driver_file_has_at_most_64_kib(beside: int) -> None:
    text = filled((DRIVERS / "bench-count.toml").read_text("utf-8"), 64 * 1024 + beside)
    if beside > 0:
        with pytest.raises(DriverError, match=r"^x: found 65537 bytes, expected at most 65536$"):
            parse_driver(text, "x")
    else:
        assert parse_driver(text, "x").id == "bench-count"


@BESIDE
def test_a_procedure_file_has_at_most_1_mib(beside: int) -> None:
    text = filled(GOOD, 1024 * 1024 + beside)
    if beside > 0:
        with pytest.raises(ProcedureError, match=r"^x: found 1048577 bytes, expected at most 1048"):
            parse_procedure(text, "x")
    else:
        assert parse_procedure(text, "x").id == "good"


@BESIDE
def test_a_procedure_has_at_most_5000_steps(beside: int) -> None:
    table = procedure_to_json(parse_procedure(GOOD, "x"))
    (*_, last) = table["step"]  # type: ignore[misc]
    table = {key: table[key] for key in ("id", "title", "version")}
    step = {key: last[key] for key in last if key not in {"needs", "after"}}
    table["step"] = [{**step, "id": f"s{number}"} for number in range(5000 + beside)]
    if beside > 0:
        with pytest.raises(ProcedureError, match="step: found 5001, expected at most 5000"):
            procedure_from_json(table, "x")
    else:
        assert len(procedure_from_json(table, "x").step) == 5000 + beside


def _free(text: bytes) -> tuple[Outcome, ...]:
    driver = parse_driver((DRIVERS / "bench-line.toml").read_text("utf-8"), "x")
    return build_decoder(driver).decode(text + b"\r\n")[0]


def _polled(text: bytes) -> tuple[Outcome, ...]:
    driver = parse_driver((DRIVERS / "bench-scpi.toml").read_text("utf-8"), "x")
    query = driver.function[0].query  # type: ignore[union-attr]
    return decode_frame(build_decoder(driver), f"- 1.1 {query}", text + b"\n")[0]


@BESIDE
def test_a_line_has_at_most_what_its_driver_says(beside: int) -> None:
    for name, read in (("bench-line", _free), ("bench-scpi", _polled)):
        longest = parse_driver((DRIVERS / f"{name}.toml").read_text("utf-8"), "x").line.longest  # type: ignore[union-attr]
        (outcome,) = read(b"x" * (longest + beside))
        assert isinstance(outcome, Refusal)
        assert (f"found more than {longest} bytes" in outcome.reason) == (beside > 0)


@BESIDE
def test_the_inbox_holds_10_000_and_counts_what_it_then_loses(beside: int) -> None:
    async def flood() -> tuple[int, list[object]]:
        desk = await at_the_leads()
        await desk.daemon.flush()
        before = len(desk.writer.of("frame"))
        desk.show("OL MOhm", (10_000 + beside) / 4)
        await desk.daemon.flush()
        lost = [found.body for found in desk.writer.of("loss")]
        return len(desk.writer.of("frame")) - before, lost

    kept, lost = asyncio.run(flood())
    assert kept == min(10_000 + beside, 10_000)
    assert lost == ([{"meter": jobs.METER, "count": 1}] if beside > 0 else [])
