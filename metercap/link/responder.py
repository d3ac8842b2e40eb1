"""Queries to the answers that a meter with `poll` gives to them, for the virtual meter.

It answers from readings that it is told to show, as SCPI-99 says, and measures nothing.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from metercap.meter.reply import ReplyDecoder
from metercap.model import Reading, Status

if TYPE_CHECKING:
    from metercap.meter.description import LineDriver, Poll

MOST_ERRORS = 8  # our choice; SCPI-99 volume 2, 21.8.1 asks for two or more
IDENTITY = "metercap,bench meter,{},0"
_UNDEFINED = '-113,"Undefined header"'
_OVERFLOW = '-350,"Queue overflow"'
_NO_ERROR = '0,"No error"'


class Responder:
    """The instrument behind the serial pipe: takes bytes in any pieces, gives the bytes it answers.

    `serial` is the third field of its identity. Before the first reading is shown, nothing has been
    measured: every answer is "not a number".
    """

    def __init__(self, driver: LineDriver, poll: Poll, serial: str) -> None:
        self._decoder = ReplyDecoder(driver, poll)
        self._query_end = bytes.fromhex(poll.terminator or driver.line.terminator)
        self._end = bytes.fromhex(driver.line.terminator)
        self._poll = poll
        self._identity = IDENTITY.format(serial)
        self._shown = {
            (row.query or "").upper(): self._decoder.encode(row.reading(None, Status.INVALID))
            for row in driver.function
        }
        self._errors: deque[str] = deque()
        self._buffer = b""

    def show(self, reading: Reading) -> None:
        """Answer the query of its function with `reading`; raises DisplayError where none can."""
        data = self._decoder.encode(reading)
        self._shown[self._decoder.query_of(reading.function).upper()] = data

    def reset(self) -> None:
        """Forget half a query, as at the end of a connection; errors stay."""
        self._buffer = b""

    def take(self, data: bytes) -> bytes:
        """Take written bytes; the answers to the queries that they end, one after another."""
        *lines, self._buffer = (self._buffer + data).split(self._query_end)
        return b"".join(self._answer(line.decode("latin-1").strip(" ")) for line in lines)

    def _answer(self, query: str) -> bytes:
        header = query.upper()
        if header in self._shown:
            return self._shown[header]
        if header == (self._poll.identify or "").upper() != "":
            return self._identity.encode() + self._end
        if header == (self._poll.error_query or "").upper() != "":
            return (self._errors.popleft() if self._errors else _NO_ERROR).encode() + self._end
        if query:
            self._errors.append(_UNDEFINED)
            if len(self._errors) > MOST_ERRORS:  # the newest gives way, the oldest stay
                self._errors.pop()
                self._errors[-1] = _OVERFLOW
        return b""
