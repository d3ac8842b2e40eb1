"""Jobs put together for reports: a procedure, what happens, and the members of the record of it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from bench.verify import DRIVER, _Recorder

from metercap.journal import canonical, entry, merkle
from metercap.journal.entry import Draft
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_to_json, parse_driver
from metercap.model import Instant
from metercap.procedure.description import parse_procedure, procedure_to_json
from metercap.record import seal
from metercap.record.wording import BREAK

if TYPE_CHECKING:
    from collections.abc import Sequence

WHO = "A. Person"
STEP = """
[[step]]
id = "earth"
title = "Earth at the spur"
do = "Probe."
say = "Probe."
source = "none: a test"
quantity = "resistance"
mode = "none"
expect = { below = "1 Ohm" }
start = "begin"
on_fail = "go-on"
"""
PROCEDURE = 'id = "bench"\ntitle = "One step"\nversion = "1"\nabout = "For tests."\n'


class Job(_Recorder):
    """A job that is recorded step by step; its entries are half a second apart."""

    def __init__(
        self,
        procedure: str = PROCEDURE + STEP,
        *,
        synced: bool = True,
        meter: dict[str, object] | None = None,
        **changes: object,
    ) -> None:
        super().__init__()
        self._synced = synced
        self.who = str(changes.get("who", WHO))
        driver = parse_driver(DRIVER.read_text("utf-8"), DRIVER.name)
        self._encode = build_decoder(driver).encode
        self._rows = {row.name: row for row in driver.function}
        self.number = 0
        definitions = {
            "procedure": ("bench", procedure_to_json(parse_procedure(procedure, "bench"))),
            "driver": (driver.id, driver_to_json(driver)),
        }
        pins: dict[str, object] = {
            what: {"id": name, "sha256": canonical.digest(canonical.dumps(value))}
            for what, (name, value) in definitions.items()
        }
        row = {"name": "m", "address": "00:00:00:00:00:01", "driver": driver.id}
        opening: dict[str, object] = {
            "who": WHO,
            "where": "12 Mill Lane",
            "procedure": pins["procedure"],
            "drivers": [pins["driver"]],
            "meters": [row | (meter or {})],
            "practice": False,
            "software": "bench",
        }
        self.put("job.open", opening | changes)
        for what, (name, value) in definitions.items():
            self.put("definition", {"what": what, "id": name, "definition": value})
        self.put("link", {"meter": "m", "session": 1, "up": True, "reason": "", "facts": {}})

    def _append(self, kind: str, body: dict[str, object]) -> entry.Entry:
        seq = len(self.rows) + 1
        ns = seq * 500_000_000
        at = Instant(1_795_000_000_000_000_000 + ns, ns, "boot", self._synced)
        leaf = self.rows[-1].leaf if self.rows else entry.NO_LEAF
        self.rows.append(entry.write_row("bench", seq, leaf, seq, Draft(1, kind, at, body)))
        return entry.read_entry(self.rows[-1].head, self.rows[-1].body)

    def tell(self, kind: str, **body: object) -> None:
        """Something that the person does."""
        self.put(kind, {"by": self.who, **body})

    def show(self, values: Sequence[str], function: str = "ohms-fine") -> None:
        """What the meter shows, one display after the other."""
        for value in values:
            self.number += 1
            raw = self._encode(self._rows[function].reading(value)).hex()
            body = {"meter": "m", "source": "ffb2", "session": 1, "number": self.number}
            self.put("frame", body | {"raw": raw})

    def close(self, by: str | None = None) -> dict[str, bytes]:
        """End the job; the members of its record, without seals and report."""
        self.put("choose", {"by": by or self.who, "what": "finish"})
        claims = len(self.derivation.claims)
        ending = {"frames": self.number, "claims": claims, "reason": "finished"}
        self.put("job.close", ending)
        mine = [entry.read_entry(row.head, row.body) for row in self.rows]
        return seal.members(self.rows, mine, 1, "bench", merkle.EMPTY, {})


def plain_job(**changes: object) -> dict[str, bytes]:
    """One attempt that passes."""
    job = Job(**changes)  # type: ignore[arg-type]  what changes is the opening
    job.tell("begin", step="earth")
    job.show(["0.31", "0.30"] * 30)
    return job.close()


def text_of(pdf: bytes, folder: Path, *options: str) -> str:
    """What pdftotext reads, with every run of blanks as one and without places to break."""
    (folder / "report.pdf").write_bytes(pdf)
    command = ["pdftotext", *options, folder / "report.pdf", "-"]
    found = subprocess.run(command, check=True, capture_output=True).stdout.decode("utf-8")
    return " ".join(found.replace(BREAK, "").split())


def render_elsewhere(files: dict[str, bytes], folder: Path) -> bytes:
    """The report from another process, with another time zone, language and hash seed."""
    for name, held in files.items():
        (folder / name).write_bytes(held)
    code = (
        "import pathlib, sys; from metercap.record.report import render; "
        "folder = pathlib.Path(sys.argv[1]); "
        "files = {path.name: path.read_bytes() for path in folder.iterdir()}; "
        "sys.stdout.buffer.write(render(files))"
    )
    odd = {"TZ": "Pacific/Chatham", "LANG": "tr_TR.UTF-8", "LC_ALL": "C", "PYTHONHASHSEED": "4711"}
    command = [sys.executable, "-c", code, str(folder)]
    return subprocess.run(
        command, check=True, capture_output=True, env=os.environ | odd, cwd=Path.cwd()
    ).stdout
