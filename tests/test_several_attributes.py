"""A meter of several attributes: what a step wants counts, the rest is passed over."""

from __future__ import annotations

import pytest
from meter.test_attribute_several import OWN, PANEL
from sequence.jobs import PERSON, at, pin
from sequence.walking import written

from metercap.derive import Derivation
from metercap.journal.entry import Entry
from metercap.meter.adopted import uuid_of
from metercap.meter.description import driver_to_json, parse_driver
from metercap.model import NS_PER_S
from metercap.procedure.description import procedure_to_json
from metercap.sequence.effect import Progress, Signal

VOLTS, AMPERES = uuid_of(0x2B18), uuid_of(0x2AEE)
TURN = ((VOLTS, "8039"), (AMPERES, "e803"), (OWN, "0a09"))
STEP = """
id = "one"
title = "One"
version = "1"
[[step]]
id = "one"
title = "One"
do = "Measure."
say = "Measure."
source = "a test"
start = "begin"
settle = { window = "8 s", slowest = "2.5 s" }
"""
WANTED = {
    "main": 'quantity = "voltage"\nmode = "ac"\nexpect = { above = "207 V" }\n',
    "clamp": 'channel = "clamp"\nquantity = "current"\nmode = "ac"\nexpect = { below = "13 A" }\n',
}


@pytest.mark.parametrize("channel", WANTED)
def test_each_step_settles_on_its_own_attribute(channel: str) -> None:
    procedure = procedure_to_json(written(STEP + WANTED[channel]))
    driver = driver_to_json(parse_driver(PANEL, "panel"))
    opening = {
        "who": PERSON,
        "where": "the bench",
        "procedure": pin("one", procedure),
        "drivers": [pin("panel", driver)],
        "meters": [{"name": "meter", "address": "00:00:00:00:00:01", "driver": "panel"}],
        "practice": False,
        "software": "test",
    }
    bodies: list[tuple[str, dict[str, object]]] = [
        ("job.open", opening),
        ("definition", {"what": "procedure", "id": "one", "definition": procedure}),
        ("definition", {"what": "driver", "id": "panel", "definition": driver}),
        ("begin", {"by": PERSON, "step": "one"}),
    ]
    for number, (source, raw) in enumerate(TURN * 30, 1):
        frame = {"meter": "meter", "source": source, "session": 1, "number": number, "raw": raw}
        bodies.append(("frame", frame))
    derivation, signals = Derivation(), set()
    for n, (kind, body) in enumerate(bodies, 1):
        effects = derivation.feed(Entry(n, 1, n, kind, at(NS_PER_S + n * NS_PER_S // 3), body))
        signals |= {effect.signal for effect in effects if isinstance(effect, Progress)}
    (attempt,) = [body for body in derivation.claims if body["claim"] == "attempt"]
    assert attempt["verdict"] == "pass"
    assert Signal.WRONG_FUNCTION not in signals
