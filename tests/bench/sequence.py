"""Events a second through a walk, beside a bare loop over the same events.

Two streams: a whole visit to a spur, every act and reading of it, with its claims; and readings
alone, a voltage that creeps and never settles, four a second, so that no claim is ever drawn.
"""

from __future__ import annotations

import itertools
import time
import timeit
from decimal import Decimal
from pathlib import Path

from metercap import shelf
from metercap.model import NS_PER_S, Accuracy, Instant, Reading, Status
from metercap.procedure.description import Procedure, join, parse_procedure
from metercap.sequence import rehearse
from metercap.sequence.event import Begun, Event, Measured
from metercap.sequence.walk import Walk

ROUNDS = 7
PERSON = rehearse._PERSON
CREEPING = """
id = "creeping"
title = "A voltage that never stands still"
version = "1"
[[step]]
id = "volts"
title = "t"
do = "d"
say = "s"
source = "this benchmark"
quantity = "voltage"
mode = "ac"
expect = { between = ["216.2 V", "253.0 V"] }
start = "begin"
time_out = "9000 h"
"""


def _visit() -> tuple[Procedure, list[Event]]:
    """The example of a whole visit, its readings wandering by a digit as readings do."""
    own, whole = shelf.load_procedure(Path("/nonexistent"), "spur-visit")
    events: list[Event] = []
    last_digit = itertools.cycle((0, 1, 0, 0, 1, 1, 0, 1, 0, 0, 0))
    played = rehearse._Rehearsal(whole)
    feed = played._walk.feed

    def keep(event: Event) -> list[object]:
        if isinstance(event, Measured) and (value := event.reading.value):
            value = f"{value[:-1]}{min(9, int(value[-1]) + next(last_digit))}"
            event = event._replace(reading=event.reading._replace(value=value))
        events.append(event)
        return feed(event)

    played._walk.feed = keep  # type: ignore[method-assign, assignment]
    for told in own.example[0].events:
        played.play(told)
    if played._walk.asked.what != "close":
        raise AssertionError(played._walk.asked)
    return whole, events


def _creeping() -> tuple[Procedure, list[Event]]:
    procedure = join(parse_procedure(CREEPING, "creeping"), {}, "creeping")
    accuracy = Accuracy(Decimal("0.9"), Decimal(2))
    shown = [
        Reading("voltage", f"{220 + n / 10:.1f}", "V", Status.OK, "ac", "volts", "600.0", accuracy)
        for n in range(150)
    ]
    ats = [Instant(n * NS_PER_S // 4, n * NS_PER_S // 4, "boot", synced=True) for n in range(5001)]
    readings = (Measured(at, n, "meter", shown[n % 150]) for n, at in enumerate(ats[1:], 2))
    return procedure, [Begun(ats[0], 1, PERSON, "volts"), *readings]


def _walked(procedure: Procedure, events: list[Event]) -> int:
    walk = Walk(procedure, PERSON)
    effects = len(walk.start())
    for event in events:
        effects += len(walk.feed(event))
    return effects


def _looped(events: list[Event]) -> int:
    """The same loop, without a walk: what the events cost to go through."""
    effects = 0
    for event in events:
        effects += len(event)
    return effects


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    found = []
    for name, (procedure, events) in (("a visit", _visit()), ("readings alone", _creeping())):
        times = max(1, 20_000 // len(events))

        def best(work: object, times: int = times) -> float:
            return (
                min(timeit.repeat(work, timer=time.process_time, number=times, repeat=ROUNDS))
                / times
            )  # type: ignore[arg-type]

        walked = best(lambda p=procedure, e=events: _walked(p, e))
        looped = best(lambda e=events: _looped(e))
        rate = f"{len(events) / walked:,.0f} events per second"
        found.append((f"sequence, {name}", f"{rate} ({walked / looped:.0f} bare loops)"))
    return found


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:64} {measured}")
