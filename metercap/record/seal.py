"""Rows of the journal to the record of one job, as bytes.

The record is built from nothing but the rows, so a verifier can build it again from what the record
discloses and compare. Bodies of other people's jobs never get in. Version 1 of the record had no
signature; version 2 is signed by the recorder, and only that is made for people's jobs.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from metercap.errors import RecordError
from metercap.journal import canonical, entry, merkle, note
from metercap.record import cms, container, manifest, signing
from metercap.record.readme import READMES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from cryptography import x509

    from metercap.journal.entry import Entry, Row
    from metercap.record.signing import Sign

UNSIGNED, SIGNED = 1, 2
CHECKPOINT, PREVIOUS, REPORT = "checkpoint.txt", "previous.txt", "report.pdf"
ADDED = (CHECKPOINT, PREVIOUS, REPORT)
"""Members of version 2 that do not follow from the entries alone: two signed notes, a rendering."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


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


class Sealer(NamedTuple):
    """Who signs a record: a certificate, and its key as a function."""

    certificate: x509.Certificate
    sign: Sign


def seal(
    rows: Sequence[Row],
    job: int,
    software: str,
    frontier: merkle.Frontier = merkle.EMPTY,
    sealer: Sealer | None = None,
    render: Callable[[Mapping[str, bytes]], bytes] | None = None,
) -> bytes:
    """Make the record of `job` from the rows of its stretch of the log, up to its last entry.

    `frontier` stands for the log before the first row; without it the rows must start at entry 1.
    `software` names the program and version that seals. `render` makes the report from the members
    that stand before it. Without a `sealer` the record is of version 1, unsigned, and begins with
    the job's own first entry. The claimed time of the signature is that of the last entry, so
    sealing again gives the same bytes. Raises RecordError when the rows are not that range, when
    the job is not closed or when it lacks what a record needs.
    """
    if not rows or rows[-1].job != job or (sealer is None and rows[0].job != job):
        raise RecordError(f"job {job}: rows of another range, expected its first to its last entry")
    mine = [
        entry.read_entry(row.head, row.body) for row in rows if row.job in {job, entry.DEVICE_JOB}
    ]
    closing = mine[-1]
    if closing.kind != "job.close":
        raise RecordError(f"job {job}: ends with {closing.kind}, expected job.close")
    if sealer is None:
        return container.pack(members(rows, mine, job, software, frontier))
    added = _notes(rows, frontier, sealer)
    if render is not None:
        added[REPORT] = render(members(rows, mine, job, software, frontier, added))
    files = members(rows, mine, job, software, frontier, added)
    at = _EPOCH + timedelta(microseconds=closing.at.utc_ns // 1000)
    first = manifest.next_seal(files, manifest.SIGNATURE)
    signature = cms.sign(first.manifest, sealer.certificate, (), at, sealer.sign)
    return container.pack(manifest.with_seal(files, first, signature))


def approve(data: bytes, sealer: Sealer, at: datetime) -> bytes:
    """Add a signature over everything that a record holds, for whoever stands behind it too."""
    files = container.unpack(data)
    seal = manifest.next_seal(files, manifest.SIGNATURE)
    signature = cms.sign(seal.manifest, sealer.certificate, (), at, sealer.sign)
    return container.pack(manifest.with_seal(files, seal, signature))


def stamp(data: bytes, fetch: Callable[[bytes], bytes]) -> bytes:
    """Add a time-stamp over everything that a record holds; `fetch` gives a token over bytes."""
    files = container.unpack(data)
    seal = manifest.next_seal(files, manifest.TIME_STAMP)
    return container.pack(manifest.with_seal(files, seal, fetch(seal.manifest)))


def _notes(rows: Sequence[Row], before: merkle.Frontier, sealer: Sealer) -> dict[str, bytes]:
    """Sign the log as it stood before the first row and as it stands after the last."""
    log = entry.read_head(rows[0].head).log
    after = before
    for row in rows:
        after = merkle.add(after, row.leaf)
    public = signing.certified_bytes(sealer.certificate)

    def sign(frontier: merkle.Frontier) -> bytes:
        text = note.checkpoint_text(log, frontier)
        return note.sign_note(text, log, public, sealer.sign).encode("utf-8")

    notes = {CHECKPOINT: sign(after)}
    return notes | {PREVIOUS: sign(before)} if before.size else notes


def members(
    rows: Sequence[Row],
    mine: Sequence[Entry],
    job: int,
    software: str,
    frontier: merkle.Frontier,
    added: Mapping[str, bytes] | None = None,
) -> dict[str, bytes]:
    """Lay out the members of a record without its seals; `mine` are the disclosed entries.

    `added` are the members of version 2 that come from elsewhere; None gives version 1. Raises
    RecordError when the rows do not follow on `frontier` or the job lacks what is needed.
    """
    if frontier.size != rows[0].seq - 1 or not merkle.is_frontier(frontier):
        raise RecordError(
            f"job {job}: frontier of {frontier.size} entries, expected {rows[0].seq - 1}"
        )
    version = UNSIGNED if added is None else SIGNED
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
                "v": version,
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
        "readme.txt": READMES[version],
        **(added or {}),
    }
    if "procedure.json" not in files:
        raise RecordError(f"job {job}: no procedure among its entries")
    files["sha256sums"] = sums(files)
    return files


def sums(files: Mapping[str, bytes]) -> bytes:
    """List the members' digests as `sha256sum` does, by name; raises RecordError for a bad name."""
    for name in files:
        container.check_name(name)
        if container.is_seal_name(name):
            raise RecordError(f"record: {name} is sealed by itself, expected no sum of it")
    listed = (f"{canonical.digest(files[name])}  {name}\n" for name in sorted(files))
    return "".join(listed).encode("ascii")


def read_opening(own: Sequence[Entry]) -> Opening:
    """Read a job's first entry; raises RecordError when it is not job.open or lacks a key."""
    if not own:
        raise RecordError("job: none of its entries is here")
    found = own[0]
    if found.kind != "job.open":
        raise RecordError(f"job {found.job}: begins with {found.kind}, expected job.open")
    body = found.body
    drivers = body.get("drivers")
    practice = body.get("practice")
    if "simulated" in body:
        raise RecordError(
            f"entry {found.seq} (job.open): was played to a simulated circuit, expected a job "
            "with a meter"
        )
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
