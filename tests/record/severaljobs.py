"""A recorder's log with several real jobs and its records: for the tests of the firm's archive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.verify import DRIVER, PROCEDURE
from record.signedjob import DEVICE

from metercap.derive import Derivation
from metercap.journal import canonical, entry, merkle, note
from metercap.journal.entry import Draft
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_to_json, parse_driver
from metercap.model import Instant
from metercap.procedure.description import parse_procedure, procedure_to_json
from metercap.record import seal, signing
from metercap.sequence.effect import Claim

if TYPE_CHECKING:
    from collections.abc import Iterable

    from metercap.record.seal import Sealer

_DRIVER = parse_driver(DRIVER.read_text("utf-8"), DRIVER.name)
_DEFINITIONS = {
    "procedure": ("bench", procedure_to_json(parse_procedure(PROCEDURE, "bench"))),
    "driver": (_DRIVER.id, driver_to_json(_DRIVER)),
}
WANDERING = tuple(f"0.{20 + number * 37 % 60}" for number in range(16))
"""Readings of which no dwell comes and twelve in a row are as good as a signature."""


def shifted(by: int, count: int = 16) -> tuple[str, ...]:
    """Other readings for each `by` below 60, which share no run of twelve."""
    return tuple(f"0.{20 + (by + number * (31 + by)) % 60}" for number in range(count))


class Log:
    """A log as it grows; `copy` is what a saved card holds."""

    def __init__(self, name: str = "pi-0007", sealer: Sealer = DEVICE) -> None:
        self.name, self.sealer = name, sealer
        self.rows: list[entry.Row] = []
        self.tip = merkle.EMPTY
        self.counts: dict[int, int] = {}
        self.closed: dict[int, tuple[int, int]] = {}

    def copy(self) -> Log:
        other = Log(self.name, self.sealer)
        other.rows, other.tip = list(self.rows), self.tip
        other.counts, other.closed = dict(self.counts), dict(self.closed)
        return other

    def put(self, job: int, kind: str, body: dict[str, object]) -> entry.Entry:
        seq = len(self.rows) + 1
        at = Instant(
            1_795_000_000_000_000_000 + seq * 500_000_000, seq * 500_000_000, "b", synced=True
        )
        self.counts[job] = self.counts.get(job, 0) + 1
        leaf = self.rows[-1].leaf if self.rows else entry.NO_LEAF
        draft = Draft(job, kind, at, body)
        self.rows.append(entry.write_row(self.name, seq, leaf, self.counts[job], draft))
        self.tip = merkle.add(self.tip, self.rows[-1].leaf)
        return entry.read_entry(self.rows[-1].head, self.rows[-1].body)

    def checkpoint(self) -> str:
        """Sign what the log is now, and write that into it as a recorder does."""
        text = note.checkpoint_text(self.name, self.tip)
        public = signing.certified_bytes(self.sealer.certificate)
        signed = note.sign_note(text, self.name, public, self.sealer.sign)
        self.put(0, "checkpoint", {"note": signed})
        return signed

    def visit(self, job: int, shown: Iterable[str] = WANDERING) -> list[str]:
        """Write one job, from its opening to its close; the checkpoints that were signed in it."""
        derivation = Derivation()
        first = self.closed[max(self.closed)][1] + 1 if self.closed else 1

        def put(kind: str, body: dict[str, object]) -> None:
            for effect in derivation.feed(self.put(job, kind, body)):
                if isinstance(effect, Claim):
                    self.put(job, entry.CLAIM, effect.body)

        pins = {
            what: {"id": name, "sha256": canonical.digest(canonical.dumps(value))}
            for what, (name, value) in _DEFINITIONS.items()
        }
        put("job.open", opening(pins, job))
        signed = [self.checkpoint()]
        for what, (name, value) in _DEFINITIONS.items():
            put("definition", {"what": what, "id": name, "definition": value})
        put("link", {"meter": "m", "session": 1, "up": True, "reason": "", "facts": {}})
        put("begin", {"by": "A. Person", "step": "earth"})
        encode = build_decoder(_DRIVER).encode
        row = next(row for row in _DRIVER.function if row.name == "ohms-fine")
        frames = [encode(row.reading(text)).hex() for text in shown]
        for number, raw in enumerate(frames, 1):
            put(
                "frame",
                {"meter": "m", "source": "ffb2", "session": 1, "number": number, "raw": raw},
            )
        signed.append(self.checkpoint())
        put("choose", {"by": "A. Person", "what": "finish"})
        claims = len(derivation.claims)
        put("job.close", {"frames": len(frames), "claims": claims, "reason": "finished"})
        self.closed[job] = first, len(self.rows)
        return [*signed, self.checkpoint()]

    def record(self, job: int) -> bytes:
        first, last = self.closed[job]
        before = merkle.EMPTY
        for row in self.rows[: first - 1]:
            before = merkle.add(before, row.leaf)
        return seal.seal(self.rows[first - 1 : last], job, "bench", before, self.sealer)


def opening(pins: dict[str, dict[str, str]], job: int) -> dict[str, object]:
    return {
        "who": "A. Person",
        "where": f"{job} Mill Lane",
        "procedure": pins["procedure"],
        "drivers": [pins["driver"]],
        "meters": [{"name": "m", "address": "00:00:00:00:00:01", "driver": _DRIVER.id}],
        "practice": False,
        "software": "bench",
    }
