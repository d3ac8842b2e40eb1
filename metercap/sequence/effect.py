"""What the sequence answers: what it waits for, how a step is coming on, and what it claims.

Claims are journalled, and must come out again when the same entries are derived anew. The rest is
for the eyes and ears of the person, and is never stored.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from metercap.model import Reading


class Signal(StrEnum):
    """What the readings are doing, as far as the step at hand is concerned."""

    PROBES_OFF = "probes off"
    TOUCH_FIRST = "touch probes first"
    LATE = "late or doubled"
    WRONG_FUNCTION = "wrong function"
    TRAVELLING = "valves may move"
    FROZEN = "display frozen"
    NO_VALUE = "no value"
    OPEN = "open circuit"
    LOW_RANGE = "range too low"
    RANGING = "range changing"
    BOUNCE = "contact bounces"
    SETTLING = "settling"
    STEADY = "steady"
    LOGGING = "logging"
    TAKEN = "taken"
    NO_LINK = "no link"


class Ask(NamedTuple):
    """The sequence waits for something.

    `what` is "act", "measure" (`options`, for a log, holds what ends it early), "observe", "enter"
    (a value that is read elsewhere), "choose" (`id` is the failed step, `options` what may follow)
    or "close" (nothing is left to do).
    """

    what: str
    id: str
    options: tuple[str, ...] = ()


class Progress(NamedTuple):
    """How the measured step at hand is coming on; `held_ns` of `dwell_ns` are full."""

    step: str
    signal: Signal
    note: str
    reading: Reading | None
    held_ns: int
    dwell_ns: int


class Claim(NamedTuple):
    """Something concluded, as JSON values; `claim` says of what kind, `cause` from which entry."""

    body: dict[str, object]


Effect = Ask | Progress | Claim
