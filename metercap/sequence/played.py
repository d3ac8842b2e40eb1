"""A procedure and a house to answers: what is declared, seen and shown there at each thing asked.

It stands in for person and probes in examples, tests and practice. It knows what is asked only, and
gives whatever no circuit decides as it ought to be. Nothing real is played with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from metercap import units
from metercap.model import NS_PER_S
from metercap.procedure import house
from metercap.procedure.circuit import InputMode
from metercap.procedure.description import Act, Limits, Procedure, Step
from metercap.procedure.house import House
from metercap.procedure.net import Fault, build_net, with_fault
from metercap.procedure.states import LIVE, NOT_LIVE

_LIFTED_NS = 2 * NS_PER_S
_SHARE = Decimal(1) / 3  # of a limit that has no other side


class Shown(NamedTuple):
    """An amount on the display in `unit`, None for an overload, for so long at least.

    With `says_on` the person says that the probes are on when it begins.
    """

    amount: Decimal | None
    unit: str
    ns: int
    says_on: bool = False


def answers_as_asked(act: Act, given: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """Answers with which `act` holds: the accepted ones, and those declared before."""
    answers = {}
    for question in act.ask:
        if question.same_as is not None:
            answers[question.field] = given.get(question.same_as, {}).get(question.field, "")
        elif question.amount is not None:
            answers[question.field] = f"1 {units.units_of(question.amount)[0]}"
        else:
            answers[question.field] = question.accepted[0] if question.accepted else "as seen"
    return answers


def read_elsewhere(step: Step) -> dict[str, str]:
    """What a person states with an entered value, but for the value itself."""
    said = {"instrument": "the tester at hand", "serial": "1", "reason": "no meter gives it"}
    if step.entered is not None and step.entered.at is not None:
        said["at"] = step.entered.at
    return said


class Played:
    """One house and one procedure. Raises ValueError for a fault that the net cannot have."""

    def __init__(self, procedure: Procedure, fault: Fault) -> None:
        self._procedure = procedure
        wiring = procedure.circuit.wiring if procedure.circuit else None
        self._house = House(with_fault(build_net(wiring), fault)) if wiring else None
        self._mode: InputMode = "high"
        self._given: dict[str, dict[str, str]] = {}
        supplies = procedure.circuit.supply if procedure.circuit else {}
        self._supply_of = {step: name for name, step in supplies.items()}

    def note(self, claim: Mapping[str, object]) -> None:
        """Take what has been claimed: an act that stands has moved controls or meter."""
        if claim.get("claim") != "act" or claim.get("outcome") != "stands":
            return
        act = self._procedure.find_act(str(claim["act"]))
        if act is None:
            return
        if act.state is not None and self._house is not None:
            self._house = house.set_controls(self._house, act.state)
        if act.input is not None:
            self._mode = act.input

    def answers(self, act: Act) -> dict[str, str]:
        """What the person declares with an act."""
        answers = answers_as_asked(act, self._given)
        self._given[act.id] = answers
        return answers

    def seen(self, step: Step) -> str:
        """What is seen at an observed step."""
        follows = step.follows
        if follows is None or self._house is None:
            return step.accept[0]
        if follows.motor is not None:
            return follows.answers[house.position(self._house, follows.motor)][0]
        is_live = house.is_live(self._house, follows.at or "", follows.to or "")
        return follows.answers[LIVE if is_live else NOT_LIVE][0]

    def shown(self, step: Step, limits: Limits | None) -> list[Shown]:
        """What the display does at a measured step; `limits` are those that it is held against."""
        last_ns = units.parse_duration_ns(step.time_out)
        if step.touch is not None:
            amount, unit = units.parse_amount(step.touch)
            before = [Shown(amount * _SHARE, unit, _LIFTED_NS)]
        elif step.start == "contact":
            unit = limits.unit if limits else "Ohm"
            before = [Shown(None, unit, _LIFTED_NS)]
        else:
            before = []
        amount_now, unit = self._amount(step, limits)
        return [*before, Shown(amount_now, unit, last_ns, says_on=step.start == "begin")]

    def _amount(self, step: Step, limits: Limits | None) -> tuple[Decimal | None, str]:
        wanted = step.expect.class_ if step.expect else None
        if wanted is not None and self._house is not None:
            return house.volts(self._house, wanted.at, wanted.to, self._mode), "V"
        if step.id in self._supply_of and self._house is not None:
            return house.supply_v(self._house, self._supply_of[step.id]), "V"
        if limits is None:
            return None, units.parse_amount(step.expect.top or "1 MOhm" if step.expect else "")[1]
        low, high = limits.low, limits.high
        if low is not None and high is not None:
            # A band that the supply lies in is about the supply: all its voltages fit together.
            supplies = self._supply_of.values() if self._house and limits.unit == "V" else ()
            volts = (house.supply_v(self._house, name) for name in supplies if self._house)
            found = next((one for one in volts if low <= one <= high), (low + high) / 2)
            return found, limits.unit
        return (high * _SHARE if high is not None else (low or Decimal(1)) * 3), limits.unit
