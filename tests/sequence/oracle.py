"""What stands, told again from the claims alone: a second, slower reading of the same rules.

It shares no code with the walk. Each check says which claim stood without what it needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from metercap.procedure.description import Procedure

HOLDING = {"pass", "conditional pass"}


def floats(value: object, place: str = "claim") -> Iterator[str]:
    """Every place in a claim that holds a float."""
    if isinstance(value, float):
        yield place
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from floats(item, f"{place}.{key}")
    elif isinstance(value, (list, tuple)):
        for item in value:
            yield from floats(item, place)


def needs_in(procedure: Procedure) -> dict[str, set[str]]:
    """Act or step -> everything that must stand before it."""
    needs = {act.id: set(act.needs) for act in procedure.act}
    for step in procedure.step:
        needs[step.id] = set(step.needs)
        if step.subtract:
            needs[step.id].add(step.subtract)
        if step.expect and step.expect.near:
            needs[step.id].add(step.expect.near.step)
    return needs


def breaches(procedure: Procedure, claims: Iterable[dict[str, object]]) -> list[str]:
    """Every act and decided attempt in `claims` whose needs did not stand when it was claimed."""
    needs = needs_in(procedure)
    repairs = {act.id for act in procedure.act if act.offered_after}
    standing: set[str] = set()
    found = []
    for body in claims:
        match body["claim"]:
            case "act" if body["outcome"] == "stands":
                missing = needs[str(body["act"])] - standing
                found += [f"act {body['act']} without {name}" for name in sorted(missing)]
                if body["act"] not in repairs:
                    standing.add(str(body["act"]))
            case "attempt" if body["verdict"] != "undecided":
                missing = needs[str(body["step"])] - standing
                found += [f"step {body['step']} without {name}" for name in sorted(missing)]
                if body["verdict"] in HOLDING:
                    standing.add(str(body["step"]))
            case "void":
                standing -= set(body["what"])  # type: ignore[call-overload]
    return found
