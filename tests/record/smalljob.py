"""A small hand-made log with two jobs, and a way to forge it: for the tests of records.

The rule that draws claims here is a stand-in as small as a rule can be: the first frame after a
"begin" is an attempt at that step, and passes if its number is not above the step's limit; the last
attempt at each step is the step's result.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from metercap.journal import canonical, entry, merkle
from metercap.journal.entry import Draft
from metercap.model import Instant
from metercap.record import container, seal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

LOG = "pi-0007"
JOB = 2
SOFTWARE = "metercap 0.1.0"
PROCEDURE = {
    "id": "two-steps",
    "step": [{"id": "earth", "limit": "1.00"}, {"id": "neutral", "limit": "5.0"}],
}
DRIVER = {"id": "bench", "scale": "0.01"}


class Derivation(NamedTuple):
    claims: list[dict[str, object]]


def derive(entries: Iterable[entry.Entry]) -> Derivation:
    claims: list[dict[str, object]] = []
    limits: dict[str, str] = {}
    step = ""
    frames = b""
    steps: dict[str, object] = {}
    for found in entries:
        if found.kind == "definition" and found.body["what"] == "procedure":
            limits = {s["id"]: s["limit"] for s in found.body["definition"]["step"]}
        elif found.kind == "begin":
            step = str(found.body["step"])
        elif found.kind == "frame":
            frames += bytes.fromhex(found.body["raw"])
            if not step:
                continue
            value = found.body["raw"].lstrip("f")
            passed = Decimal(value) / 100 <= Decimal(limits[step])
            claims.append(
                {
                    "cause": found.seq,
                    "claim": "attempt",
                    "step": step,
                    "value": value,
                    "limit": limits[step],
                    "verdict": "pass" if passed else "fail",
                    "frames": canonical.digest(frames),
                }
            )
            steps[step] = {"verdict": claims[-1]["verdict"]}
            step = ""
        elif found.kind == "choose":
            body = {name: steps.get(name, {"verdict": "not tested"}) for name in limits}
            claims.append({"cause": found.seq, "claim": "job", "result": "done", "steps": body})
    return Derivation(claims)


def at(number: int, *, synced: bool = True, shift_ns: int = 0, boot: str = "boot-a") -> Instant:
    return Instant(
        1_795_000_000_000_000_000 + number * 200_000_000 + shift_ns,
        50_000_000_000 + number * 200_000_000,
        boot,
        synced,
    )


def named(value: dict[str, object]) -> dict[str, str]:
    return {"id": str(value["id"]), "sha256": canonical.digest(canonical.dumps(value))}


def frame(number: int, raw: str) -> tuple[str, dict[str, object]]:
    return "frame", {"meter": "m", "source": "ffb2", "session": 1, "number": number, "raw": raw}


def opening(**changes: object) -> tuple[str, dict[str, object]]:
    return "job.open", {
        "who": "A. Person",
        "where": "12 Mill Lane",
        "procedure": named(PROCEDURE),
        "drivers": [named(DRIVER)],
        "meters": [{"name": "m", "address": "00:00:00:00:00:01", "driver": "bench"}],
        "practice": False,
        "software": SOFTWARE,
        **changes,
    }


INPUTS = (
    opening(),
    ("definition", {"what": "procedure", "id": "two-steps", "definition": PROCEDURE}),
    ("definition", {"what": "driver", "id": "bench", "definition": DRIVER}),
    frame(1, "ffff"),
    ("begin", {"step": "earth"}),
    frame(2, "0150"),
    ("begin", {"step": "earth"}),
    frame(3, "0030"),
    ("begin", {"step": "neutral"}),
    frame(4, "0210"),
    ("choose", {"what": "finish"}),
)
BEFORE = (
    Draft(0, "boot", at(0), {"software": SOFTWARE}),
    Draft(1, "job.open", at(1), {"where": "9 Other Street"}),
    Draft(1, "frame", at(2), {"raw": "aa"}),
)
BETWEEN = {4: Draft(1, "frame", at(100), {"raw": "bb"}), 6: Draft(0, "clock", at(101), {})}


def drafts(
    inputs: Sequence[tuple[str, dict[str, object]]] = INPUTS, *, checkpoints: bool = False
) -> list[Draft]:
    """Lay the job out after and between the entries of others, each claim after its cause.

    `checkpoints` leaves empty ones after the opening, each attempt and the closing.
    """
    out = list(BEFORE)
    mine: list[entry.Entry] = []
    claims = 0

    def put(kind: str, body: dict[str, object]) -> None:
        out.append(Draft(JOB, kind, at(10 + len(out)), body))
        mine.append(entry.Entry(len(out), JOB, len(mine) + 1, kind, out[-1].at, body))
        is_fixed = kind in {"job.open", "job.close"} or body.get("claim") == "attempt"
        if checkpoints and is_fixed:
            out.append(Draft(0, "checkpoint", out[-1].at, {}))

    for number, (kind, body) in enumerate(inputs):
        if number in BETWEEN:
            out.append(BETWEEN[number]._replace(at=at(10 + len(out))))
        put(kind, body)
        for claim in derive(mine).claims[claims:]:
            claims += 1
            put("claim", claim)
    frames = sum(kind == "frame" for kind, _ in inputs)
    put("job.close", {"frames": frames, "claims": claims, "reason": "finished"})
    return out


def rows(written: Sequence[Draft]) -> list[entry.Row]:
    out: list[entry.Row] = []
    counts: dict[int, int] = {}
    leaf = entry.NO_LEAF
    for seq, draft in enumerate(written, 1):
        counts[draft.job] = counts.get(draft.job, 0) + 1
        out.append(entry.write_row(LOG, seq, leaf, counts[draft.job], draft))
        leaf = out[-1].leaf
    return out


def frontier(before: Sequence[entry.Row]) -> merkle.Frontier:
    out = merkle.EMPTY
    for row in before:
        out = merkle.add(out, row.leaf)
    return out


def sealed(written: Sequence[Draft] | None = None) -> bytes:
    """Seal job 2; the range begins after what stands before it."""
    all_rows = rows(drafts() if written is None else written)
    first = next(place for place, row in enumerate(all_rows) if row.job == JOB)
    return seal.seal(all_rows[first:], JOB, SOFTWARE, frontier(all_rows[:first]))


def forged(change: Callable[[dict[str, bytes]], object]) -> bytes:
    """Change the members of a good record, repair the sums and pack it again."""
    files = container.unpack(sealed())
    change(files)
    files.pop("sha256sums")
    files["sha256sums"] = seal.sums(files)
    return container.pack(files)


def rewritten(change: Callable[[list[Draft]], object]) -> bytes:
    """Change what was written and make heads, chain, root, sums and container anew."""
    written = drafts()
    change(written)
    return sealed(written)
