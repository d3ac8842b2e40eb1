"""The firm's archive: a folder, here or on a server, of records and checkpoints of its recorders.

Each log has a folder. Every file is named for what it holds and written once, under another name
first, so nothing in an archive is ever written over; two that add at the same moment may both be
taken, and a check names what they did. What the archive says of a set of records is
decided in `metercap.record.holding`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote, unquote, urlsplit

import fsspec
import paramiko
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from metercap.checking import read
from metercap.derive import derive
from metercap.errors import JournalError, OperatorError, RecordError
from metercap.journal import canonical, entry, note
from metercap.record import certificate, holding, signing
from metercap.record.holding import Finding, Held, Seen
from metercap.record.refusal import ALTERED, EXITS, INCOMPLETE, MALFORMED, UNTRUSTED, VALID
from metercap.record.trust import Trust
from metercap.record.verify import verify

_RECORD = re.compile(r"job-([0-9]+)-entries-([0-9]+)-([0-9]+)-([0-9a-f]{64})\.asice")
_CHECKPOINT = re.compile(r"checkpoint-([0-9]+)-([0-9a-f]{64})\.txt")
_SIGNER = re.compile(r"recorder-([0-9a-f]{64})\.pem")
_TIMEOUT_S = 30  # a server that says nothing for so long is not there (common practice)
_FOUND = 1


class Answer(NamedTuple):
    """What came of one file, in one line; `exit` as `metercap verify` has it."""

    place: str
    exit: int
    status: str
    text: str


class Checked(NamedTuple):
    """What does not hold, what the rest shows, and how many records and checkpoints that is."""

    bad: list[Answer]
    findings: list[Finding]
    records: int
    checkpoints: int


class Archive(NamedTuple):
    """A folder of a file system, which may be on a server."""

    files: Any
    top: str


class _KnownHosts(paramiko.MissingHostKeyPolicy):  # type: ignore[misc]  # the library is untyped
    """Takes a server only under a key that the person has written down before."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def missing_host_key(
        self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey
    ) -> None:
        """Raise OperatorError unless the file holds the key under that name."""
        del client
        known = paramiko.HostKeys(str(self.path)) if self.path.exists() else paramiko.HostKeys()
        if not known.check(hostname, key):
            raise OperatorError(
                f"{hostname}: its key {key.get_name()} {key.fingerprint} is not the one in "
                f"{self.path}, or there is none"
            )


@contextmanager
def opened(place: str, known_hosts: Path, key: Path | None = None) -> Iterator[Archive]:
    """Open the archive at a path or an address such as sftp://user@host:22/folder.

    `known_hosts` are the keys of SFTP servers, as OpenSSH keeps them; `key` is the own one, and
    None takes those of OpenSSH and its agent. Raises OperatorError.
    """
    if "::" in place:
        # The library would go through one address to another, past the check of its key.
        raise OperatorError(f"{place}: two addresses in one, expected one")
    more: dict[str, object] = {}
    kind = urlsplit(place).scheme if "://" in place else "file"
    if kind in {"sftp", "ssh"}:
        if urlsplit(place).password is not None:
            raise OperatorError(f"{kind}: found a password in the address, expected a key")
        more = {"host_key_policy": _KnownHosts(known_hosts), "timeout": _TIMEOUT_S}
        if key is not None:
            more |= {"key_filename": str(key), "look_for_keys": False, "allow_agent": False}
    files: Any = None
    try:
        files, top = _reach(place, more)
        yield Archive(files, top.rstrip("/"))
    except (paramiko.SSHException, EOFError) as error:
        raise OperatorError(f"{place}: the server refused: {error}") from error
    except OSError as error:
        raise OperatorError(f"{place}: {error.strerror or error}") from error
    finally:
        if isinstance(getattr(files, "client", None), paramiko.SSHClient):
            files.client.close()


def _reach(place: str, more: dict[str, object]) -> tuple[Any, str]:
    try:
        files, top = fsspec.core.url_to_fs(place, skip_instance_cache=True, **more)
    except (ImportError, ValueError) as error:
        raise OperatorError(f"{place}: no file system for it: {error}") from error
    return files, str(top)


def add(archive: Archive, given: Sequence[Path], trusted: Trust) -> list[Answer]:
    """Keep records, checkpoints and recorders' certificates, unless they contradict what is kept.

    Without roots, a log belongs to the key that was the first to be kept for it. Raises
    OperatorError for a file that cannot be read.
    """
    answers: list[Answer] = []
    records: list[tuple[Held, bytes]] = []
    notes: list[tuple[str, bytes]] = []
    for path in given:
        data = read(path)
        if data.startswith(b"-----BEGIN CERTIFICATE"):
            answers.append(_add_signer(archive, str(path), data, trusted))
        elif data.startswith(b"PK"):
            held = _accept(archive, str(path), data, trusted)
            if isinstance(held, Answer):
                answers.append(held)
            else:
                records.append((held, data))
        else:
            notes.append((str(path), data))
    answers += _add_records(archive, records)
    # Records first: what they show makes older checkpoints known.
    answers += [_add_checkpoint(archive, place, data) for place, data in notes]
    return answers


def check(archive: Archive, trusted: Trust) -> Checked:
    """Verify every record that is kept, and find what the set of them shows."""
    if not archive.files.isdir(archive.top):
        raise OperatorError(f"{archive.top}: no archive, expected a folder")
    bad: list[Answer] = []
    records: list[Held] = []
    checkpoints: dict[str, list[Seen]] = {}
    for log in _logs(archive):
        names = _names(archive, log)
        signers = _signers(archive, log, names)
        for name in names:
            place = f"{quote(log, safe='')}/{name}"
            data = b""
            if _RECORD.fullmatch(name) or _CHECKPOINT.fullmatch(name):
                data = _load(archive, log, name)
            if _RECORD.fullmatch(name):
                held = _judge(place, data, trusted)
                if isinstance(held, Held) and (held.log, _record_name(held, data)) != (log, name):
                    held = Answer(place, EXITS[ALTERED], ALTERED, "holds another record than named")
                bad += [held] if isinstance(held, Answer) else []
                records += [held] if isinstance(held, Held) else []
            elif _CHECKPOINT.fullmatch(name):
                read = _read_checkpoint(place, data, log, signers)
                if isinstance(read, Answer):
                    bad.append(read)
                else:
                    checkpoints.setdefault(log, []).append(read)
    found = holding.find_all(records, checkpoints)
    return Checked(bad, found, len(records), sum(map(len, checkpoints.values())))


def exit_of(found: Answer | Finding) -> int:
    """Give the exit code that an answer or a finding leads to."""
    if isinstance(found, Answer):
        return found.exit
    return EXITS[INCOMPLETE] if found.kind in holding.INCOMPLETE else _FOUND


def _judge(place: str, data: bytes, trusted: Trust) -> Held | Answer:
    """Read a record that holds, under the roots if there are any."""
    report = verify(data, place, derive, trusted)
    is_enough = report.exit <= _FOUND if trusted.roots else report.is_whole
    if not is_enough or "signer" not in report.facts:
        return Answer(place, report.exit, report.status, "; ".join(report.reasons))
    return holding.read_record(place, data)


def _accept(archive: Archive, place: str, data: bytes, trusted: Trust) -> Held | Answer:
    held = _judge(place, data, trusted)
    if isinstance(held, Answer) or trusted.roots:
        return held
    signers = _signers(archive, held.log, _names(archive, held.log))
    if signers and not any(one.public_key() == held.signer.public_key() for one in signers):
        return Answer(
            place,
            EXITS[UNTRUSTED],
            UNTRUSTED,
            f"log {held.log} is kept for another key; give --root if the firm has certified this",
        )
    return held


def _add_records(archive: Archive, given: Sequence[tuple[Held, bytes]]) -> list[Answer]:
    """Add records in the order of their logs; those that fit into a hole, from its end."""
    answers: list[Answer] = []
    forked: set[str] = set()
    behind: list[tuple[Held, bytes]] = []
    for held, data in sorted(given, key=lambda pair: (pair[0].log, pair[0].last)):
        answer = _add_record(archive, held, data, forked)
        if isinstance(answer, holding.Objection):
            behind.append((held, data))
        else:
            answers.append(answer)
    for held, data in reversed(behind):
        again = _add_record(archive, held, data, forked)
        if isinstance(again, holding.Objection):
            again = _refused(held.place, again.text)
        answers.append(again)
    return answers


def _add_record(
    archive: Archive, held: Held, data: bytes, forked: set[str]
) -> Answer | holding.Objection:
    """Add one record; an objection if it lies behind what is kept and nothing shows where yet."""
    if held.log in forked:
        return _refused(held.place, f"log {held.log} forked before it")
    objection = _find_objection(archive, held)
    if objection is not None and objection.forked:
        forked.add(held.log)
        return _refused(held.place, objection.text)
    if objection is not None:
        return objection
    _keep_signer(archive, held.log, held.signer)
    is_new = _keep(archive, held.log, _record_name(held, data), data)
    text = f"job {held.job} of {held.log}, entries {held.first} to {held.last}"
    return Answer(held.place, 0, VALID, f"{'kept' if is_new else 'was kept before'}: {text}")


def _find_objection(archive: Archive, held: Held) -> holding.Objection | None:
    names = _names(archive, held.log)
    ends = (held.first - 1, held.last)
    kept = _known(archive, held.log, names, held.first - 1, held.last, ends)
    given = holding.roots(held, {held.last, *(seen.size for seen in kept)})
    return holding.find_objection(given, kept, _newest(names))


def _add_checkpoint(archive: Archive, place: str, data: bytes) -> Answer:
    try:
        text = data.decode("utf-8")
        log = note.parse_checkpoint(note.parse_note(text).text).log
    except (UnicodeDecodeError, JournalError) as error:
        told = f"neither a record, a checkpoint nor a certificate ({error})"
        return Answer(place, EXITS[MALFORMED], MALFORMED, told)
    if not entry.is_log_name(log):
        return Answer(place, EXITS[MALFORMED], MALFORMED, f"no name of a log: {log[:80]!a}")
    names = _names(archive, log)
    seen = _read_checkpoint(place, data, log, _signers(archive, log, names))
    if isinstance(seen, Answer):
        return seen
    kept = _known(archive, log, names, seen.size, seen.size, (seen.size,))
    objection = holding.find_objection([seen], kept, _newest(names))
    if objection is not None:
        return _refused(place, objection.text)
    name = f"checkpoint-{seen.size:018}-{seen.root.hex()}.txt"
    is_new = not kept and _keep(archive, log, name, data)
    return Answer(
        place, 0, VALID, f"{'kept' if is_new else 'was known before'}: {log} at {seen.size}"
    )


def _read_checkpoint(
    place: str, data: bytes, log: str, signers: Sequence[x509.Certificate]
) -> Seen | Answer:
    try:
        found = holding.read_checkpoint(place, data.decode("utf-8"), signers)
    except (UnicodeDecodeError, JournalError) as error:
        return Answer(place, EXITS[MALFORMED], MALFORMED, str(error))
    except RecordError as error:
        return Answer(place, EXITS[ALTERED], ALTERED, str(error))
    if found is None or found[0] != log:
        told = f"not signed by a recorder that is kept for {log}: add its certificate or a record"
        return Answer(place, EXITS[UNTRUSTED], UNTRUSTED, told)
    return found[1]


def _add_signer(archive: Archive, place: str, data: bytes, trusted: Trust) -> Answer:
    """Keep the certificate of a recorder; the log is the one that it is named for."""
    try:
        found = x509.load_pem_x509_certificate(data)
    except ValueError as error:
        return Answer(place, EXITS[MALFORMED], MALFORMED, f"no certificate ({error})")
    named = certificate.read_name(found)
    issuer = certificate.find_issuer(found, trusted.roots, trusted.at)
    if isinstance(issuer, certificate.Untrusted) or named.role != certificate.DEVICES:
        told = "not a recorder's" if named.role != certificate.DEVICES else "no --root is behind it"
        return Answer(place, EXITS[UNTRUSTED], UNTRUSTED, told)
    if not entry.is_log_name(named.name):
        return Answer(place, EXITS[MALFORMED], MALFORMED, f"no name of a log: {named.name[:80]!a}")
    _keep_signer(archive, named.name, found)
    return Answer(place, 0, VALID, f"kept: the recorder of {named.name}")


def _refused(place: str, text: str) -> Answer:
    return Answer(place, EXITS[INCOMPLETE], INCOMPLETE, text)


def _known(
    archive: Archive, log: str, names: Sequence[str], low: int, high: int, ends: Sequence[int]
) -> list[Seen]:
    """Give the roots that are kept of a log at sizes from low to high, as far as names tell.

    Of a record that is kept, those at its own ends and at `ends`.
    """
    known = []
    for name in names:
        if match := _CHECKPOINT.fullmatch(name):
            if low <= int(match[1]) <= high:
                known.append(Seen(name, int(match[1]), bytes.fromhex(match[2])))
        elif match := _RECORD.fullmatch(name):
            before, last = int(match[2]) - 1, int(match[3])
            if before <= high and last >= low:
                held = holding.read_record(name, _load(archive, log, name))
                known += holding.roots(held, (before, last, *ends))
    return known


def _newest(names: Sequence[str]) -> int:
    sizes = [int(match[1]) for name in names if (match := _CHECKPOINT.fullmatch(name))]
    sizes += [int(match[3]) for name in names if (match := _RECORD.fullmatch(name))]
    return max(sizes, default=0)


def _record_name(held: Held, data: bytes) -> str:
    digest = canonical.digest(data)
    return f"job-{held.job:06}-entries-{held.first:012}-{held.last:012}-{digest}.asice"


def _keep_signer(archive: Archive, log: str, signer: x509.Certificate) -> None:
    name = f"recorder-{canonical.digest(signing.certified_bytes(signer))}.pem"
    if name not in _names(archive, log):
        _keep(archive, log, name, signer.public_bytes(Encoding.PEM))


def _signers(archive: Archive, log: str, names: Sequence[str]) -> list[x509.Certificate]:
    found = []
    for name in names:
        if _SIGNER.fullmatch(name):
            try:
                found.append(x509.load_pem_x509_certificate(_load(archive, log, name)))
            except ValueError as error:
                raise RecordError(f"{log}/{name}: no certificate") from error
    return found


def _logs(archive: Archive) -> list[str]:
    rows = archive.files.ls(archive.top, detail=True)
    folders = [row["name"].rstrip("/") for row in rows if row["type"] == "directory"]
    return sorted(unquote(folder.rpartition("/")[2]) for folder in folders)


def _folder(archive: Archive, log: str) -> str:
    return f"{archive.top}/{quote(log, safe='')}"


def _names(archive: Archive, log: str) -> list[str]:
    folder = _folder(archive, log)
    archive.files.invalidate_cache()
    if not archive.files.isdir(folder):
        return []
    paths = archive.files.ls(folder, detail=False)
    return sorted(path.rstrip("/").rpartition("/")[2] for path in paths)


def _load(archive: Archive, log: str, name: str) -> bytes:
    return bytes(archive.files.cat_file(f"{_folder(archive, log)}/{name}"))


def _keep(archive: Archive, log: str, name: str, data: bytes) -> bool:
    """Write a file whole or not at all; whether it is new. Raises RecordError if it has changed."""
    if name in _names(archive, log):
        if name.startswith("job-") and _load(archive, log, name) != data:
            raise RecordError(f"{log}/{name}: has been changed where it is kept")
        return False
    folder = _folder(archive, log)
    archive.files.makedirs(folder, exist_ok=True)
    part = f"{folder}/{name}.part"
    archive.files.pipe_file(part, data)
    archive.files.mv(part, f"{folder}/{name}")
    return True
