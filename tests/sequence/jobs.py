"""A visit as journal drafts: what a recorder with a shipped driver writes, without the claims."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequence.walking import NOWHERE, PERSON, QUARTER_NS, Visit, library

from metercap import shelf
from metercap.derive import derive
from metercap.journal import canonical
from metercap.journal.entry import Draft, Entry
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_to_json
from metercap.model import NS_PER_S, Instant
from metercap.procedure.description import procedure_to_json
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Entered,
    Limited,
    Linked,
    Measured,
    Observed,
    Restarted,
    TakenOver,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from metercap.procedure.description import Procedure
    from metercap.sequence.event import Event

METER = "meter"
DRIVER = shelf.load_driver(NOWHERE, "bench-segments")
SPUR = library("spur-visit")
CODER = build_decoder(DRIVER)
RAW = {
    text: CODER.encode(
        next(row for row in DRIVER.function if row.name == function).reading(value, *status)
    )
    for text, function, value, *status in (
        ("OL MOhm", "megohms-60", None, "over"),
        ("0.28 Ohm", "ohms-60", "0.28"),
        ("0.35 Ohm", "ohms-60", "0.35"),
        ("2.31 Ohm", "ohms-60", "2.31"),
        ("0.2 V", "volts-ac", "0.2"),
        ("243.1 V", "volts-ac", "243.1"),
    )
}


def pin(name: str, definition: dict[str, object]) -> dict[str, str]:
    return {"id": name, "sha256": canonical.digest(canonical.dumps(definition))}


def opening(procedure: Procedure = SPUR) -> list[tuple[str, dict[str, object]]]:
    """job.open and what it fixes."""
    whole, driver = procedure_to_json(procedure), driver_to_json(DRIVER)
    return [
        (
            "job.open",
            {
                "who": PERSON,
                "where": "12 Mill Lane",
                "procedure": pin(procedure.id, whole),
                "drivers": [pin(DRIVER.id, driver)],
                "meters": [{"name": METER, "address": "00:00:00:00:00:01", "driver": DRIVER.id}],
                "practice": False,
                "software": "test",
            },
        ),
        ("definition", {"what": "procedure", "id": procedure.id, "definition": whole}),
        ("definition", {"what": "driver", "id": DRIVER.id, "definition": driver}),
    ]


def at(ns: int, boot: str = "boot-a") -> Instant:
    return Instant(1_795_000_000_000_000_000 + ns, ns, boot, synced=True)


def entries(
    bodies: Iterable[tuple[str, dict[str, object]]], job: int = 1, step_ns: int = QUARTER_NS
) -> list[Entry]:
    """Entries of one job at a steady pace, without a file."""
    return [
        Entry(n, job, n, kind, at(NS_PER_S + n * step_ns), body)
        for n, (kind, body) in enumerate(bodies, 1)
    ]


def frame(number: int, text: str, session: int = 1) -> tuple[str, dict[str, object]]:
    return (
        "frame",
        {
            "meter": METER,
            "source": DRIVER.link.notify,
            "session": session,
            "number": number,
            "raw": RAW[text].hex(),
        },
    )


def link(session: int = 1, *, up: bool = True) -> tuple[str, dict[str, object]]:
    return "link", {"meter": METER, "session": session, "up": up, "reason": "test", "facts": {}}


def act(name: str, answers: dict[str, str]) -> tuple[str, dict[str, object]]:
    return "act", {"by": PERSON, "act": name, "answers": answers}


class _Teller(Visit):
    """A visit that keeps what happened as journal bodies."""

    def __init__(self, procedure: Procedure) -> None:
        super().__init__(procedure)
        self.bodies: list[tuple[str, dict[str, object], Instant]] = []
        self.number = 0

    def feed(self, event: Event) -> list[object]:  # type: ignore[override]
        match event:
            case Measured(reading=shown):
                self.number += 1
                value = shown.value or "OL"
                kind, body = frame(self.number, f"{value} {shown.unit}")
            case Declared():
                kind, body = act(event.act, dict(event.answers))
            case Begun(step=step):
                kind, body = "begin", {"by": event.by, "step": step}
            case Observed(step=step, answer=answer) | Entered(step=step, said=answer):
                kind, body = "observe", {"by": event.by, "step": step, "answer": answer}
            case Chosen(what=what):
                kind, body = "choose", {"by": event.by, "what": what}
            case Limited():
                kind = "limit"
                body = {
                    "by": event.by,
                    "step": event.step,
                    "reason": event.reason,
                    "agreed": event.agreed_with,
                }
            case TakenOver(by=by):
                kind, body = "operator", {"by": by}
            case Restarted():
                kind, body = "restart", {}
            case Linked(up=up):
                kind, body = link(up=up)
            case _:
                raise AssertionError(event)
        self.bodies.append((kind, body, event.at))
        return super().feed(event)  # type: ignore[return-value]


def visit(procedure: Procedure = SPUR) -> _Teller:
    """A visit that has not begun."""
    return _Teller(procedure)


def drafts(told: _Teller, job: int = 1) -> list[Draft]:
    """The whole visit as drafts: opening, definitions, and what happened."""
    head = [Draft(job, kind, at(NS_PER_S), body) for kind, body in opening(told.procedure)]
    return head + [
        Draft(job, kind, when._replace(utc_ns=at(when.boot_ns).utc_ns), body)
        for kind, body, when in told.bodies
    ]


def claims_of(written: Iterable[Entry]) -> list[dict[str, object]]:
    return derive(written).claims
