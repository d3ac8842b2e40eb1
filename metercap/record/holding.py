"""Records and checkpoints of many recorders to what a whole set of them shows.

One record tells nothing of those that are missing, or of what another one says of the same log. A
set does: its ranges tile the log, its roots must agree, and frames that came twice were sent once.
Only records that verify belong here. Nothing is stored here, and nobody is trusted.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

from cryptography import x509

from metercap.errors import JournalError, RecordError
from metercap.journal import canonical, entry, merkle, note
from metercap.record import cms, container, manifest, signing
from metercap.record.tiling import find_holes

HOLE, BEYOND, FORKED = "MISSING", "NOT_HANDED_IN", "FORKED"
REPEATED, TWO_VERSIONS, REPLAYED = "REPEATED", "TWO_VERSIONS", "REPLAYED"
INCOMPLETE = frozenset({HOLE, BEYOND, FORKED})
"""Findings that say that something is missing from the set, or that a log has two pasts."""

RUN_FRAMES, RUN_DISTINCT = 12, 4
"""So many frames in a row, of which so many differ, do not come twice by chance.

Numbers of our own: fewer match by chance where a display counts through the same few values, and a
steady display sends one frame for ever.
"""


class Held(NamedTuple):
    """A record of a set: `first` and `last` are the entries of its range, both included.

    `plain` are the lines of its sha256sums and `seals` the hashes of its seals; `frames` are the
    entry, the channel and the bytes of each frame.
    """

    place: str
    log: str
    job: int
    first: int
    last: int
    before: merkle.Frontier
    leaves: tuple[bytes, ...]
    signer: x509.Certificate
    plain: frozenset[str]
    seals: tuple[str, ...]
    frames: tuple[tuple[int, str, str], ...]

    @property
    def stretch(self) -> tuple[int, int]:
        """The first and the last entry."""
        return self.first, self.last


class Seen(NamedTuple):
    """A root that a log had at a size, and where that is written."""

    place: str
    size: int
    root: bytes


class Objection(NamedTuple):
    """Why something does not belong to what is kept; `forked` if the two contradict each other."""

    forked: bool
    text: str


class Finding(NamedTuple):
    """One thing that a set shows, in one line."""

    kind: str
    log: str
    text: str


def read_record(place: str, data: bytes) -> Held:
    """Read what a set needs of a signed record that verifies; raises RecordError, JournalError."""
    files = container.unpack(data)
    summary = canonical.loads(files["job.json"])
    lines = files["heads.jsonl"].splitlines()
    heads = [entry.read_head(line) for line in lines]
    seals = manifest.read_seals(files)
    if not isinstance(summary, dict) or not seals or seals[0].data is None:
        raise RecordError(f"{place}: not a record that somebody signed")
    job, last = heads[-1].job, heads[-1].seq
    peaks = tuple(bytes.fromhex(peak) for peak in summary["frontier"])
    disclosed = [head for head in heads if head.job in {job, entry.DEVICE_JOB}]
    bodies = zip(disclosed, files["bodies.jsonl"].splitlines(), strict=True)
    frames = (
        entry.read_body(head, body)
        for head, body in bodies
        if (head.job, head.kind) == (job, "frame")
    )
    return Held(
        place=place,
        log=heads[0].log,
        job=job,
        first=heads[0].seq,
        last=last,
        before=merkle.Frontier(heads[0].seq - 1, peaks),
        leaves=tuple(merkle.leaf_hash(line) for line in lines),
        signer=cms.read(seals[0].data, seals[0].manifest).certificate,
        plain=frozenset(files["sha256sums"].decode("ascii").splitlines()),
        seals=tuple(canonical.digest(seal.data or b"") for seal in seals),
        frames=tuple((found.seq, _channel(found), str(found.body.get("raw"))) for found in frames),
    )


def _channel(found: entry.Entry) -> str:
    return f"{found.body.get('meter')} {found.body.get('source')}"


def read_checkpoint(
    place: str, text: str, signers: Iterable[x509.Certificate]
) -> tuple[str, Seen] | None:
    """Read a checkpoint that stands alone: log and root; None if none of `signers` signed it.

    Raises JournalError for what is no checkpoint, RecordError for a signature that does not hold.
    """
    whole = note.parse_note(text)
    said = note.parse_checkpoint(whole.text)
    if not entry.is_log_name(said.log):
        raise JournalError(f"{place}: no name of a log: {said.log[:80]!a}")
    for signer in signers:
        signature = note.find_signature(whole, said.log, signing.certified_bytes(signer))
        if signature is not None:
            covered = whole.text.encode("utf-8")
            if signing.is_signed_by(signer.public_key(), covered, signature):
                return said.log, Seen(place, said.size, said.root)
            raise RecordError(f"{place}: its signature does not hold")
    return None


def roots(held: Held, sizes: Iterable[int]) -> list[Seen]:
    """Work out the roots of the log at those of `sizes` that a record reaches."""
    wanted = {size for size in sizes if held.first - 1 <= size <= held.last}
    found = []
    frontier = held.before
    for leaf in (None, *held.leaves):
        frontier = frontier if leaf is None else merkle.add(frontier, leaf)
        if frontier.size in wanted:
            found.append(Seen(held.place, frontier.size, merkle.root(frontier)))
    return found


def find_objection(given: Sequence[Seen], kept: Iterable[Seen], newest: int) -> Objection | None:
    """Find why what is given does not belong to the log whose newest size is kept; None if it does.

    `given` are its roots, its own end last. What is smaller than the newest is only taken where
    something kept shows that it is part of the same log.
    """
    known = {seen.size: seen for seen in kept}
    for seen in given:
        other = known.get(seen.size)
        if other is not None and other.root != seen.root:
            return Objection(
                forked=True,
                text=f"kept {newest}, given another root at size {seen.size} than {other.place}: "
                "the log forked",
            )
    last = given[-1].size
    if last < newest and last not in known:
        return Objection(
            forked=False,
            text=f"kept {newest}, given {last}: the log was rolled back, or what lies between is "
            "missing",
        )
    return None


def find_all(records: Sequence[Held], checkpoints: Mapping[str, Sequence[Seen]]) -> list[Finding]:
    """Find what a set of records and the checkpoints of each log show; nothing if all is well."""
    logs: dict[str, list[Held]] = defaultdict(list)
    for held in sorted(records, key=lambda held: (held.log, held.stretch, held.place)):
        logs[held.log].append(held)
    found: list[Finding] = []
    for log in sorted(logs.keys() | checkpoints.keys()):
        found += _find_missing(log, logs[log], checkpoints.get(log, ()))
        found += _find_forks(log, logs[log], checkpoints.get(log, ()))
        found += _find_doubled(logs[log])
    return found + list(_find_replayed([held for log in sorted(logs) for held in logs[log]]))


def _find_missing(
    log: str, records: Sequence[Held], checkpoints: Sequence[Seen]
) -> Iterator[Finding]:
    for first, last in find_holes(held.stretch for held in records):
        yield Finding(HOLE, log, f"entries {first} to {last} are in no record: a job is missing")
    reached = max((held.last for held in records), default=0)
    newest = max(checkpoints, key=lambda seen: seen.size, default=None)
    if newest is not None and newest.size > reached:
        yield Finding(
            BEYOND,
            log,
            f"entries {reached + 1} to {newest.size} are in no record, {newest.place} shows them: "
            "a job is open or was not handed in",
        )


def _find_forks(
    log: str, records: Sequence[Held], checkpoints: Sequence[Seen]
) -> Iterator[Finding]:
    sizes = {seen.size for seen in checkpoints}
    sizes |= {size for held in records for size in (held.first - 1, held.last)}
    met: dict[int, Seen] = {}
    for seen in (*checkpoints, *(seen for held in records for seen in roots(held, sizes))):
        other = met.setdefault(seen.size, seen)
        if other.root != seen.root:
            yield Finding(
                FORKED, log, f"{other.place} and {seen.place} have other roots at size {seen.size}"
            )


def _find_doubled(records: Sequence[Held]) -> Iterator[Finding]:
    jobs: dict[int, list[Held]] = defaultdict(list)
    for held in records:
        jobs[held.job].append(held)
    for job, doubles in sorted(jobs.items()):
        for one, other in combinations(doubles, 2):
            both = f"job {job}: {one.place} and {other.place}"
            if one.plain != other.plain:
                names = sorted({line.split("  ")[1] for line in one.plain ^ other.plain})
                told = f"{both} are two versions of it, other in {', '.join(names)}"
                yield Finding(TWO_VERSIONS, one.log, told)
            elif not _is_sealed_further(one.seals, other.seals):
                yield Finding(REPEATED, one.log, f"{both} are the same")


def _is_sealed_further(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Whether one is the other with seals added: an approval, a time-stamp."""
    shorter = min(len(one), len(other))
    return one != other and one[:shorter] == other[:shorter]


def _find_replayed(records: Sequence[Held]) -> Iterator[Finding]:
    """Find each pair of jobs that share a run of frames, however long, and name its beginning."""
    met: dict[bytes, tuple[Held, int]] = {}
    told: set[tuple[tuple[str, int], tuple[str, int]]] = set()
    for held in records:
        mine = held.log, held.job
        for seq, run in _runs(held.frames):
            other, place = met.setdefault(run, (held, seq))
            pair = (other.log, other.job), mine
            if pair[0] != mine and pair not in told:
                told.add(pair)
                yield Finding(
                    REPLAYED,
                    held.log,
                    f"job {held.job}: frames from entry {seq} on are those of job {other.job} of "
                    f"{other.log} from entry {place} on, {RUN_FRAMES} or more in a row",
                )


def _runs(frames: Iterable[tuple[int, str, str]]) -> Iterator[tuple[int, bytes]]:
    """Give each run of frames of one channel that is no steady display: first entry and hash."""
    last: dict[str, deque[tuple[int, str]]] = defaultdict(lambda: deque(maxlen=RUN_FRAMES))
    for seq, channel, raw in frames:
        run = last[channel]
        run.append((seq, raw))
        if len(run) == RUN_FRAMES and len({raw for _, raw in run}) >= RUN_DISTINCT:
            text = "\n".join(raw for _, raw in run)
            yield run[0][0], hashlib.sha256(text.encode("utf-8")).digest()[:16]
