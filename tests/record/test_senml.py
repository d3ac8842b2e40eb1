"""Readings as SenML; the rules are those of RFC 8428."""

from __future__ import annotations

import json
import re
from typing import Any

from metercap.record import senml

AT = "2026-11-25T10:00:00.250000Z"


def row(value: str | None, unit: str, quantity: str, **more: str) -> dict[str, object]:
    shown = {} if value is None else {"value": value}
    head = {"phenomenonTime": AT, "quantity": quantity, "unit": unit, "meter": "clamp"}
    return {**head, "status": "ok" if shown else "over", **shown, **more}


def packed(*rows: dict[str, object]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(senml.pack(rows, "demo/recorder@1", 7))
    return found


def test_amounts_are_numbers_in_the_units_of_the_standard() -> None:
    _, ohms, volts, share = packed(
        row("1.20", "kOhm", "resistance"),
        row("230.1", "V", "voltage", coupling="ac"),
        row("55.0", "%", "duty"),
    )
    assert ohms == {"n": "clamp/resistance", "u": "Ohm", "t": 1795600800.25, "v": 1200.0}
    assert (volts["n"], volts["u"], volts["v"]) == ("clamp/voltage/ac", "V", 230.1)
    assert (share["u"], share["v"]) == ("/", 0.55)


def test_what_is_no_number_is_left_out_and_counted() -> None:
    (note,) = packed(
        row(None, "Ohm", "resistance"),
        row("20.1", "[psi]", "unheard of"),
        row("1", "V", "voltage") | {"phenomenonTime": None},
    )
    assert note["vs"] == (
        "digits as displayed are lost here; left out: 1 over, 2 without a unit or a time in SenML"
    )


def test_names_hold_only_what_names_may() -> None:
    """RFC 8428 4.5.1: letters, digits and -:./_ and a letter or digit first."""
    note, reading = packed(row("1", "Hz", "frequency", channel="second display"))
    name = note["bn"] + reading["n"]
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", name)
    assert name == "demo/recorder-1:job-7:clamp/frequency/second-display"
