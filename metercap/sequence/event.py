"""What happens on a visit, as values: readings, and what the person declares, sees or decides.

Each carries `at`, when it happened, and `seq`, the journal entry that holds it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from metercap.model import Instant, Reading


class Measured(NamedTuple):
    """The meter showed something. `fresh` is False for a frame that came late or twice.

    `beside` are the other channels of a meter that sends several by itself.
    """

    at: Instant
    seq: int
    meter: str
    reading: Reading
    fresh: bool = True
    beside: tuple[str, ...] = ()


class Garbled(NamedTuple):
    """The meter sent bytes that are not a reading; `beside` is as in `Measured`."""

    at: Instant
    seq: int
    meter: str
    reason: str
    beside: tuple[str, ...] = ()


class Linked(NamedTuple):
    """A connection to a meter began or ended."""

    at: Instant
    seq: int
    meter: str
    up: bool
    reason: str


class Declared(NamedTuple):
    """The person declares an act, with its answers."""

    at: Instant
    seq: int
    by: str
    act: str
    answers: Mapping[str, str]


class Begun(NamedTuple):
    """The person says that the probes are on the points of a step."""

    at: Instant
    seq: int
    by: str
    step: str


class Observed(NamedTuple):
    """The person answers what was seen."""

    at: Instant
    seq: int
    by: str
    step: str
    answer: str


class Entered(NamedTuple):
    """The person enters what another instrument shows; `said` is what `sequence.entered` takes."""

    at: Instant
    seq: int
    by: str
    step: str
    said: Mapping[str, str]


class Chosen(NamedTuple):
    """The person decides: "again", a repair, "finish the log", "finish" or "abandon"."""

    at: Instant
    seq: int
    by: str
    what: str


class Limited(NamedTuple):
    """A step will not be tested: the reason, and with whom that was agreed."""

    at: Instant
    seq: int
    by: str
    step: str
    reason: str
    agreed_with: str


class TakenOver(NamedTuple):
    """Another person takes over the work."""

    at: Instant
    seq: int
    by: str


class Restarted(NamedTuple):
    """The recorder started again in the middle of the job."""

    at: Instant
    seq: int


Event = (
    Measured
    | Garbled
    | Linked
    | Declared
    | Begun
    | Observed
    | Entered
    | Chosen
    | Limited
    | TakenOver
    | Restarted
)
