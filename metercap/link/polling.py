"""What to ask a meter and when, one query at a time: notifications and times in, queries out.

It holds no connection, reads no clock and hands out no reading: it looks at an answer only to know
whether the meter and it are in step. Times are seconds on one clock that never goes back.

A query that was not answered in time may be answered yet, and a number says not whose answer it
is. So the next thing asked is then who the meter is: a meter answers in the order in which it was
asked, and whatever comes before those four fields is late. That is asked once and waited for, or
the connection ends: of two such answers under way, the first would not show where the second is,
nor what comes between them. A driver without that query has one
query for readings only. There a late answer would still be what the probes touched some time ago,
taken for what they touch now: so a time-out, and any line that is no answer, ends the connection,
and what was under way with it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from metercap.errors import LinkLost, LinkSilent
from metercap.meter.reply import Answer, Asked, ReplyDecoder
from metercap.model import NS_PER_S

if TYPE_CHECKING:
    from metercap.meter.description import LineDriver, Poll

# Our choice: a second line or a repeated notification that follows an answer comes within a few
# connection intervals (7.5 to 50 ms are common practice), so it is seen before the next query.
GAP_S = 0.1
MARK_TIMES = 3  # our choice: time-outs that a meter has to say who it is before the link is ended
MOST_ERRORS = 10  # our choice: entries of an error queue that are asked for in a row


class Polling:
    """The asking of one connection; begin each connection with a new one.

    Ask `due` for what to write whenever `wake_s` has come or something was heard.
    """

    def __init__(self, driver: LineDriver, poll: Poll) -> None:
        self._decoder = ReplyDecoder(driver, poll)
        self._end = bytes.fromhex(poll.terminator or driver.line.terminator)
        self._line_end = bytes.fromhex(driver.line.terminator)
        self._queries = poll.queries
        self._identify = poll.identify
        self._error_query = poll.error_query
        self._every_s = poll.every_ns / NS_PER_S
        self._time_out_s = poll.time_out_ns / NS_PER_S
        self._quiet_s = GAP_S if poll.identify is not None else self._time_out_s
        self._asked: Asked | None = None
        self._deadline_s = 0.0
        self._next_s = 0.0  # the earliest time for any query
        self._turn_s = 0.0  # the earliest time for one that asks for a reading
        self._number = 0
        self._turn = 0
        self._errors = 0
        self._in_step = poll.identify is None
        # Whether the last notification ended no line: the tail of it would read as a number.
        self._is_cut = False
        # Whether an answer may be under way, and nothing can tell where it ends.
        self._is_astray = False
        self._pending = b""

    @property
    def wake_s(self) -> float:
        """When there may be something to do, if nothing is heard before."""
        if self._asked is not None:
            return self._deadline_s
        if not self._in_step or (self._errors and self._error_query):
            return self._next_s
        return max(self._next_s, self._turn_s)

    def due(self, now_s: float) -> bytes | None:
        """What to write now, its terminator included; None where it is not yet time.

        Raises LinkError where meter and asker cannot be brought into step again.
        """
        if now_s < self.wake_s:
            return None
        if self._asked is not None:
            self._give_up(self._asked.query, now_s)
            if now_s < self.wake_s:
                return None
        query = self._choose(now_s)
        self._number += 1
        self._asked = Asked(self._number, 0, query)
        self._deadline_s = now_s + self._limit_s(query)
        return query.encode("ascii") + self._end

    def sent(self, now_s: float) -> None:
        """Count the time-out from now, when the last part of the query has been written."""
        if self._asked is not None:
            self._deadline_s = now_s + self._limit_s(self._asked.query)

    def heard(self, data: bytes, now_s: float) -> str:
        """Take one notification; what the meter was being asked, or "" for nothing."""
        self._is_cut = not data.endswith(self._line_end)
        if self._asked is None:
            self._pending = self._decoder.take(None, data, self._pending).pending
            self._in_step = False
            self._next_s = now_s + self._quiet_s
            return ""
        asked = self._asked = self._asked._replace(piece=self._asked.piece + 1)
        _, self._pending, answer = self._decoder.take(asked, data, self._pending)
        if answer is not Answer.OPEN:
            self._end_query(asked.query, answer, now_s)
        return asked.text

    def _limit_s(self, query: str) -> float:
        return self._time_out_s * (MARK_TIMES if query == self._identify else 1)

    def _choose(self, now_s: float) -> str:
        if not self._in_step:
            if self._identify is not None:
                return self._identify
            if self._is_astray:
                raise LinkLost("the meter sent what is no answer, and its answer may yet come")
            if self._is_cut:
                raise LinkSilent("the meter stopped in the middle of a line that nobody asked for")
            self._in_step = True
        if self._errors and self._error_query is not None:
            return self._error_query
        query = self._queries[self._turn % len(self._queries)]
        self._turn += 1
        self._turn_s = now_s + self._every_s
        return query

    def _give_up(self, query: str, now_s: float) -> None:
        """Take an answer for late from now on."""
        if self._identify is None or query == self._identify:
            raise LinkSilent(f"the meter did not answer {query} within {self._limit_s(query):g} s")
        if query == self._error_query:
            self._error_query = None  # it knows none, and would cost a time-out each time
        self._end_query(query, Answer.BAD, now_s)

    def _end_query(self, query: str, answer: Answer, now_s: float) -> None:
        self._asked = None
        self._next_s = now_s + GAP_S
        if answer is Answer.BAD:
            self._in_step, self._is_astray = False, self._identify is None
            # The meter's own word on what went wrong, once it can be understood again.
            if query != self._identify:
                self._errors = 0 if query == self._error_query else MOST_ERRORS
        elif answer is Answer.ERROR:
            self._errors -= 1
        elif query == self._identify:
            self._in_step = True
        elif query == self._error_query:
            self._errors = 0
