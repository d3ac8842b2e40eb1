"""Answers of a meter that is asked, in however many notifications, to readings and back.

An answer is a bare number, so whose number it is comes from what was asked and from nothing else.
Therefore every notification is kept together with what the meter was being asked when it came
(`Asked`, written into the frame's `source`), and not only the queries in the order in which they
were sent: a frame or a query missing from a journal then costs an answer, and never makes one that
of another query. Nothing is sent here, and no time is known.
"""

from __future__ import annotations

import re
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import DisplayError
from metercap.meter import scpi
from metercap.meter.line import LineDecoder
from metercap.model import Outcome, Reading, Refusal

if TYPE_CHECKING:
    from metercap.meter.description import Driver, LineDriver, Poll

_ASKED = re.compile(r"([1-9][0-9]{0,9})\.([1-9][0-9]{0,4}) ([!-~][ -~]{0,63})")
_PENDING = re.compile(rb"([0-9]{1,10})\.([0-9]{1,5})([?!])(.*)", re.DOTALL)
_MOST_SHOWN = 40  # characters of a bad answer that a refusal quotes


class Asked(NamedTuple):
    """What a meter was being asked when a notification came.

    `number` counts the queries of this connection, `piece` the notifications since the query; both
    begin with 1.
    """

    number: int
    piece: int
    query: str

    @property
    def text(self) -> str:
        """As it stands in a frame's `source`, after the characteristic and a space."""
        return f"{self.number}.{self.piece} {self.query}"


def find_asked(source: str) -> Asked | None:
    """Read what was asked from a frame's `source`; None where nothing was, or the text is odd."""
    match = _ASKED.fullmatch(source.partition(" ")[2])
    return None if match is None else Asked(int(match[1]), int(match[2]), match[3])


def split_query(driver: Driver, line: str, number: int) -> tuple[str, str]:
    """Split "QUERY REST" into a frame's source and the rest; the source is "" without a query."""
    poll = getattr(driver, "poll", None)
    for query in () if poll is None else (*poll.queries, poll.identify, poll.error_query):
        if query is not None and line.startswith(f"{query} "):
            return f"- {Asked(number, 1, query).text}", line[len(query) :].strip(" ")
    return "", line


class Answer(Enum):
    """How far a notification brought the answer to what was asked."""

    OPEN = "not ended"
    GOOD = "ended, and of the sort that was asked for"
    ERROR = "ended: an entry of the error queue, which may hold more"
    BAD = "not an answer to what was asked"


class Taken(NamedTuple):
    """What one notification says, what the next call must be given, and how far the answer is."""

    outcomes: tuple[Outcome, ...]
    pending: bytes
    answer: Answer


class _Place(NamedTuple):
    """Where the decoder stands: the last query heard of, its pieces, whether it is done with."""

    number: int = 0
    piece: int = 0
    done: bool = True
    rest: bytes = b""

    @property
    def pending(self) -> bytes:
        return b"%d.%d%c" % (self.number, self.piece, b"?!"[self.done]) + self.rest


def _place(pending: bytes) -> _Place:
    match = _PENDING.fullmatch(pending)
    if match is None:
        return _Place()
    return _Place(int(match[1]), int(match[2]), match[3] == b"!", match[4])


class ReplyDecoder(LineDecoder):
    """Reads and writes the answers that a line driver with `poll` describes."""

    def __init__(self, driver: LineDriver, poll: Poll) -> None:
        super().__init__(driver)
        self._queries = {row.query: row for row in driver.function}
        self._identify = poll.identify
        self._error_query = poll.error_query
        self._most = self._longest + len(self._end) - 1

    def take(self, asked: Asked | None, data: bytes, pending: bytes = b"") -> Taken:
        """Read one notification that came while the meter was being asked `asked`, or nothing.

        Never raises. An answer is one line, whole, and begun after the query was sent: a part that
        is missing, a second line and a line that nobody asked for are refused. `pending` belongs to
        one connection, as for `metercap.meter.decode.Decoder`.
        """
        before = _place(pending)
        if asked is None:
            reason = f"unasked: found {_shown(data)}, expected nothing before the next query"
            return Taken((Refusal(reason),), before._replace(rest=b"").pending, Answer.BAD)
        place = before
        outcomes: list[Outcome] = []
        if asked.number < before.number:
            return Taken((_late(data),), before.pending, Answer.BAD)
        if asked.number > before.number:
            place = _Place(asked.number, 0, done=False)
            # A query of which no notification is known was not answered, if the one before it is.
            missed = asked.number - before.number - before.done
            if before.number and missed:
                queries = "query" if missed == 1 else f"{missed} queries"
                outcomes.append(Refusal(f"no answer in time to the {queries} before this"))
        place = place._replace(piece=place.piece + 1)
        if asked.piece != place.piece and not place.done:
            reason = f"cut: found piece {asked.piece} of an answer, expected piece {place.piece}"
            outcomes.append(Refusal(reason))
            gone = place._replace(done=True, rest=b"", piece=asked.piece)
            return Taken(tuple(outcomes), gone.pending, Answer.BAD)
        if place.done:
            reason = f"line: found {_shown(data)} after the answer to {asked.query}, expected one"
            outcomes.append(Refusal(reason))
            return Taken(tuple(outcomes), place._replace(rest=b"").pending, Answer.BAD)
        return self._take_piece(asked.query, data, place, outcomes)

    def _take_piece(self, query: str, data: bytes, place: _Place, outcomes: list[Outcome]) -> Taken:
        *lines, rest = (place.rest + data).split(self._end)
        answer = Answer.OPEN
        for line in lines:
            if answer is not Answer.OPEN:
                reason = f"line: found {_shown(line)} after the answer to {query}, expected one"
                outcomes.append(Refusal(reason))
                answer = Answer.BAD
                continue
            outcome, answer = self._answer(query, line)
            if outcome is not None:
                outcomes.append(outcome)
        if answer is not Answer.OPEN and rest:
            reason = f"line: found {_shown(rest)} after the answer to {query}, expected its end"
            outcomes.append(Refusal(reason))
            answer, rest = Answer.BAD, b""
        if len(rest) > self._most:
            outcomes.append(self._too_long())
            # What is waited for may still come after it, where who it is is asked.
            answer = Answer.OPEN if query == self._identify else Answer.BAD
            rest = b""
        place = place._replace(done=answer is not Answer.OPEN, rest=rest)
        return Taken(tuple(outcomes), place.pending, answer)

    def _answer(self, query: str, line: bytes) -> tuple[Outcome | None, Answer]:
        """Read one whole line as the answer to `query`."""
        text = line.decode("latin-1").strip(" ")
        if query == self._identify:
            if scpi.find_identity(text) is None:
                return _late(line), Answer.OPEN
            return None, Answer.GOOD
        if query == self._error_query:
            error = scpi.find_error(text)
            if error is None:
                reason = f'unknown pattern: found {_shown(line)}, expected an error, 0,"No error"'
                return Refusal(reason), Answer.BAD
            if error[0] == 0:
                return None, Answer.GOOD
            return Refusal(f"the meter reports error {error[0]}: {error[1]}"), Answer.ERROR
        outcome = self.read_answer(query, line)
        return outcome, Answer.GOOD if isinstance(outcome, Reading) else Answer.BAD

    def read_answer(self, query: str, line: bytes) -> Outcome:
        """Read one whole line, without its end, as the number that `query` asked for."""
        row = self._queries.get(query)
        if row is None:
            return Refusal(f"query: found {query!a}, expected one that the driver asks")
        if len(line) > self._longest:
            return self._too_long()
        reading = self._read_value(row, line.decode("latin-1").strip(" "))
        if reading is None:
            return Refusal(
                f"unknown pattern: found {_shown(line)}, expected a number and nothing else "
                f"for {row.name}"
            )
        return reading

    def _read(self, line: bytes) -> Outcome:
        """Read a line of which nobody knows what was asked: plain where only one thing ever is."""
        if len(self._queries) == 1:
            return self.read_answer(next(iter(self._queries)) or "", line)
        return Refusal(f"line: found {_shown(line)}, and nothing says what was asked")

    def encode(self, reading: Reading) -> bytes:
        """Write the answer, with terminator, that shows `reading`; raises DisplayError."""
        row = self._row(reading)
        text = self._texts.get(reading.status)
        try:
            line = text or scpi.number_text(reading.status, reading.value)
        except ValueError as error:
            raise DisplayError(f"{row.name}: {error}") from error
        data = line.encode("ascii", "replace")
        if self.read_answer(row.query or "", data) != reading:
            raise DisplayError(f"{row.name}: found {reading}, which no answer here shows")
        return data + self._end

    def query_of(self, function: str) -> str:
        """What is asked for the row of that name."""
        return next(query or "" for query, row in self._queries.items() if row.name == function)


def _late(data: bytes) -> Refusal:
    return Refusal(f"late: found {_shown(data)}, expected an answer to what was asked last")


def _shown(data: bytes) -> str:
    return ascii(data[:_MOST_SHOWN].decode("latin-1"))
