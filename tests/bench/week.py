"""A week's log, four frames a second, derived again: seconds, and the most memory that it took.

The entries of the first run are made as they are asked for, so that what memory there is, is
derive's own; their making is timed alone and taken off. The second run reads a real journal file,
strictly, as a verifier does: writing that takes far longer than reading it, so it holds a day
unless `python tests/bench/week.py whole` is asked for. Each run is a process of its own. A mains
voltage repeats itself, and what a frame says is kept; "counted" names each source anew, so that no
frame is like another, as where a meter counts its frames.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from metercap import shelf
from metercap.derive import derive
from metercap.journal import canonical
from metercap.journal.entry import Draft, Entry
from metercap.journal.store import Journal
from metercap.meter.decode import build_decoder
from metercap.meter.description import driver_to_json
from metercap.model import NS_PER_S, Instant
from metercap.procedure.description import procedure_to_json
from metercap.sequence.rehearse import answers_as_asked

NOWHERE = Path("/nonexistent")
A_SECOND = 4
KINDS = {"repeated": "bench-segments", "counted": "bench-count"}  # and the driver of each
DAY_S = 86_400
WEEK_S = 7 * DAY_S
START_S = 1_795_392_000 + 300  # five minutes past a midnight
LEAD_S = 600  # to the first mark
GROUP = 10_000  # frames for each commit; a recorder takes fewer, and longer
PERSON = "A. Person"


def _head(driver_id: str) -> Iterator[tuple[str, dict[str, object]]]:
    _, whole = shelf.load_procedure(NOWHERE, "log-supply-voltage")
    driver = shelf.load_driver(NOWHERE, driver_id)
    definitions = (procedure_to_json(whole), driver_to_json(driver))
    pins = [
        {"id": str(one["id"]), "sha256": canonical.digest(canonical.dumps(one))}
        for one in definitions
    ]
    yield (
        "job.open",
        {
            "who": PERSON,
            "where": "12 Mill Lane",
            "procedure": pins[0],
            "drivers": pins[1:],
            "meters": [{"name": "meter", "address": "00:00:00:00:00:01", "driver": driver.id}],
            "practice": False,
            "software": "bench",
        },
    )
    for what, pin, definition in zip(("procedure", "driver"), pins, definitions, strict=True):
        yield "definition", {"what": what, "id": pin["id"], "definition": definition}
    yield "link", {"meter": "meter", "session": 1, "up": True, "reason": "", "facts": {}}
    for act in whole.act:
        yield "act", {"by": PERSON, "act": act.id, "answers": answers_as_asked(act, {})}
    yield "begin", {"by": PERSON, "step": whole.step[0].id}


def _displays(driver_id: str) -> list[str]:
    """Frames of a voltage that wanders a little from 230 V, in hex."""
    driver = shelf.load_driver(NOWHERE, driver_id)
    encode = build_decoder(driver).encode
    row = next(row for row in driver.function if row.quantity == "voltage" and row.coupling == "ac")
    return [encode(row.reading(f"{2300 + step}"[:3] + f".{step % 10}")).hex() for step in range(97)]


def entries(seconds: int, driver_id: str, *, is_counted: bool) -> Iterator[Entry]:
    """The job as a recorder writes it, without its claims."""
    seq = 0
    for kind, body in _head(driver_id):
        seq += 1
        yield Entry(seq, 1, seq, kind, _at(0), body)
    shown = _displays(driver_id)
    count, several = seconds * A_SECOND, len(shown)
    source = str(shelf.load_driver(NOWHERE, driver_id).link.notify)
    for number in range(1, count + 1):
        seq += 1
        raw = shown[number * 31 % several]
        body = {
            "meter": "meter",
            "source": f"{source} {number}" if is_counted else source,
            "session": 1,
            "number": number,
            "raw": raw,
        }
        yield Entry(seq, 1, seq, "frame", _at(number), body)


def _at(number: int) -> Instant:
    ns = number * (NS_PER_S // A_SECOND)
    return Instant(START_S * NS_PER_S + ns, NS_PER_S + ns, "boot", True)


def _write(path: Path, seconds: int) -> None:
    journal = Journal.open(path, "bench")
    drafts: list[Draft] = []
    for entry in entries(seconds, KINDS["repeated"], is_counted=False):
        drafts.append(Draft(1, entry.kind, entry.at, entry.body))
        if len(drafts) == GROUP:
            journal.append(drafts)
            drafts.clear()
    journal.append(drafts)
    journal.close()


def _derive(made: Callable[[], Iterator[Entry]], *, is_made: bool) -> dict[str, object]:
    making_s = 0.0
    if is_made:
        start_s = time.process_time()
        deque(made(), maxlen=0)
        making_s = time.process_time() - start_s
    start_s, processor_s = time.perf_counter(), time.process_time()
    derivation = derive(made())
    return {
        "s": time.perf_counter() - start_s,
        "processor_s": time.process_time() - processor_s - making_s,
        "frames": derivation.frames,
        "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
        "verdicts": [c["verdict"] for c in derivation.claims if c["claim"] == "attempt"],
        "days": sum(claim["claim"] == "log" for claim in derivation.claims),
    }


def _read(path: Path) -> dict[str, object]:
    journal = Journal.read(path)
    found = _derive(lambda: journal.entries(1), is_made=False)
    journal.close()
    return found


def _run(*arguments: str) -> dict[str, object]:
    command = [sys.executable, __file__, *arguments]
    found = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return dict(json.loads(found))


def _text(found: dict[str, object], verdicts: list[str]) -> str:
    if found["verdicts"] != verdicts:
        raise AssertionError(f"the log came to {found['verdicts']}, expected {verdicts}")
    frames, taken_s = int(str(found["frames"])), float(str(found["processor_s"]))
    return (
        f"{taken_s:.1f} s of processor ({float(str(found['s'])):.1f} s with all else), "
        f"{frames / taken_s:.0f} frames/s, {found['mb']} MB at most, {found['days']} days claimed"
    )


def rows(journal_s: int = DAY_S) -> list[tuple[str, str]]:
    """Labels and measured texts."""
    week = str(WEEK_S + LEAD_S)
    out = [
        (f"a week, {name}, 2.4 million frames", _text(_run(name, week), ["pass"])) for name in KINDS
    ]
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.db"
        start = time.perf_counter()
        _write(path, journal_s)
        label = f"{journal_s // DAY_S} day(s) in a journal file"
        wrote = f"{time.perf_counter() - start:.0f} s, {path.stat().st_size >> 20} MB"
        out.append((f"{label}: written", wrote))
        ends = ["pass"] if journal_s > WEEK_S else []
        out.append((f"{label}: read and derived", _text(_run("journal", str(path)), ends)))
    return out


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["journal", path]:
            print(json.dumps(_read(Path(path))))
        case [("repeated" | "counted") as kind, seconds]:
            made = partial(entries, int(seconds), KINDS[kind], is_counted=kind == "counted")
            print(json.dumps(_derive(made, is_made=True)))
        case words:
            for label, measured in rows(WEEK_S + LEAD_S if words == ["whole"] else DAY_S):
                print(f"{label:44} {measured}")
