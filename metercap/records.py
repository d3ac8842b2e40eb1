"""Record files: made from the journal, checked, and added to; what is in them is decided elsewhere.

An added seal replaces the file by a longer one in one step, so that a record is never half written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path

from metercap import stamping
from metercap.checking import read
from metercap.daemon import SOFTWARE
from metercap.derive import derive
from metercap.device import Device, read_certificate, read_key
from metercap.errors import OperatorError, RecordError
from metercap.journal import canonical
from metercap.journal.entry import DEVICE_JOB, Draft, Entry
from metercap.journal.store import Journal
from metercap.model import Instant
from metercap.record import certificate, container, manifest, report, seal, senml, signing, stamp
from metercap.record.table import readings, readings_csv, readings_lines
from metercap.record.trust import Trust
from metercap.record.verify import verify

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def date_of(at: Instant) -> datetime:
    """Turn an instant of the recorder's clock into a date."""
    return _EPOCH + timedelta(microseconds=at.utc_ns // 1000)


class Form(StrEnum):
    """How the readings of a job can be listed, beside its record."""

    CSV = "csv"
    JSON_LINES = "jsonl"
    SENML = "senml"


def export(
    journal_path: Path,
    job: int,
    out: Path,
    open_device: Callable[[str], Device],
    at: datetime,
    forms: Iterable[Form] = (Form.CSV,),
) -> list[Path]:
    """Write job-N.asice, its report as job-N.pdf and its readings in `forms` under `out`.

    `open_device` gives who signs for the log of that name. A record that does not verify is not
    left. The files come in that order. Raises RecordError, before anything is read into memory,
    for a job that no record of this version can hold.
    """
    journal = Journal.read(journal_path)
    try:
        first, last = journal.stretch(job)
        weight = journal.weight(first, last)
        if weight > container.SIZE_LIMIT_BYTES:
            raise RecordError(
                f"job {job}: found {weight >> 20} MiB of entries, expected at most "
                f"{container.SIZE_LIMIT_BYTES >> 20} MiB; it stays in the journal"
            )
        device = open_device(journal.log)
        record = seal.seal(
            list(journal.rows(first, last)),
            job,
            SOFTWARE,
            journal.frontier(first - 1),
            seal.Sealer(device.certificate, device.sign),
            report.render,
        )
        tables = [(form, _list(form, journal.entries(job), journal.log, job)) for form in forms]
    finally:
        journal.close()
    out.mkdir(parents=True, exist_ok=True)
    path = out / f"job-{job}.asice"
    record = _with_what_was_added(path, record)
    _replace(path, record)
    roots = (device.root,) if device.root is not None else ()
    verified = verify(path.read_bytes(), path.name, derive, Trust(at, roots))
    if not verified.is_whole:
        path.unlink()
        raise RecordError(f"job {job}: its record does not verify: {'; '.join(verified.reasons)}")
    pdf = path.with_suffix(".pdf")
    pdf.write_bytes(container.unpack(record)[seal.REPORT])
    written = [path, pdf]
    for form, text in tables:
        written.append(path.with_suffix(f".{form}"))
        written[-1].write_text(text, encoding="utf-8", newline="")
    return written


def _list(form: Form, entries: Iterable[Entry], log: str, job: int) -> str:
    if form is Form.SENML:
        return senml.pack(readings(entries), log, job)
    return readings_csv(entries) if form is Form.CSV else readings_lines(entries)


def _with_what_was_added(path: Path, record: bytes) -> bytes:
    """Keep the time-stamps and approvals of a record that is exported again to the same place.

    Raises OperatorError where they were added to other bytes than `record`.
    """
    if not path.exists():
        return record
    found = read(path)
    try:
        files = container.unpack(found)
        added = manifest.read_seals(files)[1:]
    except RecordError:
        return record  # what lies there is no record, or a broken one
    if not added:
        return record
    if any(files.get(name) != held for name, held in container.unpack(record).items()):
        raise OperatorError(
            f"{path}: has a time-stamp or an approval, and the job would now be sealed otherwise; "
            "move it away first"
        )
    return found


def approve(path: Path, key: Path, own: Path, at: datetime) -> None:
    """Add the signature of a person to a record; raises OperatorError for files that do not fit."""
    found, signer = read_certificate(own), read_key(key)
    if found.public_key() != signer.public_key():
        raise OperatorError(f"{own}: for another key than that in {key}")
    if certificate.read_name(found).role != certificate.ENGINEERS:
        raise OperatorError(f"{own}: not a certificate of {certificate.ENGINEERS}")
    sealer = seal.Sealer(found, signing.signer(signer))
    _replace(path, seal.approve(read(path), sealer, at))


def time_stamp(
    path: Path,
    authorities: Sequence[str],
    journal_path: Path,
    new_nonce: Callable[[], int],
    now: Callable[[], Instant],
) -> datetime:
    """Add a time-stamp to a record and write it into the journal, if there is one; its time.

    The journal's entry proves later that what follows it is younger than the token. Raises
    OperatorError when no authority gives one.
    """
    data = read(path)
    journal = Journal.open(journal_path, "") if journal_path.exists() else None
    try:
        token, address = b"", ""

        def fetch(covered: bytes) -> bytes:
            nonlocal token, address
            token, address = stamping.fetch_token(covered, authorities, new_nonce)
            return token

        stamped = seal.stamp(data, fetch)
        _replace(path, stamped)
        at = stamp.read_token(token).at
        if journal is not None:
            body: dict[str, object] = {
                "record": canonical.digest(data),
                "token": canonical.digest(token),
                "authority": address,
                "at": at.isoformat(),
            }
            journal.append([Draft(DEVICE_JOB, "tst", now(), body)])
    finally:
        if journal is not None:
            journal.close()
    return at


def is_stamped(path: Path) -> bool:
    """Whether a record has a time-stamp; raises OperatorError or RecordError."""
    seals = manifest.read_seals(container.unpack(read(path)))
    return any(found.kind == manifest.TIME_STAMP for found in seals)


def _replace(path: Path, data: bytes) -> None:
    part = path.with_name(f"{path.name}.part")
    part.write_bytes(data)
    part.replace(path)
