"""Driver files inferred from 25 labels of random meters: how many read what was never labelled.

A layout is solved when 100 fresh displays of labelled functions and ranges are all read right. The
figure that must be zero is wrong numbers: a reading other than what was shown. Development seeds
were looked at while the search was written; held-out seeds were not. "told" labels are those of a
person who is told what to record next (every digit in every place, every range, both signs, three
overloads); "any" labels are random displays with two overloads. With "2 late", two labels are those
of the display before, and two more frames are of another kind.
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1]))

from meter.layouts import FAMILIES, Display, Meter

from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.meter.infer import infer, parse_samples
from metercap.model import Outcome, Reading, Status

LABELS, LATE, FRESH = 25, 2, 100
DEVELOPMENT, HELD_OUT = 0, 1_000_000
LAYOUTS = 100


class Grade(NamedTuple):
    """What one layout came to."""

    right: int
    refused: int
    wrong: int
    seconds: float

    @property
    def is_solved(self) -> bool:
        return self.right == FRESH


def grade(family: str, seed: int, *, guided: bool, late: int, labels: int = LABELS) -> Grade:
    """Infer one meter from its labels and read its fresh displays."""
    meter = Meter(family, seed)
    labelled = meter.labels(labels, guided=guided, wrong=late, others=late)
    text = "".join(f"{sample.frame.hex()},{sample.shown}\n" for sample in labelled)
    samples = parse_samples(f"hex,shown\n{text}", "samples.csv")
    started = time.perf_counter()
    inference = infer(samples, "bench")
    seconds = time.perf_counter() - started
    if inference.driver_text is None:
        return Grade(0, FRESH, 0, seconds)
    decoder = build_decoder(parse_driver(inference.driver_text, "bench"))
    right = wrong = 0
    for display in meter.fresh(FRESH, labelled):
        outcomes, _ = decoder.decode(meter.frame(display))
        right += is_right(outcomes, display)
        wrong += not is_right(outcomes, display) and isinstance(outcomes[0], Reading)
    return Grade(right, FRESH - right - wrong, wrong, seconds)


def is_right(outcomes: tuple[Outcome, ...], display: Display) -> bool:
    """Whether just what was shown was read."""
    if len(outcomes) != 1 or not isinstance(outcomes[0], Reading):
        return False
    found = outcomes[0]
    status = Status.OVER if display.count is None else Status.OK
    return (found.value, found.status, found.quantity, found.unit, found.coupling) == (
        display.value,
        status,
        *display.row.function,
    )


def table(
    first: int, layouts: int, *, guided: bool, late: int = LATE, labels: int = LABELS
) -> list[tuple[str, str]]:
    """One line for each family."""
    name = "held out" if first >= HELD_OUT else "development"
    lines = []
    for family in FAMILIES:
        grades = [
            grade(family, seed, guided=guided, late=late, labels=labels)
            for seed in range(first, first + layouts)
        ]
        solved = sum(each.is_solved for each in grades)
        none = sum(each.refused == FRESH for each in grades)
        label = (
            f"infer, {family}, {labels} {'told' if guided else 'any'} labels, {late} late, {name}"
        )
        measured = (
            f"{layouts} layouts: {100 * solved / layouts:.0f} % solved, "
            f"{layouts - solved - none} in part, {none} not; "
            f"{sum(each.wrong for each in grades)} wrong numbers; "
            f"{statistics.median(each.seconds for each in grades):.2f} s median, "
            f"{max(each.seconds for each in grades):.2f} s most"
        )
        lines.append((label, measured))
    return lines


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    return [
        *table(DEVELOPMENT, LAYOUTS, guided=True, late=0),
        *table(HELD_OUT, LAYOUTS, guided=True, late=0),
        *table(DEVELOPMENT, LAYOUTS, guided=True),
        *table(HELD_OUT, LAYOUTS, guided=True),
        *table(HELD_OUT, LAYOUTS, guided=False),
        *table(HELD_OUT, LAYOUTS // 4, guided=False, labels=12),
        *table(HELD_OUT, LAYOUTS // 4, guided=True, labels=40),
    ]


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:58} {measured}")
