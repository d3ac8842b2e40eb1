"""The bytes of a record to a report on whether they can be believed, and why.

Nothing is taken on trust but the code: digests, chain, definitions and every verdict are worked out
again from what the record discloses. It reads no file, asks no clock and knows no key but those
that the auditor hands in.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from typing import TYPE_CHECKING, NamedTuple, Protocol

from metercap.derive import derive
from metercap.errors import JournalError
from metercap.journal import canonical, entry, merkle
from metercap.model import NS_PER_S
from metercap.record import certificate, checkpoints, container, seal, signing, timing, trust
from metercap.record.clock_step import clock_steps
from metercap.record.refusal import (
    ALTERED,
    EXITS,
    INCOMPLETE,
    MALFORMED,
    UNSIGNED,
    UNTRUSTED,
    VALID,
    VERDICT_DIFFERS,
    WITH_RESERVATIONS,
    Refusal,
    blame,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from metercap.journal.entry import Entry, Head, Row
    from metercap.record.seal import Definition, Opening, Outcome
    from metercap.record.trust import Sealed, Trust

AHEAD_S = 60
"""No entry may be later than the time-stamp over it by more than a minute (common practice)."""

_REQUIRED = ("job.json", "heads.jsonl", "bodies.jsonl", "procedure.json", "readme.txt")
_SUM = re.compile(rb"([0-9a-f]{64})  ([a-z0-9][a-z0-9._-]{0,63})")
_HASH = re.compile(r"[0-9a-f]{64}")
_JOB_KEYS = frozenset(
    {
        *("v", "job", "log", "from", "size", "frontier", "root", "software"),
        *("who", "where", "practice", "procedure", "drivers", "result", "steps"),
    }
)
_ALIKE = frozenset({"LATIN", "GREEK", "CYRILLIC"})
_PLACE = ("from", "size", "root")
_WHO = ("identity", "approval", "approved")
_LINES_SHOWN = 12


class Derived(Protocol):
    """What the sequence makes of a job's entries."""

    claims: list[dict[str, object]]


class Check(NamedTuple):
    """One step of the verification; `ok` is None when there was nothing to check."""

    check: str
    ok: bool | None
    text: str


class Report(NamedTuple):
    """What came out: `facts` are what the record says of itself, as far as it could be read."""

    name: str
    status: str
    exit: int
    checks: list[Check]
    reasons: list[str]
    reservations: list[str]
    facts: dict[str, object]

    @property
    def is_whole(self) -> bool:
        """Whether everything is in order but, at most, the question who is behind it."""
        return all(row.ok is not False or row.check in _WHO for row in self.checks)


class _Range(NamedTuple):
    """The part of the log that a record discloses, in order."""

    job: int
    rows: list[Row]
    heads: list[Head]
    mine: list[Entry]
    frontier: merkle.Frontier

    @property
    def own(self) -> list[Entry]:
        return [found for found in self.mine if found.job == self.job]


class _Course:
    """What has come out so far; a doubt about identity is kept while the rest is still checked."""

    def __init__(self) -> None:
        self.checks: list[Check] = []
        self.reservations: list[str] = []
        self.facts: dict[str, object] = {}
        self.untrusted: list[str] = []

    def passed(self, check: str, text: str, *, ok: bool | None = True) -> None:
        self.checks.append(Check(check, ok, text))

    def doubt(self, check: str, reason: str) -> None:
        self.checks.append(Check(check, False, reason))
        self.untrusted.append(reason)


def verify(
    data: bytes,
    name: str,
    derive: Callable[[Iterable[Entry]], Derived] = derive,
    trusted: Trust | None = None,
) -> Report:
    """Check a record and work out its verdicts again by `derive`; `name` is only printed.

    Never raises for anything that stands in `data`: the answer is in the report. The first thing
    found wrong ends the verification, and what passed before it is listed; only a doubt about who
    is behind it does not, so that a report can say that everything else is in order. Without
    `trusted` nobody is.
    """
    course = _Course()
    status, reasons = UNSIGNED, ["no signature: anyone could have made this record anew"]
    try:
        is_signed = _check(data, course, derive, trusted)
    except Refusal as refusal:
        course.passed(refusal.check, refusal.reasons[0], ok=False)
        status, reasons = refusal.status, list(refusal.reasons)
        if course.untrusted:  # it came first
            status, reasons = UNTRUSTED, [*course.untrusted, *reasons]
    else:
        if course.untrusted:
            status = UNTRUSTED
            reasons = [*course.untrusted, "integrity holds, identity does not"]
        elif is_signed:
            status = WITH_RESERVATIONS if course.reservations else VALID
            reasons = []
    return Report(
        name, status, EXITS[status], course.checks, reasons, course.reservations, course.facts
    )


def _check(
    data: bytes,
    course: _Course,
    derive: Callable[[Iterable[Entry]], Derived],
    trusted: Trust | None,
) -> bool:
    """Check everything in order; whether somebody signed. Raises Refusal."""
    # 1. The container is the one that its own members give.
    files = _open(data)
    course.passed("container", f"{len(files)} members, {len(data)} bytes")
    # 2. Each member has the digest that stands for it, and there are no others.
    plain = {name: held for name, held in files.items() if not container.is_seal_name(name)}
    _check_sums(plain)
    course.passed("sums", f"{len(plain) - 1} digests")
    # 3. The signatures. Their absence does not hide what the other checks have to say.
    with blame("signature", ALTERED):
        seals = trust.read_sealed(files)
    _check_signatures(course, seals)
    # 4. The time-stamps, and 5. who is behind the signatures.
    stamps = _check_time(course, files, seals, trusted)
    _check_identity(course, seals, stamps, trusted)
    # 6. The entries are linked without a gap and add up to the root, and to what was signed.
    summary = _read_summary(files["job.json"])
    chain = _read_chain(files, summary)
    if summary["v"] == seal.SIGNED:
        own = seals[0].signature if seals else None
        key = signing.certified_bytes(own.certificate) if own is not None else None
        strange = checkpoints.check(files, chain.rows, chain.mine, chain.frontier, key)
        if strange:
            course.reservations.append(f"{strange} checkpoints of the log are by another key")
        course.facts.update(log=chain.heads[0].log, **{k: summary[k] for k in _PLACE})
    course.passed("chain", f"entries {_span(chain)} of log {chain.heads[0].log}")
    stamped = stamps[0] if stamps else None
    if stamped is not None:
        _check_not_ahead(chain, stamped)
    # 7. Procedure and drivers are those that the job was opened with.
    opening, definitions = _check_definitions(files, chain)
    course.facts.update(job=chain.job, who=opening.who, where=opening.where)
    course.passed("definitions", f"{len(definitions)} as fixed at job.open")
    if trusted is not None and trusted.approved is not None:
        _check_approved(course, opening, trusted.approved)
    # 8. The job is whole.
    closing = _check_job(chain)
    attempts = sum(found.body.get("claim") == "attempt" for found in _claims(chain))
    with blame("job", INCOMPLETE):
        outcome = seal.read_outcome(chain.own)
    course.facts.update(
        attempts=attempts,
        closed=closing.body["reason"],
        result=outcome.result,
        steps=outcome.steps,
    )
    course.passed("job", f"{len(chain.own)} entries, {closing.body['reason']}")
    course.reservations += _reservations(chain, opening, outcome, stamped)
    # 9. The same inputs give the same claims, and the same rows the same record.
    _check_meters(chain)
    frames = _check_claims(chain, derive)
    _check_rebuilt(plain, chain, summary)
    if seals and summary["v"] != seal.SIGNED:
        raise Refusal("verdicts", ALTERED, f"{seals[0].name}: version 1 has no signature")
    course.passed("verdicts", f"{len(_claims(chain))} claims reached again, {frames} frames")
    return bool(seals)


def report_lines(report: Report) -> list[str]:
    """Write a report for a terminal, in plain ASCII whatever the record holds."""
    refused = any(check.ok is False for check in report.checks)
    status = report.status.replace("_WITH_", ", WITH ")
    lines = [f"{report.name}: {'NOT ACCEPTED: ' if refused else ''}{status}"]
    if "job" in report.facts:
        who, where = report.facts["who"], report.facts["where"]
        lines.append(f"  job {report.facts['job']}, {who!a} at {where!a}")
    if "result" in report.facts:
        attempts = report.facts["attempts"]
        lines.append(f"  result as recorded: {report.facts['result']!a}, {attempts} attempts")
    marks = {True: "[ok]", False: "[XX]", None: "[--]"}
    lines += [f"  {marks[check.ok]} {check.check}: {check.text}" for check in report.checks]
    # What already stands beside a check is not said twice.
    said = {check.text for check in report.checks}
    lines += [f"       {reason}" for reason in report.reasons if reason not in said]
    lines += [f"  [!!] {reservation}" for reservation in report.reservations]
    lines.append(f"  exit {report.exit}")
    return [_plain(line) for line in lines]


def report_json(report: Report) -> dict[str, object]:
    """Give a report as plain values; text from the record stands as it is, for a JSON writer."""
    return {
        "name": report.name,
        "status": report.status,
        "exit": report.exit,
        "reasons": report.reasons,
        "reservations": report.reservations,
        "checks": [check._asdict() for check in report.checks],
        **report.facts,
    }


def _check_signatures(course: _Course, seals: Sequence[Sealed]) -> None:
    if not seals:
        course.passed("signature", "none: nothing shows who made this record", ok=None)
        return
    signatures = [sealed.signature for sealed in seals if sealed.signature is not None]
    own, *more = [trust.signer_facts(signature) for signature in signatures]
    course.facts["signer"] = own
    if more:
        course.facts["approvals"] = more
    also = f", and {len(more)} more" if more else ""
    course.passed("signature", f"by {own['name']!a} of {own['firm']!a}{also}")


def _check_time(
    course: _Course, files: Mapping[str, bytes], seals: Sequence[Sealed], trusted: Trust | None
) -> list[datetime | None]:
    """Give for each seal the time before which somebody trusted saw it."""
    claimed = [sealed.token.at for sealed in seals if sealed.token is not None]
    if not claimed:
        if seals:
            course.passed("time-stamp", "none", ok=None)
            course.reservations.append(
                "no time-stamp: nothing but the recorder's own clock tells when this was made"
            )
        return [None] * len(seals)
    if trusted is None or not trusted.tsa_roots:
        course.passed("time-stamp", f"{len(claimed)}, not checked", ok=None)
        course.reservations.append(
            f"time-stamp of {min(claimed).isoformat()} not checked: no root of a time-stamp "
            "authority was given"
        )
        return [None] * len(seals)
    with blame("time-stamp", ALTERED):
        stamps = trust.check_stamps(files, seals, trusted.tsa_roots)
    first = min(claimed).isoformat()
    course.facts["timestamp"] = first
    course.passed("time-stamp", f"{first}, {len(claimed)} in all")
    return stamps


def _check_identity(
    course: _Course,
    seals: Sequence[Sealed],
    stamps: Sequence[datetime | None],
    trusted: Trust | None,
) -> None:
    signed = [(seal, stamped) for seal, stamped in zip(seals, stamps, strict=True)]
    for place, (sealed, stamped) in enumerate(signed):
        if sealed.signature is None:
            continue
        check = "approval" if place else "identity"
        named = certificate.read_name(sealed.signature.certificate)
        whom = f"{named.name!a} of {named.firm!a}"
        if trusted is None:
            course.doubt(check, f"{whom}: no root certificate was given")
            continue
        standing = trust.judge(
            sealed.signature, stamped, trusted, None if place else certificate.DEVICES
        )
        if standing.untrusted is not None:
            course.doubt(check, f"{whom}: {standing.untrusted}")
            continue
        course.reservations += standing.reservations
        at = "on the day asked for" if stamped is None else f"at {stamped.isoformat()}"
        course.passed(check, f"{whom}, {named.role}, under the root given {at}")


def _check_not_ahead(chain: _Range, stamped: datetime) -> None:
    """Check that no entry is later than the time-stamp over it."""
    limit_ns = (int(stamped.timestamp()) + AHEAD_S) * 1_000_000_000
    for head in chain.heads:
        if head.at.utc_ns > limit_ns:
            raise Refusal(
                "chain",
                ALTERED,
                f"entry {head.seq}: of {head.at.utc_text}, later than the time-stamp over it",
            )


def _check_approved(course: _Course, opening: Opening, approved: frozenset[str]) -> None:
    used = [opening.procedure, *opening.drivers]
    missing = [f"{name[:80]!a}" for name, digest in used if digest not in approved]
    if missing:
        course.doubt("approved", f"not among the approved definitions: {', '.join(missing)}")
    else:
        course.passed("approved", f"{len(used)} definitions, on the list given")


def _open(data: bytes) -> dict[str, bytes]:
    with blame("container", MALFORMED):
        return container.unpack(data)


def _check_sums(files: Mapping[str, bytes]) -> None:
    if "sha256sums" not in files:
        raise Refusal("sums", INCOMPLETE, "member sha256sums is missing")
    listed: dict[str, str] = {}
    for number, line in enumerate(_split(files["sha256sums"], "sums", "sha256sums"), 1):
        match = _SUM.fullmatch(line)
        if match is None or match[2].decode() in listed:
            raise Refusal("sums", MALFORMED, f"sha256sums line {number}: not one new digest")
        listed[match[2].decode()] = match[1].decode()
    for name in (*listed, *_REQUIRED):
        if name not in files:
            raise Refusal("sums", INCOMPLETE, f"member {name} is missing")
    for name in files:
        if name != "sha256sums" and name not in listed:
            raise Refusal("sums", ALTERED, f"member {name} has no digest in sha256sums")
    wrong = [name for name, said in listed.items() if canonical.digest(files[name]) != said]
    if wrong:
        raise Refusal(
            "sums", ALTERED, *(f"member {name} differs from its digest" for name in wrong)
        )


def _read_summary(data: bytes) -> dict[str, object]:
    """Read job.json as far as the chain needs it; the rest is compared when it is built again."""
    with blame("chain", MALFORMED):
        summary = canonical.loads(data)
    if not isinstance(summary, dict) or summary.keys() != _JOB_KEYS:
        raise Refusal("chain", MALFORMED, "job.json: other keys than expected")
    if summary["v"] not in (seal.UNSIGNED, seal.SIGNED) or summary["v"] is True:
        raise Refusal("chain", MALFORMED, f"job.json: version {summary['v']!a}, expected 1 or 2")
    for key in ("job", "from", "size"):
        value = summary[key]
        if not isinstance(value, int) or isinstance(value, bool) or value < 1:
            raise Refusal("chain", MALFORMED, f"job.json: {key} is no count from 1")
    if not isinstance(summary["software"], str):
        raise Refusal("chain", MALFORMED, "job.json: software is no text")
    return summary


def _read_frontier(summary: Mapping[str, object]) -> merkle.Frontier:
    peaks = summary["frontier"]
    if not isinstance(peaks, list) or not all(
        isinstance(peak, str) and _HASH.fullmatch(peak) for peak in peaks
    ):
        raise Refusal("chain", MALFORMED, "job.json: frontier is no list of hashes")
    frontier = merkle.Frontier(
        _whole(summary, "from") - 1, tuple(bytes.fromhex(peak) for peak in peaks)
    )
    if not merkle.is_frontier(frontier):
        raise Refusal("chain", MALFORMED, f"job.json: no frontier of {frontier.size} entries")
    return frontier


def _read_chain(files: Mapping[str, bytes], summary: Mapping[str, object]) -> _Range:
    frontier = _read_frontier(summary)
    job = _whole(summary, "job")
    lines = _split(files["heads.jsonl"], "chain", "heads.jsonl")
    heads: list[Head] = []
    for number, line in enumerate(lines, 1):
        with blame("chain", MALFORMED, f"heads.jsonl line {number}: "):
            heads.append(entry.read_head(line))
    _check_order(heads, summary)
    leaves = [merkle.leaf_hash(line) for line in lines]
    _check_links(heads, leaves, frontier, summary)
    mine = [head for head in heads if head.job in {job, entry.DEVICE_JOB}]
    bodies = _match_bodies(mine, _split(files["bodies.jsonl"], "chain", "bodies.jsonl"))
    entries: list[Entry] = []
    for head in mine:
        with blame("chain", MALFORMED, f"entry {head.seq}: "):
            entries.append(entry.read_body(head, bodies[head.seq]))
    rows = [
        entry.Row(head.seq, head.job, line, bodies.get(head.seq, b""), leaf)
        for head, line, leaf in zip(heads, lines, leaves, strict=True)
    ]
    return _Range(job, rows, heads, entries, frontier)


def _check_order(heads: Sequence[Head], summary: Mapping[str, object]) -> None:
    """Check both counters, `seq` over everything and `js` within each job: nothing dropped out."""
    first, size = _whole(summary, "from"), _whole(summary, "size")
    counts: dict[int, int] = {}
    for expected, head in enumerate(heads, first):
        if head.seq != expected:
            raise Refusal("chain", INCOMPLETE, f"expected entry {expected}, found {head.seq}")
        if head.log != summary["log"]:
            raise Refusal("chain", ALTERED, f"entry {head.seq}: of log {head.log}, not job.json's")
        # Another job, or the recorder itself, may have begun before the range.
        before = counts.get(head.job, 0 if head.job == summary["job"] else head.js - 1)
        if head.js != before + 1:
            raise Refusal(
                "chain",
                INCOMPLETE,
                f"entry {head.seq}: expected entry {before + 1} of job {head.job}, found {head.js}",
            )
        counts[head.job] = head.js
    if len(heads) != size:
        raise Refusal("chain", INCOMPLETE, f"expected {size} heads, found {len(heads)}")
    # From version 2 a record also discloses what came between the job before and its own.
    ends = (heads[0], heads[-1]) if summary["v"] == seal.UNSIGNED else (heads[-1],)
    for head in ends:
        if head.job != summary["job"]:
            raise Refusal("chain", INCOMPLETE, f"entry {head.seq}: the range is not the job's own")


def _check_links(
    heads: Sequence[Head],
    leaves: Sequence[bytes],
    frontier: merkle.Frontier,
    summary: Mapping[str, object],
) -> None:
    # The lowest peak is the last leaf itself when the size is odd; else only the root tells.
    before = frontier.peaks[-1] if frontier.size % 2 else heads[0].prev
    if frontier.size == 0:
        before = entry.NO_LEAF
    for head, leaf in zip(heads, leaves, strict=True):
        if head.prev != before:
            raise Refusal(
                "chain",
                ALTERED,
                f"entry {head.seq} ({head.kind}): its prev is not the hash of entry {head.seq - 1}",
            )
        before = leaf
        frontier = merkle.add(frontier, leaf)
    root = merkle.root(frontier).hex()
    if root != summary["root"]:
        raise Refusal("chain", ALTERED, f"heads add up to root {root[:16]}..., job.json differs")


def _match_bodies(mine: Sequence[Head], lines: Sequence[bytes]) -> dict[int, bytes]:
    digests = [canonical.digest(line) for line in lines]
    if len(lines) != len(mine):
        have = Counter(digests)
        for head in mine:
            if not have[head.body]:
                raise Refusal(
                    "chain", INCOMPLETE, f"body of entry {head.seq} ({head.kind}) is withheld"
                )
            have[head.body] -= 1
        raise Refusal("chain", ALTERED, f"expected {len(mine)} bodies, found {len(lines)}")
    for head, found in zip(mine, digests, strict=True):
        if found != head.body:
            raise Refusal(
                "chain",
                ALTERED,
                f"entry {head.seq} ({head.kind}): its body is not the one its head names",
            )
    return {head.seq: line for head, line in zip(mine, lines, strict=True)}


def _check_definitions(
    files: Mapping[str, bytes], chain: _Range
) -> tuple[Opening, list[Definition]]:
    with blame("definitions", MALFORMED):
        opening = seal.read_opening(chain.own)
        definitions = seal.read_definitions(chain.own)
    fixed = {"procedure.json": opening.procedure}
    fixed |= {f"driver-{name}.json": (name, digest) for name, digest in opening.drivers}
    defined = {found.member for found in definitions}
    for name in fixed:
        if name not in defined:
            raise Refusal("definitions", INCOMPLETE, f"{name[:80]!a}: no entry defines it")
    for found in definitions:
        _check_definition(files, found, fixed.get(found.member))
    for name in files:
        if name.startswith("driver-") and name not in defined:
            raise Refusal("definitions", ALTERED, f"{name}: no entry defines it")
    return opening, definitions


def _check_definition(
    files: Mapping[str, bytes], found: Definition, fixed: tuple[str, str] | None
) -> None:
    """Check that member, entry and the digest fixed at job.open are three times the same thing."""
    name = f"{found.member[:80]!a}"[1:-1]
    if found.member not in files:
        raise Refusal("definitions", INCOMPLETE, f"member {name} is missing")
    data = canonical.dumps(found.value)
    if files[found.member] != data:
        where = _place_of_difference(files[found.member], found.value)
        raise Refusal("definitions", ALTERED, f"{name}: differs from entry {found.seq}{where}")
    if fixed is None:
        raise Refusal("definitions", ALTERED, f"{name}: job.open does not name it")
    if fixed != (found.id, canonical.digest(data)):
        raise Refusal(
            "definitions", ALTERED, f"{name}: entry {found.seq} is not what job.open fixed"
        )


def _check_job(chain: _Range) -> Entry:
    kinds = Counter(found.kind for found in chain.own)
    closing = chain.own[-1]
    if closing.kind != "job.close":
        raise Refusal("job", INCOMPLETE, f"ends with {closing.kind}, expected job.close")
    for kind in ("job.open", "job.close"):
        if kinds[kind] != 1:
            raise Refusal("job", MALFORMED, f"{kinds[kind]} entries {kind}, expected one")
    if closing.body.keys() != {"frames", "claims", "reason"}:
        raise Refusal("job", MALFORMED, "job.close: other keys than expected")
    for key, kind in (("frames", "frame"), ("claims", entry.CLAIM)):
        said = closing.body[key]
        if said != kinds[kind] or isinstance(said, bool):
            raise Refusal("job", INCOMPLETE, f"{key}: job.close says {said!a}, found {kinds[kind]}")
    if closing.body["reason"] not in ("finished", "abandoned"):
        raise Refusal("job", MALFORMED, "job.close: reason is neither finished nor abandoned")
    return closing


def _check_meters(chain: _Range) -> None:
    """Check that every frame is of a meter that was declared when the job was opened."""
    rows = chain.own[0].body.get("meters")
    listed = rows if isinstance(rows, list) else []
    declared = [row.get("name") for row in listed if isinstance(row, dict)]
    for found in chain.own:
        if found.kind == "frame" and found.body.get("meter") not in declared:
            name = str(found.body.get("meter"))[:80]
            raise Refusal(
                "verdicts",
                VERDICT_DIFFERS,
                f"entry {found.seq} (frame): of meter {name!a}, which job.open does not declare",
            )


def _check_claims(chain: _Range, derive: Callable[[Iterable[Entry]], Derived]) -> int:
    inputs = [found for found in chain.own if found.kind != entry.CLAIM]
    try:
        # By way of bytes, so that both sides are of the plain types that a record can hold.
        again = [canonical.loads(canonical.dumps(claim)) for claim in derive(inputs).claims]
    except Exception as error:
        # Whatever a hostile definition does to the code that reads it, the answer is a report.
        text = f"{type(error).__name__}: {str(error)[:200]!a}"
        raise Refusal("verdicts", MALFORMED, f"cannot be worked out again: {text}") from error
    said = _claims(chain)
    for found, other in zip(said, again, strict=False):
        differences = list(_differences(found.body, other))
        if differences:
            where = f"entry {found.seq} (claim on {_subject(found.body)})"
            reasons = [f"{where}: {line}" for line in differences[:_LINES_SHOWN]]
            raise Refusal("verdicts", VERDICT_DIFFERS, *reasons)
    if len(said) > len(again):
        extra = said[len(again)]
        raise Refusal(
            "verdicts",
            VERDICT_DIFFERS,
            f"entry {extra.seq} (claim on {_subject(extra.body)}): nothing gives rise to it",
        )
    if len(said) < len(again):
        lost = again[len(said)]
        raise Refusal(
            "verdicts",
            VERDICT_DIFFERS,
            f"a claim on {_subject(lost)} follows from the entries and is not recorded",
        )
    for found in said:
        cause = found.body.get("cause")
        if not isinstance(cause, int) or cause >= found.seq:
            raise Refusal(
                "verdicts", VERDICT_DIFFERS, f"entry {found.seq}: claims before its cause {cause!a}"
            )
    return sum(found.kind == "frame" for found in inputs)


def _check_rebuilt(
    files: Mapping[str, bytes], chain: _Range, summary: Mapping[str, object]
) -> None:
    added = None
    if summary["v"] == seal.SIGNED:
        added = {name: files[name] for name in seal.ADDED if name in files}
    with blame("verdicts", MALFORMED):
        again = seal.members(
            chain.rows, chain.mine, chain.job, str(summary["software"]), chain.frontier, added
        )
    if files["job.json"] != again["job.json"]:
        where = _place_of_difference(files["job.json"], canonical.loads(again["job.json"]))
        status = VERDICT_DIFFERS if where.startswith(": steps") else ALTERED
        raise Refusal("verdicts", status, f"job.json: differs from the entries{where}")
    for name in files:
        if name not in again:
            raise Refusal("verdicts", ALTERED, f"{name}: no member of a record")
    for name in again:
        if files[name] != again[name]:
            raise Refusal("verdicts", ALTERED, f"{name}: not what the entries give")


def _reservations(
    chain: _Range, opening: Opening, outcome: Outcome, stamped: datetime | None
) -> list[str]:
    found = []
    if opening.practice:
        found.append("a practice job: its acts and observations were not made by a person on site")
    for what, text in (("who", opening.who), ("where", opening.where)):
        if is_mixed(text):
            found.append(f"{what} mixes letters that look alike, or holds unseen ones: {text!a}")
    unsynced = sum(not held.at.synced for held in chain.own)
    if unsynced:
        found.append(
            f"clock not synchronised in {unsynced} of {len(chain.own)} entries: "
            "dates are the recorder's own; " + _true_time(chain, stamped)
        )
    found += clock_steps(chain.heads)
    found += _overdue(chain)
    untested = [
        f"{step!a}"[1:-1]
        for step, row in sorted(outcome.steps.items())
        if isinstance(row, dict) and row.get("verdict") == "not tested"
    ]
    if untested:
        found.append(f"steps not tested: {', '.join(untested)}")
    return found


def _overdue(chain: _Range) -> list[str]:
    """Instruments that were used although their papers had run out, and why."""
    return [
        f"{_show(claim.body.get('instrument'))} was overdue on {_show(claim.body.get('due'))}, "
        f"used because: {_show(claim.body.get('override'))}"
        for claim in _claims(chain)
        if claim.body.get("claim") == "instrument" and claim.body.get("papers") == "overdue"
    ]


def _true_time(chain: _Range, stamped: datetime | None) -> str:
    # An authority may give its time cut to whole seconds: it was up to one later.
    stamped_ns = None if stamped is None else (int(stamped.timestamp()) + 1) * NS_PER_S
    return timing.bounds_text(
        timing.bound_unsynchronised(chain.job, chain.heads, chain.mine, stamped_ns)
    )


def is_mixed(text: str) -> bool:
    """Whether a text mixes alphabets that share shapes, or holds signs that are not seen.

    Latin, Greek and Cyrillic have letters of one shape; a name in one of them alone is only a name.
    """
    kinds = {unicodedata.name(char, "").split(" ")[0] for char in text if char.isalpha()}
    unseen = any(unicodedata.category(char).startswith("C") for char in text)
    return unseen or len(kinds & _ALIKE) > 1


def _claims(chain: _Range) -> list[Entry]:
    return [found for found in chain.own if found.kind == entry.CLAIM]


def _subject(claim: object) -> str:
    name = claim.get("step", claim.get("claim")) if isinstance(claim, dict) else claim
    return f"{str(name)[:80]!a}"


def _span(chain: _Range) -> str:
    return f"{chain.heads[0].seq} to {chain.heads[-1].seq}"


def _place_of_difference(found: bytes, expected: object) -> str:
    """Say where a member leaves the value that it should hold, or nothing if it is no JSON."""
    try:
        value = canonical.loads(found)
    except JournalError:
        return ""
    return next((f": {line}" for line in _differences(value, expected)), "")


def _differences(record: object, again: object, path: tuple[str, ...] = ()) -> Iterator[str]:
    """Name each field that is not the same on both sides, as a path with both values."""
    if isinstance(record, dict) and isinstance(again, dict):
        for key in sorted(record.keys() | again.keys()):
            yield from _differences(record.get(key, _ABSENT), again.get(key, _ABSENT), (*path, key))
    elif isinstance(record, (list, tuple)) and isinstance(again, (list, tuple)):
        for place in range(max(len(record), len(again))):
            yield from _differences(
                record[place] if place < len(record) else _ABSENT,
                again[place] if place < len(again) else _ABSENT,
                (*path, str(place)),
            )
    elif record != again or type(record) is not type(again):
        name = ".".join(ascii(part)[1:-1] for part in path) or "value"
        yield f"{name}: the record says {_show(record)}, the entries give {_show(again)}"


class _Absent:
    pass


_ABSENT = _Absent()


def _show(value: object) -> str:
    if value is _ABSENT:
        return "nothing"
    text = ascii(value)
    return text if len(text) <= 80 else f"{text[:77]}..."  # noqa: PLR2004  one line on a terminal


def _whole(summary: Mapping[str, object], key: str) -> int:
    value = summary[key]
    assert isinstance(value, int)  # noqa: S101  _read_summary has refused anything else
    return value


def _split(data: bytes, check: str, name: str) -> list[bytes]:
    if not data.endswith(b"\n"):
        raise Refusal(check, MALFORMED, f"{name}: empty or without a last line end")
    return data[:-1].split(b"\n")


def _plain(text: str) -> str:
    """Escape everything that could move a cursor, change a colour or turn the writing round."""
    return "".join(char if " " <= char <= "~" else ascii(char)[1:-1] for char in text)
