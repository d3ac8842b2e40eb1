"""Circuit states a second: a whole walk solved again and again, and every net with one fault.

A walk of a net seen before re-uses its plan; a net with a fault is planned and walked from scratch.
"""

from __future__ import annotations

import timeit
from pathlib import Path

from metercap.procedure import circuit
from metercap.procedure import net as nets
from metercap.procedure.circuit import solve
from metercap.procedure.net import Net, parse_net, with_open

NETS = Path(nets.__file__).parent / "nets"
ROUNDS, WALKS = 5, 100


def _walk(net: Net) -> int:
    memory = None
    for row in net.walk:
        memory = solve(net, dict(row.inputs), memory).positions
    return len(net.walk)


def _faults(net: Net) -> list[Net]:
    """The net with each of its wires and contacts open in turn."""
    return [with_open(net, part.name) for part in (*net.wires, *net.contacts)]


def _rate(states: int, seconds: float) -> str:
    return f"{states / seconds:,.0f} states per second"


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    found = []
    for path in sorted(NETS.glob("*.toml")):
        text = path.read_text("utf-8")
        net = parse_net(text, path.name)
        seconds = min(timeit.repeat(lambda net=net: _walk(net), number=WALKS, repeat=ROUNDS))
        found.append((f"circuit, {net.id}", _rate(len(net.walk) * WALKS, seconds)))
    net = parse_net((NETS / "mid-position-valve.toml").read_text("utf-8"), "")

    def every_fault() -> int:
        circuit._plan.cache_clear()
        return sum(_walk(one) for one in _faults(net))

    states = every_fault()
    seconds = min(timeit.repeat(every_fault, number=1, repeat=ROUNDS))
    label = f"circuit, {states // len(net.walk)} faults of {net.id}, from scratch"
    found.append((label, f"{_rate(states, seconds)} ({seconds * 1000:.0f} ms for all)"))
    return found


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:64} {measured}")
