"""What a person typed beside each frame to labels; what the frames mean is not looked at here."""

from __future__ import annotations

import csv
import re
import unicodedata
from typing import NamedTuple

from metercap.errors import DriverError
from metercap.meter.description import MOST_FRAME_BYTES
from metercap.model import Status

MOST_SAMPLES = 1000  # a person types some tens; what is more is a capture, not labels
_MOST_CHARACTERS = 2 * 1024 * 1024


class Label(NamedTuple):
    """What the display said: digits as typed, or a status in their place; unit in UCUM."""

    status: Status
    value: str | None
    quantity: str
    unit: str
    coupling: str | None

    @property
    def function(self) -> tuple[str, str, str | None]:
        """What selects a row of the function table."""
        return self.quantity, self.unit, self.coupling

    @property
    def digits(self) -> str:
        """The digits without sign and point; empty where no number was shown."""
        return (self.value or "").lstrip("-").replace(".", "")

    @property
    def places(self) -> int:
        """Digits after the point."""
        return len((self.value or "").partition(".")[2])

    @property
    def is_negative(self) -> bool:
        """Whether a minus was shown."""
        return (self.value or "").startswith("-")


class Sample(NamedTuple):
    """A frame and what the display said when it came; `line` is its place in the file."""

    line: int
    frame: bytes
    label: Label


# Base unit as typed, in lower case -> quantity, UCUM code.
_BASES = {
    "v": ("voltage", "V"),
    "volt": ("voltage", "V"),
    "volts": ("voltage", "V"),
    "a": ("current", "A"),
    "amp": ("current", "A"),
    "amps": ("current", "A"),
    "ohm": ("resistance", "Ohm"),
    "ohms": ("resistance", "Ohm"),
    "s": ("conductance", "S"),
    "f": ("capacitance", "F"),
    "hz": ("frequency", "Hz"),
    "w": ("power", "W"),
    "va": ("apparent power", "V.A"),
    "wh": ("energy", "W.h"),
}
_ALONE = {
    "c": ("temperature", "Cel"),
    "cel": ("temperature", "Cel"),
    "degc": ("temperature", "Cel"),
    "degf": ("temperature", "[degF]"),
    "[degf]": ("temperature", "[degF]"),
    "%": ("duty", "%"),
    "pf": ("capacitance", "pF"),
    "rpm": ("rotational speed", "{rev}/min"),
}
# What no hand meter shows (megavolts, megaamperes, microhertz ...) is a prefix in the wrong case.
_LARGE = {"Ohm", "Hz", "W", "V.A", "W.h"}
_COUPLINGS = ("ac", "dc")
_NUMBER = re.compile(r"([-+]?)([0-9]{1,8}(?:\.[0-9]{1,8})?)(.*)", re.ASCII)
_OVER = re.compile(
    r"([-+]?)(?:[0O]\.?L\.?|\.[0O]L|over(?:load)?)(?![A-Za-z])(.*)", re.IGNORECASE | re.ASCII
)
_HEX = re.compile(r"[0-9A-Fa-f]{2}([ :-]?[0-9A-Fa-f]{2})*", re.ASCII)
_SAME = str.maketrans({"\u2212": "-", "\u00b5": "u", "\u03bc": "u", "\u03a9": "Ohm"})


def parse_samples(text: str, where: str) -> list[Sample]:
    """Read a file of labelled frames: a heading `hex,shown`, then one pair a line.

    Raises DriverError with one line: `where`, the line's number, what was found and expected.
    """
    if len(text) > _MOST_CHARACTERS:
        raise DriverError(
            f"{where}: found {len(text)} characters, expected at most {_MOST_CHARACTERS}"
        )
    rows = csv.reader(text.removeprefix("\ufeff").splitlines(), skipinitialspace=True)
    samples: list[Sample] = []
    headed = False
    try:
        for row in rows:
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            place = f"{where}: line {rows.line_num}"
            if not headed:
                if [cell.lower() for cell in cells] != ["hex", "shown"]:
                    raise DriverError(f"{place}: found {row!r}, expected the heading hex,shown")
                headed = True
                continue
            samples.append(_sample(cells, rows.line_num, place))
            if len(samples) > MOST_SAMPLES:
                raise DriverError(f"{place}: expected at most {MOST_SAMPLES} labelled frames")
    except csv.Error as fault:
        raise DriverError(f"{where}: line {rows.line_num}: {fault}") from fault
    if not samples:
        raise DriverError(f"{where}: found no labelled frames, expected hex,shown and pairs of it")
    return samples


def _sample(cells: list[str], line: int, place: str) -> Sample:
    if len(cells) != 2:  # noqa: PLR2004  the two columns
        raise DriverError(f"{place}: found {len(cells)} cells, expected two: hex,shown")
    if _HEX.fullmatch(cells[0]) is None:
        raise DriverError(f"{place}: hex: found {cells[0][:40]!r}, expected pairs of hex digits")
    frame = bytes.fromhex(re.sub("[ :-]", "", cells[0]))
    if len(frame) > MOST_FRAME_BYTES:
        raise DriverError(
            f"{place}: hex: found {len(frame)} bytes, expected at most {MOST_FRAME_BYTES}"
        )
    try:
        label = parse_label(cells[1])
    except ValueError as fault:
        raise DriverError(f"{place}: shown: {fault}") from fault
    return Sample(line, frame, label)


def parse_label(shown: str) -> Label:
    """Read what a display said, as a person types it: "230.1 V AC", "-0.004 mV dc", "OL MOhm".

    Raises ValueError, saying what was found and expected.
    """
    text = unicodedata.normalize("NFKC", shown.translate(_SAME)).translate(_SAME).strip()
    over = _OVER.fullmatch(text)
    if over is not None:
        sign, unit = over[1], over[2]
        status, value = (Status.UNDER if sign == "-" else Status.OVER), None
    else:
        number = _NUMBER.fullmatch(text)
        if number is None:
            raise ValueError(f"found {shown!r}, expected a number or OL, and a unit")
        sign, unit = number[1], number[3]
        status, value = Status.OK, f"{sign}{number[2]}".removeprefix("+")
    quantity, code, coupling = _parse_unit(unit, shown)
    return Label(status, value, quantity, code, coupling)


def _parse_unit(text: str, shown: str) -> tuple[str, str, str | None]:
    bare = re.sub(r"[\s()]+", "", text).replace("\u00b0", "deg").replace("~", "ac")
    coupling = None
    for word in _COUPLINGS:
        if bare.lower().endswith(word) and bare.lower() != word:
            coupling, bare = word, bare[:-2]
        elif bare.lower().startswith(word) and bare.lower() != word:
            coupling, bare = word, bare[2:]
    if bare.lower() in _ALONE:
        return (*_ALONE[bare.lower()], coupling)
    if bare == "K":
        return "temperature", "K", coupling
    prefix, base = "", bare.lower()
    if base not in _BASES:
        prefix, base = bare[:1], bare[1:].lower()
    if base not in _BASES or prefix not in {*"nuUmkKMN", ""}:
        raise ValueError(f"found {shown!r}, expected a unit such as V AC, mV DC, kOhm, uF, Hz")
    quantity, unit = _BASES[base]
    prefix = {"U": "u", "K": "k", "N": "n"}.get(prefix, prefix)
    if prefix == "M" and unit not in _LARGE:
        prefix = "m"
    if prefix == "m" and unit == "Hz":
        prefix = "M"
    return quantity, prefix + unit, coupling
