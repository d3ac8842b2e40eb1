"""Lines of ASCII text, in however many notifications, to readings and back."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from metercap.errors import DisplayError
from metercap.meter import scpi
from metercap.model import Outcome, Reading, Refusal, Status

if TYPE_CHECKING:
    from metercap.meter.description import LineDriver, LineFunction

_NUMBER = re.compile(r"[-+]?[0-9]{1,8}(?:\.[0-9]{1,8})?", re.ASCII)
_SUFFIXED = re.compile(r"(.+?) ?([A-Z]+)")
_MOST_SHOWN = 40  # characters of a bad line that a refusal quotes


class LineDecoder:
    """Reads and writes the lines that a line driver describes."""

    def __init__(self, driver: LineDriver) -> None:
        line = driver.line
        self._rows = driver.function
        self._end = bytes.fromhex(line.terminator)
        self._longest = line.longest
        self._length = line.length
        self._always = line.sign == "always"
        self._width = line.width
        self._suffixes = scpi.SUFFIXES if line.suffixes is not None else {}
        self._is_scpi = driver.poll is not None or line.suffixes is not None
        self._specials = line.specials
        self._texts = {status: text for text, status in line.specials.items()}

    def decode(self, data: bytes, pending: bytes = b"") -> tuple[tuple[Outcome, ...], bytes]:
        """Read the lines that `data` ends; see `metercap.meter.decode.Decoder`.

        A line longer than the longest is refused once, as soon as it is, and dropped up to its
        terminator. While it is being dropped, `pending` holds filler that can form no line.
        """
        dropping = len(pending) > self._longest + len(self._end) - 1
        *ended, rest = (pending + data).split(self._end)
        outcomes: list[Outcome] = [self._read(line) for line in ended[dropping:]]
        dropping = dropping and not ended
        if len(rest) <= self._longest + len(self._end) - 1:
            return tuple(outcomes), rest
        if not dropping:
            outcomes.append(self._too_long())
        # The last byte may be the first half of the terminator.
        tail = rest[-1:] if len(self._end) > 1 and rest[-1:] == self._end[:1] else b""
        return tuple(outcomes), bytes(self._longest + len(self._end)) + tail

    def _too_long(self) -> Refusal:
        return Refusal(f"line: found more than {self._longest} bytes, expected its terminator")

    def _read(self, line: bytes) -> Outcome:
        if len(line) > self._longest:
            return self._too_long()
        text = line.decode("latin-1")
        shown = ascii(text[:_MOST_SHOWN])
        if self._length is not None and len(line) != self._length:
            kind = "cut" if len(line) < self._length else "too long"
            return Refusal(f"{kind}: found {len(line)} bytes {shown}, expected {self._length}")
        fits = [(row, middle) for row in self._rows if (middle := _between(text, row)) is not None]
        readings = [reading for row, middle in fits if (reading := self._read_value(row, middle))]
        if len(readings) == 1:
            return readings[0]
        if readings:
            names = " and ".join(reading.function for reading in readings)
            return Refusal(f"line: found {shown}, which {names} both fit")
        wanted = f"a number for {fits[0][0].name}" if fits else "the texts of a function"
        return Refusal(f"unknown pattern: found line {shown}, expected {wanted}")

    def _read_value(self, row: LineFunction, middle: str) -> Reading | None:
        if self._suffixes:
            match = _SUFFIXED.fullmatch(middle)
            if match is None or self._suffixes.get(match[2]) != row.unit:
                return None
            middle = match[1]
        if self._width:
            if len(middle) != self._width:
                return None
            middle = middle.lstrip(" ")
            if not middle:
                return row.reading(None, Status.BLANK)
        if middle in self._specials:
            return row.reading(None, self._specials[middle])
        number = self._read_number(middle)
        return None if number is None else row.reading(number.value, number.status)

    def _read_number(self, text: str) -> scpi.Number | None:
        if self._always and text[:1] not in {"+", "-"}:
            return None
        if self._is_scpi:
            try:
                return scpi.parse_number(text)
            except ValueError:
                return None
        if _NUMBER.fullmatch(text) is None or (text[0] == "+" and not self._always):
            return None
        return scpi.Number(Status.OK, text.removeprefix("+"))

    def encode(self, reading: Reading) -> bytes:
        """Write the line, with terminator, that shows `reading`; raises DisplayError."""
        row = self._row(reading)
        if reading.status is Status.OK:
            middle = reading.value or ""
            if self._always and not middle.startswith("-"):
                middle = f"+{middle}"
        elif reading.status is Status.BLANK:
            middle = ""
        else:
            middle = self._texts.get(reading.status, "")
            if not middle and self._is_scpi and reading.status in scpi.SPECIALS:
                middle = scpi.SPECIALS[reading.status]
        suffix = next((text for text, unit in self._suffixes.items() if unit == row.unit), None)
        after = row.after if suffix is None else f" {suffix}"
        line = f"{row.before}{middle.rjust(self._width)}{after}"
        data = line.encode("ascii", "replace") + self._end
        if self.decode(data) != ((reading,), b""):
            raise DisplayError(f"{row.name}: found {reading}, which no line here shows")
        return data

    def _row(self, reading: Reading) -> LineFunction:
        row = next((r for r in self._rows if r.name == reading.function), None)
        if row is None:
            known = " ".join(r.name for r in self._rows)
            raise DisplayError(f"function: found {reading.function!r}, expected one of {known}")
        return row

    def is_same(self, one: bytes, other: bytes) -> bool:
        """Whether two lines that say the same reading may both be sent for it.

        IEEE 488.2 writes a number in three ways, which no reading determines.
        """
        return self._is_scpi or one == other


def _between(text: str, row: LineFunction) -> str | None:
    """What stands between the row's two texts; None where they are not there."""
    if len(text) < len(row.before) + len(row.after):
        return None
    if not (text.startswith(row.before) and text.endswith(row.after)):
        return None
    return text[len(row.before) : len(text) - len(row.after)]
