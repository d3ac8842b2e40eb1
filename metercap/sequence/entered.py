"""A value read off another instrument, as a person enters it, to an outcome.

It takes what the person states and decides nothing about order. An entered value is never one that
was captured: its claim says `entered`, and from which instrument.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal

from metercap import units
from metercap.procedure.description import Limits, Step
from metercap.sequence import judge
from metercap.sequence.attempt import Outcome
from metercap.sequence.budget import Part, doubt_text, made
from metercap.sequence.judge import Verdict

WANTED = ("value", "instrument", "serial", "reason")
"""What must be stated: the amount (">" before it where the instrument's range ended), the name and
number of the instrument, and why no meter of the job captured it."""

MAY = ("at", "uncertainty")
"""`at`, the test voltage or current, where the step asks for it; the expanded uncertainty, k = 2,
where the instrument's papers give one."""

_BEYOND = re.compile(r">\s?")


def find_problem(step: Step, said: Mapping[str, str]) -> str | None:
    """Why this cannot be taken as the value of an entered step; None where it can."""
    at = step.entered.at if step.entered else None
    for key in (*WANTED, *(("at",) if at else ())):
        if not said.get(key, "").strip():
            return f"{key}: found nothing, expected it stated"
    for key in said:
        if key not in WANTED and (key not in MAY or (key == "at" and at is None)):
            return f"{key}: found an answer to a question that is not asked"
    amounts = {"value": _BEYOND.sub("", said["value"], count=1)}
    amounts |= {"uncertainty": said["uncertainty"]} if "uncertainty" in said else {}
    for key, text in amounts.items():
        problem = _find_misfit(step, text)
        if problem is not None:
            return f"{key}: {problem}"
    return _find_other_test(at, said["at"]) if at is not None else None


def _find_misfit(step: Step, text: str) -> str | None:
    try:
        number, unit = units.parse_amount(text)
    except ValueError as error:
        return str(error)
    if not units.is_allowed(step.quantity or "", unit):
        return f"found {text!r}, expected a {step.quantity}"
    if number < 0:
        return f"found {text!r}, expected nothing below zero"
    return None


def _find_other_test(wanted: str, stated: str) -> str | None:
    """Why a value taken at another voltage or current is no answer to this step."""
    amount, unit = units.parse_amount(wanted)
    try:
        found, own = units.parse_amount(stated)
        same = units.convert(found, own, unit) == amount
    except ValueError as error:
        return f"at: {error}"
    return None if same else f"at: found {stated!r}, expected {wanted!r}"


def judge_entered(step: Step, said: Mapping[str, str], limits: Limits | None) -> Outcome:
    """Judge a value without problem against the limits.

    Guarded with the stated uncertainty where there is one and the step is guarded, and by simple
    acceptance otherwise (ILAC-G8:09/2019 4.2.1).
    """
    if limits is None:
        raise AssertionError("an entered step without limits")
    text = _BEYOND.sub("", said["value"], count=1)
    number, unit = units.parse_amount(text)
    shown = text.split(" ")[0]
    low, high = (
        None if limit is None else units.convert(limit, limits.unit, unit)
        for limit in (limits.low, limits.high)
    )
    facts: dict[str, object] = {
        "unit": unit,
        "limit": {
            name: f"{limit:f} {limits.unit}"
            for name, limit in (("low", limits.low), ("high", limits.high))
            if limit is not None
        },
        "entered": {key: said[key] for key in (*WANTED[1:], "at") if key in said},
    }
    if text != said["value"]:
        return _judge_beyond(number, f">{shown}", low, high, facts)
    stated = said.get("uncertainty")
    parts: tuple[Part, ...] = ()
    if stated is not None:
        amount, own = units.parse_amount(stated)
        parts = (Part("as stated", units.convert(amount, own, unit) / 2),)
    exponent = number.as_tuple().exponent
    estimate = made(number, unit, parts, exponent if isinstance(exponent, int) else 0)
    is_guarded = step.rule == "guarded" and estimate.doubt > 0
    facts |= {"value": shown, "rule": "guarded" if is_guarded else "simple"}
    if estimate.doubt:
        facts |= {
            "standard": doubt_text(estimate.doubt),
            "expanded": estimate.expanded_text,
            "k": f"{estimate.factor:f}",
        }
    guard = estimate.expanded if is_guarded else Decimal(0)
    return Outcome(judge.verdict(number, guard, low, high), "", facts, estimate)


def _judge_beyond(
    top: Decimal,
    shown: str,
    low: Decimal | None,
    high: Decimal | None,
    facts: dict[str, object],
) -> Outcome:
    """The instrument's range ended at `top`: its value is more than that, and no number."""
    facts |= {"value": shown, "rule": "simple"}
    if high is None and low is not None and top >= low:
        return Outcome(Verdict.PASS, "", facts)
    if high is not None and top >= high:
        return Outcome(Verdict.FAIL, "", facts)
    return Outcome(Verdict.UNDECIDED, "its range ended before the limit", facts)
