"""A reading and a step to whether the display itself is fit to count, wherever the probes are."""

from __future__ import annotations

from metercap import units
from metercap.meter.description import SAMPLED, SECOND
from metercap.model import Reading, Status
from metercap.procedure.description import Step
from metercap.sequence.effect import Signal

# Annunciators under which a display does not follow its probes, or not by itself.
FREEZING_MARKS = frozenset({"hold", "relative", "minimum", "maximum", "peak", "average"})
# What a display may show while its jacks or its switch make it a short or a source across volts.
_NO_VOLTS = frozenset({"current", "resistance", "capacitance", "conductance", "inductance"})
# Annunciators under which the digits themselves may be wrong, whatever the maker's accuracy says.
DOUBTFUL_MARKS = frozenset({"low battery"})


def find_unfit(step: Step, reading: Reading) -> tuple[Signal, str] | None:
    """What keeps a reading from counting at `step`, and in words; None where nothing does."""
    wrong = _mismatch(step, reading)
    if wrong:
        return Signal.WRONG_FUNCTION, wrong
    if reading.marks:
        marked = _find_marked(reading)
        if marked is not None:
            return marked
    if reading.status is not Status.OK and reading.status is not Status.OVER:
        return Signal.NO_VALUE, f"the display is {reading.status.value}"
    return None


def _find_marked(reading: Reading) -> tuple[Signal, str] | None:
    marks = FREEZING_MARKS.intersection(reading.marks)
    if marks:
        return Signal.FROZEN, f"the display is marked {', '.join(sorted(marks))}"
    marks = DOUBTFUL_MARKS.intersection(reading.marks)
    if marks:
        return Signal.NO_VALUE, f"the display is marked {', '.join(sorted(marks))}"
    if SAMPLED in reading.marks and reading.status is Status.OVER:
        # Where a sender's numbers end is no overload seen without a break.
        return Signal.NO_VALUE, f"the sender's numbers end at {reading.ceiling}"
    return None


def find_danger(step: Step, reading: Reading) -> str | None:
    """Why probes must not go onto live parts as the meter stands; None where nothing speaks so.

    This project's own choice: at a step that measures volts, amperes, ohms, capacitance and a held
    display.
    """
    if step.quantity != "voltage":
        return None
    if reading.quantity in _NO_VOLTS:
        return f"the meter is set to {reading.quantity}: keep off live parts, move switch and jack"
    held = FREEZING_MARKS.intersection(reading.marks) if reading.marks else None
    if held:
        shown = ", ".join(sorted(held))
        return f"the display is marked {shown}: keep off live parts, it may show what was"
    return None


def _mismatch(step: Step, reading: Reading) -> str:
    if (
        reading.quantity == step.quantity
        and reading.coupling == step.coupling
        and reading.channel == step.channel
        and units.is_allowed(reading.quantity, reading.unit)
    ):
        return ""
    shown = " ".join(filter(None, (reading.quantity, reading.coupling)))
    wanted = " ".join(filter(None, (step.quantity, step.coupling)))
    if step.channel == SECOND != reading.channel:
        wanted += " on a second display"
    return f"the meter shows {shown}, this step wants {wanted}"
