"""Changes one thing in a sealed record and repairs what stands around it, as a forger would.

Run as a program it plays the demo and writes fixtures/demo anew: one sound record, and hostile ones
named after what was done to them.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metercap.journal import canonical, entry, merkle
from metercap.journal.entry import Draft
from metercap.record import container, seal

if TYPE_CHECKING:
    from collections.abc import Callable

FIXTURES = Path(__file__).parents[2] / "fixtures" / "demo"
SOUND = "v1-job-1.asice"


def bodies(record: bytes) -> list[tuple[int, str, dict[str, Any]]]:
    """Every disclosed entry of a record: its number in the log, its kind, its body."""
    return [(found.seq, found.kind, found.body) for found in _entries(container.unpack(record))]


def _entries(files: dict[str, bytes]) -> list[entry.Entry]:
    heads = files["heads.jsonl"].splitlines()
    lines = files["bodies.jsonl"].splitlines()
    return [entry.read_entry(*pair) for pair in zip(heads, lines, strict=True)]


def resum(record: bytes, member: str, change: Callable[[bytes], bytes]) -> bytes:
    """Change the bytes of one member and repair sha256sums, nothing else."""
    files = container.unpack(record)
    before = files[member]
    files[member] = change(before)
    if files[member] == before:
        raise AssertionError("nothing was changed")
    del files["sha256sums"]
    files["sha256sums"] = seal.sums(files)
    return container.pack(files)


def swap_body(record: bytes, seq: int, change: Callable[[dict[str, Any]], None]) -> bytes:
    """Change one entry's body and repair sha256sums, nothing else."""
    place = next(n for n, (number, _, _) in enumerate(bodies(record)) if number == seq)

    def swapped(data: bytes) -> bytes:
        lines = data.splitlines()
        body: Any = canonical.loads(lines[place])
        change(body)
        lines[place] = canonical.dumps(body)
        return b"\n".join(lines) + b"\n"

    return resum(record, "bodies.jsonl", swapped)


def rewrite(record: bytes, seq: int, change: Callable[[dict[str, Any]], None]) -> bytes:
    """Change one entry's body and make everything that hangs on it anew.

    Body hashes, heads, the whole chain, its root, job.json, the members and the sums; where a
    definition changes, job.open names the changed one.
    """
    files = container.unpack(record)
    summary: Any = canonical.loads(files["job.json"])
    found = _entries(files)
    for one in found:
        if one.seq == seq:
            change(one.body)
    pins = {
        one.body["id"]: canonical.digest(canonical.dumps(one.body["definition"]))
        for one in found
        if one.kind == "definition"
    }
    opening: Any = found[0].body
    for pin in (opening["procedure"], *opening["drivers"]):
        pin["sha256"] = pins[pin["id"]]
    leaf = entry.read_head(files["heads.jsonl"].splitlines()[0]).prev
    rows = []
    for one in found:
        draft = Draft(one.job, one.kind, one.at, one.body)
        rows.append(entry.write_row(summary["log"], one.seq, leaf, one.js, draft))
        leaf = rows[-1].leaf
    peaks = tuple(bytes.fromhex(peak) for peak in summary["frontier"])
    frontier = merkle.Frontier(summary["from"] - 1, peaks)
    return seal.seal(rows, summary["job"], summary["software"], frontier)


def unsigned(record: bytes) -> bytes:
    """The same job as a record of version 1, which nobody signs: it begins with its own entry."""
    files = container.unpack(record)
    summary: Any = canonical.loads(files["job.json"])
    heads = files["heads.jsonl"].splitlines()
    rows = [
        entry.Row(found.seq, found.job, head, body, merkle.leaf_hash(head))
        for found, head, body in zip(
            _entries(files), heads, files["bodies.jsonl"].splitlines(), strict=True
        )
    ]
    peaks = tuple(bytes.fromhex(peak) for peak in summary["frontier"])
    frontier = merkle.Frontier(summary["from"] - 1, peaks)
    while rows[0].job != summary["job"]:
        frontier = merkle.add(frontier, rows.pop(0).leaf)
    return seal.seal(rows, summary["job"], summary["software"], frontier)


def find(record: bytes, kind: str, **wanted: object) -> int:
    """The number of the first entry of that kind whose body holds these values."""
    return next(
        seq
        for seq, found, body in bodies(record)
        if found == kind and all(body.get(key) == value for key, value in wanted.items())
    )


def turn_digit(text: str, place: int) -> str:
    """The text with the digit at `place` one higher, 9 turned to 0."""
    return f"{text[:place]}{(int(text[place]) + 1) % 10}{text[place + 1 :]}"


def _frame_digit(body: dict[str, Any]) -> None:
    place = max(place for place, sign in enumerate(body["raw"]) if sign.isdecimal())
    body["raw"] = turn_digit(body["raw"], place)


def _relaxed(body: dict[str, Any]) -> None:
    for step in body["definition"]["step"]:
        if step["id"] == "earth-continuity-valve":
            step["expect"]["below"] = "3 Ohm"


def _passed(body: dict[str, Any]) -> None:
    body["verdict"] = "pass"


def hostile(sound: bytes) -> dict[str, tuple[bytes, int]]:
    """Each hostile record by its name, and the exit status with which it must be answered."""
    failed = find(sound, "claim", claim="attempt", verdict="fail")
    procedure = find(sound, "definition", what="procedure")
    frame = find(sound, "frame", number=100)
    return {
        "v1-frame-digit-changed.asice": (swap_body(sound, frame, _frame_digit), 4),
        "v1-limit-relaxed-and-all-hashes-made-anew.asice": (rewrite(sound, procedure, _relaxed), 8),
        "v1-fail-turned-to-pass-and-all-hashes-made-anew.asice": (
            rewrite(sound, failed, _passed),
            8,
        ),
    }


def main() -> None:
    """Write fixtures/demo anew."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "metercap", "demo", "--out", folder]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        sound = unsigned(Path(folder, "job-1.asice").read_bytes())
    FIXTURES.mkdir(exist_ok=True)
    (FIXTURES / SOUND).write_bytes(sound)
    for name, (record, _) in hostile(sound).items():
        (FIXTURES / name).write_bytes(record)


if __name__ == "__main__":
    main()
