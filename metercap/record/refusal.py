"""The answers that a verification can end with, and the one that ends it early.

What they mean to the auditor is in their names; which exit code each has stands here too.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from metercap.errors import JournalError, RecordError

VALID = "VALID"
WITH_RESERVATIONS = "VALID_WITH_RESERVATIONS"
MALFORMED = "MALFORMED"
ALTERED = "ALTERED"
INCOMPLETE = "INCOMPLETE"
UNTRUSTED = "UNTRUSTED"
UNSIGNED = "UNSIGNED"
VERDICT_DIFFERS = "VERDICT_DIFFERS"

EXITS = {
    VALID: 0,
    WITH_RESERVATIONS: 1,
    MALFORMED: 3,
    ALTERED: 4,
    INCOMPLETE: 5,
    UNTRUSTED: 6,
    UNSIGNED: 7,
    VERDICT_DIFFERS: 8,
}
"""Exit code of each answer; a record that nobody signed cannot be told to be valid."""


class Refusal(Exception):
    """An answer about the record, on its way to the report; not an error of the program."""

    def __init__(self, check: str, status: str, *reasons: str) -> None:
        super().__init__(reasons[0])
        self.check = check
        self.status = status
        self.reasons = reasons


@contextmanager
def blame(check: str, status: str, place: str = "") -> Iterator[None]:
    """Turn an error about the record into an answer about it."""
    try:
        yield
    except (JournalError, RecordError) as error:
        raise Refusal(check, status, f"{place}{error}") from error
