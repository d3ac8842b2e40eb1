"""What the families of values share: the reading of a frame's number that was found, as data."""

from __future__ import annotations

from typing import NamedTuple

from metercap.model import Status


class ValueFit(NamedTuple):
    """Where the number stands, and how it is written in a driver file.

    `kept` is the column of samples whose label it agrees with; `claimed` its bits, `inverted` those
    of them that must be inverted first. `fields` are TOML lines, `value` the keys of that table.
    `shown` says, for each sample, what stands in the number's place: a text or a raw value.
    """

    family: str
    kept: int
    claimed: frozenset[int]
    inverted: frozenset[int]
    fields: tuple[str, ...]
    value: tuple[tuple[str, str], ...]
    shown: tuple[str | int | None, ...] = ()
    has_sign: bool = False  # the value itself says that it is negative
    has_point: bool = False  # and where its point is
    has_over: bool = False  # and, by the format's own special values, that there is none
    no_numbers: frozenset[int] = frozenset()  # samples where what is shown is surely no number
    unsure: frozenset[int] = frozenset()  # samples whose value may go on in bits not yet told
    untold: int = 0  # how many such bits there may be
    barred: int = 0  # column of samples that a first proposal did not read
    notes: tuple[str, ...] = ()
    next_states: tuple[str, ...] = ()

    def specials(self, statuses: dict[int, Status]) -> dict[Status, list[str | int]]:
        """Status -> what was shown for it, once each, for samples that show no number."""
        table: dict[Status, list[str | int]] = {}
        for index, status in statuses.items():
            shown = self.shown[index]
            if index in self.no_numbers and shown is not None:
                texts = table.setdefault(status, [])
                if shown not in texts:
                    texts.append(shown)
        return table
