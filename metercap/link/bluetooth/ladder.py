"""Attempts that brought no frame in, the next thing to try out; it does none of it.

Each rung costs more than the one below: another attempt, which scans and connects anew; letting the
service forget the meter; switching the adapter off and on, where the person allowed that and nobody
else is linked through it; and at last a person's hands.
"""

from __future__ import annotations

from enum import Enum

FORGET_AT = 2  # our choice: once may be chance
CYCLE_AT = 4  # our choice: two more attempts with nothing remembered
TELL_AT = 6
# A meter that shows no list of services to anybody is forgotten again, but seldom.
FORGET_EVERY = 8

HANDS = (
    "it has stayed so for several attempts: switch the meter off and on, then restart Bluetooth "
    "(systemctl restart bluetooth), then pull the adapter out and plug it in"
)


class Rung(Enum):
    """What to do before the next attempt."""

    AGAIN = "nothing"
    FORGET = "let the service forget the meter"
    CYCLE = "switch the adapter off and on"


class Ladder:
    """How far one meter has come, in attempts without a frame."""

    def __init__(self) -> None:
        self._tries = 0

    @property
    def is_at_its_end(self) -> bool:
        """Whether a person has to be told that there is nothing left to try."""
        return self._tries >= TELL_AT

    def stood(self) -> None:
        """A frame came: begin at the bottom the next time."""
        self._tries = 0

    def fell(self, *, found: bool, stale: bool) -> Rung:
        """Count an attempt without a frame.

        `found` says whether the service named the meter at all, `stale` whether what it holds of it
        cannot be right: then once is enough.
        """
        self._tries += 1
        if found and self._tries % FORGET_EVERY == (1 if stale else FORGET_AT):
            return Rung.FORGET
        return Rung.CYCLE if self._tries == CYCLE_AT else Rung.AGAIN
