"""The states of a circuit, as they are walked, to what each terminal must read now.

It keeps where the valves stand, so that the order of states counts. It judges no reading.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from metercap.procedure.circuit import (
    Class,
    InputMode,
    State,
    band,
    class_between,
    find_source,
    rules_for,
    solve,
    supply_of,
)
from metercap.procedure.description import Limits
from metercap.procedure.net import Net, Probe
from metercap.procedure.states import LIVE, NOT_LIVE, ClassAt, Follows

_LIVE = (Class.LIVE, Class.BACK_FED)


class Against(NamedTuple):
    """What one reading is held against, and what its claim says of that.

    With `asks_low` a value above the limits may be a ghost. `why_not_low` says why it cannot be
    read at low input impedance; empty where it can.
    """

    limits: Limits
    asks_low: bool
    why_not_low: str
    facts: dict[str, object]


class Wired:
    """One net on one visit."""

    def __init__(self, net: Net) -> None:
        self._net = net
        begin = (net.begin,) if net.begin else ()
        self._rows = {row.name: dict(row.inputs) for row in (*net.walk, *begin)}
        self._begin = net.begin.name if net.begin else None
        self._states: dict[str, State] = {}
        self._memory: dict[str, str] | None = None

    def enter(self, name: str) -> None:
        """Take it that the controls now stand as in that state, and the valves have followed."""
        memory = None if name == self._begin else self._memory
        state = solve(self._net, self._rows[name], memory)
        self._memory = dict(state.positions)
        self._states = {name: state}  # what an earlier state made of a terminal no longer holds

    def supply_of(self, wanted: ClassAt) -> str:
        """The name of the supply that a terminal is compared with."""
        return supply_of(self._net, Probe(wanted.at, wanted.to)).name

    def against(self, wanted: ClassAt, supply_v: Decimal, mode: InputMode) -> Against:
        """The limits for a terminal; raises KeyError for a state that is not the present one."""
        probe = Probe(wanted.at, wanted.to)
        found = class_between(self._states[wanted.state], *probe)
        supply = supply_of(self._net, probe)
        limits = band(found, supply_v, mode, supply.kind)
        forbidding = [rule for rule in rules_for(self._net, probe, found, "low") if rule.forbids]
        facts: dict[str, object] = {
            "state": wanted.state,
            "at": wanted.at,
            "to": wanted.to,
            "class": found.value,
            "supply": f"{supply_v:f} V",
            "input": mode,
        }
        return Against(
            Limits(limits.low_v or None, limits.high_v, "V"),
            limits.asks_low,
            forbidding[0].text if forbidding else "",
            facts,
        )

    def origin(self, wanted: ClassAt, high_v: Decimal, low_v: Decimal, supply_v: Decimal) -> str:
        """What a terminal is, by its volts at both inputs: "fed", "ghost", "diode" or "nought"."""
        kind = supply_of(self._net, Probe(wanted.at, wanted.to)).kind
        return find_source(high_v, low_v, supply_v, kind) or "nought"

    def accepted(self, follows: Follows) -> tuple[str, ...]:
        """The right answers to what is seen; raises KeyError as `against` does."""
        state = self._states[follows.state]
        if follows.motor is not None:
            return follows.answers[state.positions[follows.motor]]
        is_live = class_between(state, follows.at or "", follows.to or "") in _LIVE
        return follows.answers[LIVE if is_live else NOT_LIVE]
