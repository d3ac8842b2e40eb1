"""Two drivers described once more, in construct, and compared over random displays and bytes.

Source: the package construct 2.10.70, an independent parser with checksums and bit fields of its
own. The seven-segment layout is written here again from the comment in the driver file, in
construct's own order of bits (highest first), and spelled by its own table.
"""

from __future__ import annotations

from operator import xor

import construct
import pytest
from bench.decode import read_by_construct
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import readings, shipped

from metercap.meter.decode import build_decoder
from metercap.model import Reading, Refusal, Status

COUNT = build_decoder(shipped("bench-count"))
SEGMENTS = build_decoder(shipped("bench-segments"))


@given(reading=readings("bench-count"))
def test_construct_reads_what_the_count_meter_shows(reading: Reading) -> None:
    assert read_by_construct(COUNT.encode(reading)) == reading


@given(data=st.binary(min_size=11, max_size=13))
def test_construct_refuses_the_bytes_that_the_count_meter_refuses(data: bytes) -> None:
    (outcome,), _ = COUNT.decode(data)

    assert isinstance(read_by_construct(data), Refusal) == isinstance(outcome, Refusal)


BITS = [
    # byte 2, highest bit first, and so on
    "-", "dc", "ac", "minus", "d1", "e1", "f1", "a1",
    "d2", "e2", "f2", "a2", "p1", "c1", "g1", "b1",
    "d3", "e3", "f3", "a3", "p2", "c2", "g2", "b2",
    "d4", "e4", "f4", "a4", "p3", "c3", "g3", "b3",
    "milli", "ohm", "amp", "volt", "-", "c4", "g4", "b4",
    "battery", "relative", "hold", "r600", "r60", "r6", "mega", "kilo",
    *"--------",
]  # fmt: skip
KEY = bytes.fromhex("37C15E089BE4721DA64F")


def sum_of(data: bytes) -> int:
    return sum(data) % 256


GLASS = construct.ProcessXor(
    KEY,
    construct.Struct(
        "body"
        / construct.RawCopy(
            construct.Struct(
                construct.Const(b"\x5a\x96"),
                "bits"
                / construct.BitStruct(
                    *(construct.Padding(1) if n == "-" else n / construct.Flag for n in BITS)
                ),
            )
        ),
        "sum" / construct.Checksum(construct.Int8ul, sum_of, construct.this.body.data),
    ),
)
# Lit segments a to g, in letters; this glass draws the 7 with its upper left stroke.
SHAPES = {
    "abcdef": "0", "bc": "1", "abdeg": "2", "abcdg": "3", "bcfg": "4", "acdfg": "5",
    "acdefg": "6", "abcf": "7", "abcdefg": "8", "abcdfg": "9", "def": "L", "g": "-", "": " ",
}  # fmt: skip
ROWS = {
    "ohms-60": "ohm r60",
    "ohms-600": "ohm r600",
    "kilohms-6": "ohm kilo r6",
    "kilohms-60": "ohm kilo r60",
    "kilohms-600": "ohm kilo r600",
    "megohms-6": "ohm mega r6",
    "megohms-60": "ohm mega r60",
    "volts-ac": "volt ac r600",
    "volts-dc-60": "volt dc r60",
    "volts-dc-600": "volt dc r600",
    "millivolts-dc": "milli volt dc r600",
    "milliamps-dc": "milli amp dc r60",
    "amps-ac": "amp ac r6",
}
FUNCTION_FLAGS = ("volt", "amp", "ohm", "milli", "kilo", "mega", "ac", "dc", "r6", "r60", "r600")


def read_glass(data: bytes) -> tuple[str, str, set[str]]:
    """What is lit on the glass: function, text with sign and point, marks."""
    bits = GLASS.parse(data).body.value.bits
    text = "-" if bits.minus else ""
    for digit in "1234":
        text += SHAPES["".join(s for s in "abcdefg" if bits[s + digit])]
        if digit != "4" and bits["p" + digit]:
            text += "."
    lit = {name for name in FUNCTION_FLAGS if bits[name]}
    row = next(row for row, flags in ROWS.items() if set(flags.split()) == lit)
    marks = {"hold": bits.hold, "relative": bits.relative, "low battery": bits.battery}
    return row, text.replace(" ", ""), {mark for mark, on in marks.items() if on}


@given(reading=readings("bench-segments"))
def test_construct_sees_on_the_glass_what_the_segment_meter_shows(reading: Reading) -> None:
    row, text, marks = read_glass(SEGMENTS.encode(reading))

    assert row == reading.function
    assert marks == set(reading.marks)
    assert (
        text
        == {
            Status.OK: reading.value,
            Status.OVER: "0L",
            Status.UNDER: "-0L",
            Status.INVALID: "----",
            Status.BLANK: "",
        }[reading.status]
    )


@given(data=st.data())
def test_frames_built_by_construct_are_read_alike(data: st.DataObject) -> None:
    lit = data.draw(st.sets(st.sampled_from([n for n in BITS if n != "-"])))
    body = b"\x5a\x96" + construct.BitStruct(
        *(construct.Padding(1) if n == "-" else n / construct.Flag for n in BITS)
    ).build({n: n in lit for n in BITS if n != "-"})
    frame = bytes(map(xor, body + bytes([sum_of(body)]), KEY))
    (outcome,), _ = SEGMENTS.decode(frame)
    try:
        row, text, marks = read_glass(frame)
    except (KeyError, StopIteration):
        assert isinstance(outcome, Refusal)
        return
    if isinstance(outcome, Reading):
        assert (row, marks) == (outcome.function, set(outcome.marks))
        assert outcome.status is not Status.OK or text == outcome.value


@pytest.mark.parametrize("size", range(10))
def test_construct_refuses_a_cut_frame_too(size: int) -> None:
    frame = bytes.fromhex(shipped("bench-segments").example[0].hex)[:size]
    (outcome,), _ = SEGMENTS.decode(frame)

    assert isinstance(outcome, Refusal)
    with pytest.raises(construct.ConstructError):
        GLASS.parse(frame)
