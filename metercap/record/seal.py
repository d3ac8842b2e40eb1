"""Rows of the journal to the record of one job, as bytes.

The record is built from nothing but the rows, so a verifier can build it again from what the record
discloses and compare. Bodies of other people's jobs never get in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import RecordError
from metercap.journal import canonical, entry, merkle
from metercap.record import container
from metercap.record.readme import README

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from metercap.journal.entry import Entry, Row

VERSION = 1


class Opening(NamedTuple):
    """What job.open says: `procedure` and `drivers` are pairs of id and SHA-256 in hex."""

    who: str
    where: str
    practice: bool
    procedure: tuple[str, str]
    drivers: tuple[tuple[str, str], ...]


class Outcome(NamedTuple):
    """What the last claim says of the job: in a few words, and a row for each step."""

    result: str
    steps: dict[str, object]


class Definition(NamedTuple):
    """A procedure or a driver as it was journalled; `member` is its file in the record."""

    seq: int
    what: str
    id: str
    member: str
    value: object


def seal(
    rows: Sequence[Row], job: int, software: str, frontier: merkle.Frontier = merkle.EMPTY
) -> bytes:
    """Make the record of `job` from the rows between its first and its last entry, both included.

    `frontier` stands for the log before the first row; without it the rows must start at entry 1.
    `software` names the program and version that seals. Raises RecordError when the rows are not
    that range, when the job is not closed or when it lacks what a record needs.
    """
    if not rows or rows[0].job != job or rows[-1].job != job:
        raise RecordError(f"job {job}: rows of another range, expected its first to its last entry")
    mine = [
        entry.read_entry(row.head, row.body) for row in rows if row.job in {job, entry.DEVICE_JOB}
    ]
    closing = mine[-1]
    if closing.kind != "job.close":
        raise RecordError(f"job {job}: ends with {closing.kind}, expected job.close")
    return container.pack(members(rows, mine, software, frontier))


def members(
    rows: Sequence[Row], mine: Sequence[Entry], software: str, frontier: merkle.Frontier
) -> dict[str, bytes]:
    """Lay out the members of a record; `mine` are the disclosed entries, the job's own one first.

    Raises RecordError when the rows do not follow on `frontier` or the job lacks what is needed.
    """
    job = mine[0].job
    if frontier.size != rows[0].seq - 1 or not merkle.is_frontier(frontier):
        raise RecordError(
            f"job {job}: frontier of {frontier.size} entries, expected {rows[0].seq - 1}"
        )
    own = [found for found in mine if found.job == job]
    opening = read_opening(own)
    outcome = read_outcome(own)
    after = frontier
    for row in rows:
        after = merkle.add(after, row.leaf)
    definitions = read_definitions(own)
    files = {
        "mimetype": container.MIMETYPE,
        "job.json": canonical.dumps(
            {
                "v": VERSION,
                "job": job,
                "log": entry.read_head(rows[0].head).log,
                "from": rows[0].seq,
                "size": len(rows),
                "frontier": [peak.hex() for peak in frontier.peaks],
                "root": merkle.root(after).hex(),
                "software": software,
                "who": opening.who,
                "where": opening.where,
                "practice": opening.practice,
                "procedure": _named(opening.procedure),
                "drivers": [_named(driver) for driver in opening.drivers],
                "result": outcome.result,
                "steps": outcome.steps,
            }
        ),
        "heads.jsonl": _lines(row.head for row in rows),
        "bodies.jsonl": _lines(row.body for row in rows if row.job in {job, entry.DEVICE_JOB}),
        **{found.member: canonical.dumps(found.value) for found in definitions},
        "readme.txt": README,
    }
    if "procedure.json" not in files:
        raise RecordError(f"job {job}: no procedure among its entries")
    files["sha256sums"] = sums(files)
    return files


def sums(files: Mapping[str, bytes]) -> bytes:
    """List the members' digests as `sha256sum` does, by name; raises RecordError for a bad name."""
    for name in files:
        container.check_name(name)
    listed = (f"{canonical.digest(files[name])}  {name}\n" for name in sorted(files))
    return "".join(listed).encode("ascii")


def read_opening(own: Sequence[Entry]) -> Opening:
    """Read a job's first entry; raises RecordError when it is not job.open or lacks a key."""
    found = own[0]
    if found.kind != "job.open":
        raise RecordError(f"job {found.job}: begins with {found.kind}, expected job.open")
    body = found.body
    drivers = body.get("drivers")
    practice = body.get("practice")
    if not isinstance(drivers, list) or not isinstance(practice, bool):
        raise RecordError(f"entry {found.seq} (job.open): drivers or practice missing")
    return Opening(
        who=_text(found, body, "who"),
        where=_text(found, body, "where"),
        practice=practice,
        procedure=_pair(found, body.get("procedure")),
        drivers=tuple(_pair(found, driver) for driver in drivers),
    )


def read_definitions(own: Iterable[Entry]) -> list[Definition]:
    """Read a job's definition entries; raises RecordError when two want the same member."""
    definitions: list[Definition] = []
    for found in own:
        if found.kind != "definition":
            continue
        what, name = _text(found, found.body, "what"), _text(found, found.body, "id")
        if what not in {"procedure", "driver"} or "definition" not in found.body:
            raise RecordError(f"entry {found.seq} (definition): neither procedure nor driver")
        member = "procedure.json" if what == "procedure" else f"driver-{name}.json"
        if any(member == other.member for other in definitions):
            raise RecordError(f"entry {found.seq} (definition): a second {member[:64]!a}")
        definitions.append(Definition(found.seq, what, name, member, found.body["definition"]))
    return definitions


def read_outcome(own: Sequence[Entry]) -> Outcome:
    """Read the last claim on the job as a whole; raises RecordError without one."""
    for found in reversed(own):
        if found.kind == entry.CLAIM and found.body.get("claim") == "job":
            steps = found.body.get("steps")
            if not isinstance(steps, dict):
                break
            return Outcome(_text(found, found.body, "result"), steps)
    raise RecordError(f"job {own[0].job}: no claim on the job as a whole")


def _lines(parts: Iterable[bytes]) -> bytes:
    return b"".join(part + b"\n" for part in parts)


def _named(pair: tuple[str, str]) -> dict[str, str]:
    return {"id": pair[0], "sha256": pair[1]}


def _pair(found: Entry, value: object) -> tuple[str, str]:
    if not isinstance(value, dict) or value.keys() != {"id", "sha256"}:
        raise RecordError(f"entry {found.seq} (job.open): expected id and sha256 of a definition")
    return _text(found, value, "id"), _text(found, value, "sha256")


def _text(found: Entry, body: Mapping[str, object], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str):
        raise RecordError(f"entry {found.seq} ({found.kind}): {key} missing, expected text")
    return value
