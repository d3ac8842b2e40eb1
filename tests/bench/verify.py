"""Frames a second that `verify` checks and derives again, and that json and hashlib can read.

The record holds one long job with a measured step that never settles, so every frame is decoded
and goes all the way through the sequence. The baseline opens the same ZIP, reads each line with
json and hashes each line once; it decodes nothing and compares nothing.
"""

from __future__ import annotations

import hashlib
import io
import json
import timeit
import zipfile
from pathlib import Path

from metercap.derive import Derivation
from metercap.journal import canonical, entry
from metercap.journal.entry import Draft, Entry, Row
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_to_json, parse_driver
from metercap.model import Instant
from metercap.procedure.description import parse_procedure, procedure_to_json
from metercap.record.seal import seal
from metercap.record.verify import verify
from metercap.sequence.effect import Claim

DRIVER = Path(__file__).parents[2] / "drivers" / "bench-count.toml"
PROCEDURE = """
id = "bench"
title = "One step"
version = "1"
about = "For the benchmark."
[[step]]
id = "earth"
title = "Earth"
do = "Probe."
say = "Probe."
source = "none: a benchmark"
quantity = "resistance"
mode = "none"
expect = { below = "1 Ohm" }
start = "begin"
on_fail = "go-on"
"""
FRAMES, ROUNDS = 2000, 3


class _Recorder:
    """Appends to a log in memory what a recorder would append to its journal."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.derivation = Derivation()

    def put(self, kind: str, body: dict[str, object]) -> None:
        """Append an input and whatever it leads to."""
        for effect in self.derivation.feed(self._append(kind, body)):
            if isinstance(effect, Claim):
                self._append(entry.CLAIM, effect.body)

    def _append(self, kind: str, body: dict[str, object]) -> Entry:
        seq = len(self.rows) + 1
        ns = seq * 500_000_000
        at = Instant(1_795_000_000_000_000_000 + ns, ns, "boot", synced=True)
        leaf = self.rows[-1].leaf if self.rows else entry.NO_LEAF
        self.rows.append(entry.write_row("bench", seq, leaf, seq, Draft(1, kind, at, body)))
        return entry.read_entry(self.rows[-1].head, self.rows[-1].body)


def make_rows(frames: int) -> list[Row]:
    """The rows of a log that holds one job with so many frames."""
    driver = parse_driver(DRIVER.read_text("utf-8"), DRIVER.name)
    encode = build_decoder(driver).encode
    row = next(row for row in driver.function if row.name == "ohms-fine")
    definitions = {
        "procedure": ("bench", procedure_to_json(parse_procedure(PROCEDURE, "bench"))),
        "driver": (driver.id, driver_to_json(driver)),
    }
    pins = {
        what: {"id": name, "sha256": canonical.digest(canonical.dumps(value))}
        for what, (name, value) in definitions.items()
    }
    recorder = _Recorder()
    recorder.put(
        "job.open",
        {
            "who": "A. Person",
            "where": "12 Mill Lane",
            "procedure": pins["procedure"],
            "drivers": [pins["driver"]],
            "meters": [{"name": "m", "address": "00:00:00:00:00:01", "driver": driver.id}],
            "practice": False,
            "software": "bench",
        },
    )
    for what, (name, value) in definitions.items():
        recorder.put("definition", {"what": what, "id": name, "definition": value})
    recorder.put("link", {"meter": "m", "session": 1, "up": True, "reason": "", "facts": {}})
    recorder.put("begin", {"by": "A. Person", "step": "earth"})
    for number in range(1, frames + 1):
        # It wanders so that no window settles; every attempt runs to its end in time.
        shown = f"0.{10 + number * 37 % 80}"
        raw = encode(row.reading(shown))
        body = {"meter": "m", "source": "ffb2", "session": 1, "number": number, "raw": raw.hex()}
        recorder.put("frame", body)
        if number % 125 == 0:
            recorder.put("begin", {"by": "A. Person", "step": "earth"})
    recorder.put("choose", {"by": "A. Person", "what": "finish"})
    claims = len(recorder.derivation.claims)
    recorder.put("job.close", {"frames": frames, "claims": claims, "reason": "finished"})
    return recorder.rows


def _read_only(data: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            member = archive.read(name)
            hashlib.sha256(member).digest()
            if name.endswith(".jsonl"):
                for line in member.splitlines():
                    json.loads(line)
                    hashlib.sha256(line).digest()
            elif name.endswith(".json"):
                json.loads(member)


def rows() -> list[tuple[str, str]]:
    """Labels and measured texts."""
    data = seal(make_rows(FRAMES), 1, "bench")
    report = verify(data, "bench")
    if report.status != "UNSIGNED":
        raise AssertionError(f"the benchmark's record is {report.status}: {report.reasons[0]}")
    ours = min(timeit.repeat(lambda: verify(data, "bench"), number=1, repeat=ROUNDS))
    other = min(timeit.repeat(lambda: _read_only(data), number=1, repeat=ROUNDS))
    return [
        ("verify, check and derive again", f"{FRAMES / ours:.0f} frames/s"),
        (
            "verify, json and hashes alone",
            f"{FRAMES / other:.0f} frames/s (verify takes {ours / other:.1f} x as long)",
        ),
        ("record, bytes", f"{len(data) / FRAMES:.0f} per frame"),
    ]


if __name__ == "__main__":
    for label, measured in rows():
        print(f"{label:44} {measured}")
