"""Attacks on a signed record, each made by code that reseals all that its attacker could.

The letters say what the attacker has: F the file only, K a key of their own, D the recorder's key,
B that and the log, Z a ZIP writer, C a hand on the clock, N nothing but bad luck. The numbers are
those of the project's table of attacks. What an archive of many records finds is not here.
"""

from __future__ import annotations

import io
import struct
import warnings
import zipfile
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import pytest
from bench.verify import make_rows
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from record import signedjob, smalljob
from record.authority import CLOCK, OTHER_CLOCK
from record.signedjob import DEVICE, ENGINEER, FIRM, LOOK_ALIKE, STRANGER, TODAY, UNENROLLED, YEAR

from metercap.derive import derive
from metercap.journal import canonical, entry, merkle, note
from metercap.record import cms, container, manifest, seal, signing
from metercap.record.trust import Trust
from metercap.record.verify import Report, verify

if TYPE_CHECKING:
    from collections.abc import Callable

    from metercap.journal.entry import Draft
    from metercap.record.seal import Sealer

STAMPED = datetime(2026, 11, 25, 11, 0, 5, tzinfo=UTC)
APPROVED = frozenset(
    smalljob.named(found)["sha256"] for found in (smalljob.PROCEDURE, smalljob.DRIVER)
)
TRUST = Trust(TODAY, (FIRM.root,), (CLOCK.root,), (), APPROVED)


def stamped(data: bytes, at: datetime = STAMPED) -> bytes:
    return seal.stamp(data, lambda covered: CLOCK.token(covered, at))


GOOD = stamped(signedjob.sealed())
BARE = signedjob.sealed()


def check(data: bytes, trusted: Trust | None = TRUST) -> Report:
    return verify(data, "job-2.asice", smalljob.derive, trusted)


# Hands on the file.


def repacked(change: Callable[[dict[str, bytes]], object], data: bytes = GOOD) -> bytes:
    """Change members and write the ZIP anew, its check sums too; no digest, no seal."""
    files = container.unpack(data)
    change(files)
    return container._write(files)


def replaced(name: str, old: bytes, new: bytes) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        assert old in files[name]
        files[name] = files[name].replace(old, new, 1)

    return change


def resummed(change: Callable[[dict[str, bytes]], object], data: bytes = BARE) -> bytes:
    """Change members, make sums and manifest anew, and leave the signature as it was."""
    files = container.unpack(data)
    signature = files.pop("META-INF/signature001.p7s")
    del files["META-INF/ASiCManifest001.xml"]
    change(files)
    del files["sha256sums"]
    files["sha256sums"] = seal.sums(files)
    first = manifest.next_seal(files, manifest.SIGNATURE)
    return container.pack(manifest.with_seal(files, first, signature))


def resealed(change: Callable[[dict[str, bytes]], object], sealer: Sealer = DEVICE) -> bytes:
    """Change members and make everything that seals them anew, with a key and a time-stamp."""
    return stamped(signedjob.resealed(BARE, change, sealer))


SHOWN = replaced("bodies.jsonl", b'"raw":"0150"', b'"raw":"0050"')


# Hands on the log.


def rewritten(change: Callable[[list[Draft]], object], sealer: Sealer = DEVICE) -> bytes:
    """Change what was written and make the whole log, its checkpoints and the record anew."""
    written = signedjob.drafts()
    change(written)
    return stamped(signedjob.sealed(written, sealer))


def replace(kind: str, place: int, **changes: object) -> Callable[[list[Draft]], None]:
    def change(written: list[Draft]) -> None:
        found = [n for n, draft in enumerate(written) if draft.job == 2 and draft.kind == kind]
        draft = written[found[place]]
        written[found[place]] = draft._replace(body={**draft.body, **changes})

    return change


def lines_dropped(name: str, *kinds: str) -> Callable[[dict[str, bytes]], None]:
    """Drop the head or body line of the first claim, which is the failed attempt."""

    def change(files: dict[str, bytes]) -> None:
        lines = files[name].splitlines(keepends=True)
        place = next(n for n, line in enumerate(lines) if any(k.encode() in line for k in kinds))
        del lines[place]
        files[name] = b"".join(lines)

    return change


def dropped(files: dict[str, bytes]) -> None:
    lines_dropped("heads.jsonl", '"kind":"claim"')(files)
    lines_dropped("bodies.jsonl", '"claim":"attempt"')(files)


def swapped(files: dict[str, bytes]) -> None:
    for name in ("heads.jsonl", "bodies.jsonl"):
        lines = files[name].splitlines(keepends=True)
        lines[7], lines[12] = lines[12], lines[7]
        files[name] = b"".join(lines)


SOFT = {**smalljob.PROCEDURE, "step": [{"id": n, "limit": "9.00"} for n in ("earth", "neutral")]}


def softened_from_the_start() -> bytes:
    inputs = [
        smalljob.opening(procedure=smalljob.named(SOFT)),
        ("definition", {"what": "procedure", "id": "two-steps", "definition": SOFT}),
        *smalljob.INPUTS[2:],
    ]
    saved, smalljob.PROCEDURE = smalljob.PROCEDURE, SOFT
    try:
        return stamped(signedjob.sealed(signedjob.drafts(inputs)))
    finally:
        smalljob.PROCEDURE = saved


def clock(shift: timedelta = timedelta(0), first: int = 0, *, synced: bool = True) -> bytes:
    def change(written: list[Draft]) -> None:
        for place, draft in enumerate(written):
            moved = round(shift.total_seconds()) * 10**9 if place >= first else 0
            at = draft.at._replace(utc_ns=draft.at.utc_ns + moved, synced=synced)
            written[place] = draft._replace(at=at)

    return rewritten(change)


def history_rewritten() -> bytes:
    """The failed attempt never was: with the key and the log, all of it can be made anew."""
    inputs = [*smalljob.INPUTS[:4], *smalljob.INPUTS[6:]]
    return stamped(signedjob.sealed(signedjob.drafts(inputs)))


def forked() -> bytes:
    """The log is made anew, but a checkpoint of the first one still stands in it."""
    written = signedjob.drafts()
    first = signedjob.rows(written)
    place = next(n for n, draft in enumerate(written) if draft.kind == "checkpoint") + 3
    kept = next(n for n in range(place, len(written)) if written[n].kind == "checkpoint")
    body = canonical.loads(first[kept].body)
    written[kept] = written[kept]._replace(body=body)
    replace("frame", 0, raw="fffe")(written)
    return stamped(signedjob.sealed(written))


def previous(size: int | None) -> bytes:
    """Hand in another previous checkpoint, truly signed; None withholds it."""

    def change(files: dict[str, bytes]) -> None:
        del files["previous.txt"]
        if size is not None:
            before = smalljob.frontier(signedjob.rows()[:size])
            text = note.checkpoint_text(smalljob.LOG, before)
            public = signing.certified_bytes(DEVICE.certificate)
            files["previous.txt"] = note.sign_note(text, smalljob.LOG, public, DEVICE.sign).encode()

    return resealed(change)


# Hands on the ZIP.


def zipped(*more: tuple[str, bytes], how: int = zipfile.ZIP_STORED) -> bytes:
    out = io.BytesIO(GOOD)
    with warnings.catch_warnings(), zipfile.ZipFile(out, "a") as archive:
        warnings.simplefilter("ignore")  # zipfile warns of the repeated name that is wanted here
        for name, data in more:
            archive.writestr(name, data, how)
    return out.getvalue()


def other_local_name() -> bytes:
    place = GOOD.index(b"readme.txt")
    return GOOD[:place] + b"writme.txt" + GOOD[place + 10 :]


def zip64_end() -> bytes:
    return GOOD[:-22] + struct.pack("<4sQ", b"PK\x06\x06", 44) + GOOD[-22:]


def numbers(text: bytes) -> bytes:
    return resealed(replaced("job.json", b'"size":22', b'"size":' + text))


# Keys and certificates.


def expiring(sealer_ends: datetime) -> Sealer:
    return FIRM.certify(1002, valid=(signedjob.BEGINS, sealer_ends))


def revoked(at: datetime, firm: signedjob.Firm = FIRM) -> Trust:
    row = x509.RevokedCertificateBuilder(DEVICE.certificate.serial_number, at).build()
    found = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(firm.root.subject)
        .last_update(TODAY)
        .next_update(TODAY + timedelta(days=35))
        .add_revoked_certificate(row)
        .sign(firm.key, hashes.SHA256())
    )
    return TRUST._replace(revoked=(found,))


def other_token() -> bytes:
    first = container.unpack(stamped(signedjob.sealed(first=1)))
    return repacked(lambda files: files.update({TOKEN: first[TOKEN]}))


def stripped(files: dict[str, bytes], *, all_of_it: bool = False) -> None:
    for name in [name for name in files if container.is_seal_name(name)]:
        if all_of_it or name != "META-INF/ASiCManifest001.xml":
            del files[name]


def as_version_1() -> bytes:
    all_rows = [row for row in signedjob.rows() if row.seq >= 4]
    first = smalljob.frontier(signedjob.rows()[:3])
    return seal.seal(all_rows[:-1], 2, smalljob.SOFTWARE, first)


def signed_version_1() -> bytes:
    return signedjob.signed(container.unpack(as_version_1()))


def token_by(sealer_number: int, sealer: Sealer) -> bytes:
    """A token signed with a key of the firm's own, which is certified for documents."""
    false = CLOCK._replace(key=signedjob.key(sealer_number), certificate=sealer.certificate)
    return seal.stamp(BARE, lambda covered: false.token(covered, STAMPED))


TOKEN = "META-INF/timestamp001.tst"  # noqa: S105  a time-stamp is no secret
LATE = TRUST._replace(at=TODAY + 4 * YEAR)
SHORT = expiring(TODAY - timedelta(minutes=30))


class Attack(NamedTuple):
    number: str
    who: str
    data: Callable[[], bytes]
    exit: int
    reason: str
    trusted: Trust | None = TRUST


ATTACKS = [
    Attack("0-none", "-", lambda: GOOD, 0, ""),
    Attack("1-shown-value", "F", lambda: repacked(SHOWN), 4, "member bodies.jsonl differs"),
    Attack("2-and-sums", "F", lambda: resummed(SHOWN), 4, "signature001.p7s: signature: made over"),
    Attack("3-own-key", "K", lambda: resealed(SHOWN, UNENROLLED), 6, "self-signed by a recorder"),
    Attack("4-look-alike", "K", lambda: resealed(SHOWN, STRANGER), 6, "comes from no root"),
    Attack("5-bodies", "D", lambda: resealed(SHOWN), 4, "entry 11 (frame): its body is not"),
    Attack("6-value", "D", lambda: rewritten(replace("claim", 0, value="0050")), 8, "value: "),
    Attack("7-verdict", "D", lambda: rewritten(replace("claim", 0, verdict="pass")), 8, "verdict"),
    Attack("9-attempt", "D", lambda: resealed(dropped), 5, "expected entry 12, found 13"),
    Attack(
        "10-body-withheld",
        "D",
        lambda: resealed(lines_dropped("bodies.jsonl", '"claim":"attempt"')),
        5,
        "body of entry 12 (claim) is withheld",
    ),
    Attack("11-order", "D", lambda: resealed(swapped), 5, "expected entry 11, found 16"),
    Attack("12-history", "B", history_rewritten, 0, ""),  # the residual risk: no witness saw it
    Attack("12.2-fork", "B", forked, 5, "another root at size"),
    Attack("15-meter", "D", lambda: rewritten(replace("frame", 1, meter="n")), 8, "not declare"),
    Attack(
        "16-limit",
        "F",
        lambda: repacked(replaced("procedure.json", b'"1.00"', b'"1.60"')),
        4,
        "member procedure.json differs",
    ),
    Attack(
        "17-limit",
        "D",
        lambda: rewritten(replace("definition", 0, definition=SOFT)),
        4,
        "procedure.json: entry 6 is not what job.open fixed",
    ),
    Attack(
        "18-scale",
        "D",
        lambda: rewritten(replace("definition", 1, definition={"id": "bench", "scale": "0.02"})),
        4,
        "driver-bench.json: entry 7 is not what job.open fixed",
    ),
    Attack("19-soft-start", "D", softened_from_the_start, 6, "not among the approved definitions"),
    Attack("20-clock-back", "C", lambda: clock(timedelta(hours=-2), 12), 1, "stepped by -7200.0 s"),
    Attack("21-clock-ahead", "C", lambda: clock(timedelta(days=8)), 4, "later than the time-stamp"),
    Attack(
        "22-unsynchronised", "N", lambda: clock(synced=False), 1, "clock not synchronised in 16"
    ),
    Attack("23-cut", "F", lambda: GOOD[: len(GOOD) // 2], 3, "not readable as zip"),
    Attack("24-twice", "Z", lambda: zipped(("job.json", b"{}")), 3, "stands twice"),
    *(
        Attack(f"25.{n}-name", "Z", lambda name=name: zipped((name, b"")), 3, "member name")
        for n, name in enumerate(
            ("../up", "/etc/x", "j\u043eb.json", "x" * 300, "META-INF/more", "META-INF/../x", "A")
        )
    ),
    Attack("26-extra", "Z", lambda: repacked(lambda f: f.update(extra=b"")), 4, "has no digest"),
    Attack("26.1-extra", "Z", lambda: resummed(lambda f: f.update(extra=b"")), 4, "made over"),
    Attack("26.2-extra", "D", lambda: resealed(lambda f: f.update(extra=b"")), 4, "no member of a"),
    Attack("27-removed", "Z", lambda: repacked(lambda f: f.pop("procedure.json")), 5, "is missing"),
    Attack(
        "28-bomb",
        "Z",
        lambda: zipped(("bomb", bytes(50 << 20)), how=zipfile.ZIP_DEFLATED),
        3,
        "members larger than the file",
    ),
    Attack("29-before", "Z", lambda: b"#!/bin/sh\n" + GOOD, 3, "bytes beside its members"),
    Attack("29.1-after", "Z", lambda: GOOD + b"\n", 3, "bytes beside its members"),
    Attack("29.2-between", "Z", zip64_end, 3, "container: "),
    Attack("30-local-name", "Z", other_local_name, 3, "not readable as zip"),
    Attack(
        "31-repeated-key",
        "D",
        lambda: resealed(replaced("job.json", b'"job":2', b'"job":2,"job":2')),
        3,
        "a key stands twice",
    ),
    Attack("32.0-number", "D", lambda: numbers(b"1e400"), 3, "number '1e400'"),
    Attack("32.1-number", "D", lambda: numbers(b"1" * 30), 3, "16 digits or more"),
    Attack("32.2-number", "D", lambda: numbers(b"NaN"), 3, "number 'NaN'"),
    Attack("32.3-number", "D", lambda: numbers(b"22.0"), 3, "number '22.0'"),
    Attack("32.4-depth", "D", lambda: numbers(b"[" * 200_000), 3, "RecursionError"),
    Attack("33-token", "F", other_token, 4, "timestamp001.tst: time-stamp: made over other bytes"),
    Attack(
        "34-clock",
        "F",
        lambda: seal.stamp(BARE, lambda covered: OTHER_CLOCK.token(covered, STAMPED)),
        4,
        "does not hold under the roots given",
    ),
    Attack("34.1-clock", "K", lambda: token_by(1002, DEVICE), 4, "does not hold under the roots"),
    Attack(
        "34.2-clock",
        "K",
        lambda: token_by(1002, DEVICE),
        4,
        "does not hold under the roots",
        TRUST._replace(tsa_roots=(FIRM.root,)),
    ),
    Attack("35-stripped", "F", lambda: repacked(stripped), 7, "no signature"),
    Attack(
        "35.1-stripped", "F", lambda: repacked(lambda f: stripped(f, all_of_it=True)), 7, "no sig"
    ),
    Attack("35.2-version-1", "F", as_version_1, 7, "no signature"),
    Attack("35.3-version-1", "D", signed_version_1, 4, "version 1 has no signature"),
    Attack(
        "35.4-middle",
        "F",
        lambda: repacked(
            lambda f: f.pop("META-INF/signature001.p7s"), seal.approve(BARE, ENGINEER, TODAY)
        ),
        4,
        "signature001.p7s: missing",
    ),
    Attack(
        "35.5-loose",
        "F",
        lambda: repacked(lambda f: f.update({"META-INF/signature007.p7s": b"x"})),
        4,
        "signature007.p7s: no manifest",
    ),
    Attack(
        "36-expired", "N", lambda: signedjob.sealed(sealer=SHORT), 6, "certificate expired 2026-11"
    ),
    Attack(
        "36.1-expired-later",
        "N",
        lambda: stamped(signedjob.sealed(sealer=SHORT)),
        1,
        "certificate expired 2026-11-25; the time-stamp proves",
    ),
    Attack("36.2-years-later", "N", lambda: GOOD, 1, "certificate expired 2028-12-31", LATE),
    Attack("36.3-years-later", "N", lambda: BARE, 6, "certificate expired 2028-12-31", LATE),
    Attack("37-revoked", "K", lambda: GOOD, 6, "revoked 2026-11-24", revoked(TODAY - YEAR / 365)),
    Attack("37.1-later", "K", lambda: GOOD, 1, "revoked 2026-11-25; the time", revoked(TODAY)),
    Attack("37.2-unstamped", "K", lambda: BARE, 6, "revoked 2026-11-25, and no", revoked(TODAY)),
    Attack(
        "37.4-old-list",
        "N",
        lambda: GOOD,
        1,
        "ran out 2026-12-30",
        revoked(TODAY)._replace(at=TODAY + YEAR),
    ),
    Attack("37.3-no-list", "K", lambda: GOOD, 0, "", revoked(TODAY - YEAR, LOOK_ALIKE)),
    Attack(
        "38-unenrolled",
        "N",
        lambda: stamped(signedjob.sealed(sealer=UNENROLLED)),
        6,
        "self-signed by a recorder that no firm has enrolled",
    ),
    Attack("38.1-no-root", "N", lambda: GOOD, 6, "integrity holds, identity does not", None),
    Attack(
        "38.2-own-root",
        "N",
        lambda: stamped(signedjob.sealed(sealer=UNENROLLED)),
        6,
        "self-signed",
        TRUST._replace(roots=(UNENROLLED.certificate,)),
    ),
    Attack(
        "38.3-clocks-root",
        "N",
        lambda: GOOD,
        6,
        "from no root",
        TRUST._replace(roots=(CLOCK.root,)),
    ),
    Attack(
        "39-letters", "D", lambda: rewritten(replace("job.open", 0, who="\u0410nn Meter")), 1, "who"
    ),
    Attack(
        "40-untested",
        "N",
        lambda: stamped(
            signedjob.sealed(signedjob.drafts([*smalljob.INPUTS[:-3], smalljob.INPUTS[-1]]))
        ),
        1,
        "steps not tested: neutral",
    ),
    Attack("41-previous-withheld", "D", lambda: previous(None), 5, "previous.txt is missing"),
    Attack("42-previous-older", "D", lambda: previous(2), 5, "at size 2, expected 3"),
    Attack("43-engineer-as-device", "K", lambda: resealed(len, ENGINEER), 6, "expected devices"),
    Attack("44-approved", "-", lambda: stamped(seal.approve(BARE, ENGINEER, TODAY)), 0, ""),
    Attack(
        "44.1-approval", "K", lambda: stamped(seal.approve(BARE, STRANGER, TODAY)), 6, "no root"
    ),
    Attack("45-no-tsa-root", "N", lambda: GOOD, 1, "not checked", TRUST._replace(tsa_roots=())),
    Attack("46-no-time-stamp", "N", lambda: BARE, 1, "no time-stamp: nothing but"),
]


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda row: row.number)
def test_an_attack_gets_its_answer(attack: Attack) -> None:
    report = check(attack.data(), attack.trusted)
    said = "\n".join(report.reasons + report.reservations)
    assert attack.reason in said, said
    assert report.exit == attack.exit, said


def test_a_wrong_check_byte_is_found_with_the_shipped_driver() -> None:
    """Attack 8: whoever holds the key forges a frame, and misses its check byte."""
    entries = [entry.read_entry(row.head, row.body) for row in make_rows(130)]
    written = [entry.Draft(found.job, found.kind, found.at, found.body) for found in entries]

    def sealed() -> bytes:
        rows = signedjob.rows([draft._replace(job=2 * draft.job) for draft in written])
        return stamped(signedjob.seal_rows(rows))

    approved = TRUST._replace(approved=None)
    assert verify(sealed(), "x", derive, approved).exit == 1  # a step was not tested
    place = [n for n, draft in enumerate(written) if draft.kind == "frame"][50]
    raw = bytes.fromhex(str(written[place].body["raw"]))
    forged = {**written[place].body, "raw": (raw[:-1] + bytes([raw[-1] ^ 1])).hex()}
    written[place] = written[place]._replace(body=forged)
    assert verify(sealed(), "x", derive, approved).exit == 8


def flipped(data: bytes, place: int) -> bytes:
    return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]


STRIDE = 13  # a prime, so that every column of every line is met somewhere


def test_every_byte_of_the_file_matters() -> None:
    """All 28,790 were tried when this was written, and none accepted; here one in thirteen."""
    data = stamped(seal.approve(BARE, ENGINEER, TODAY))
    for place in range(0, len(data), STRIDE):
        report = check(flipped(data, place))
        assert report.exit in {3, 4, 5, 7}, place


def test_every_byte_of_every_member_matters() -> None:
    """As above, with the ZIP's own check sums repaired.

    Of all 27,002, ten were accepted when this was written: version numbers and labels on the
    outermost wrapping of the time-stamp, which nothing signs and which change no answer.
    """
    files = container.unpack(stamped(seal.approve(BARE, ENGINEER, TODAY)))
    for name, held in files.items():
        for place in range(0, len(held), STRIDE):
            report = check(container._write({**files, name: flipped(held, place)}))
            if report.exit == 0:
                assert name == TOKEN, (name, place)
            else:
                assert report.exit in {3, 4, 5}, (name, place)


def test_every_byte_of_the_signature_matters() -> None:
    """A signature has no bit that could be another: all bits, not a sample."""
    content = container.unpack(BARE)["META-INF/ASiCManifest001.xml"]
    data = container.unpack(BARE)["META-INF/signature001.p7s"]
    assert cms.read(data, content).certificate == DEVICE.certificate
    for place in range(len(data) * 8):
        changed = bytearray(data)
        changed[place // 8] ^= 1 << place % 8
        with pytest.raises(cms.RecordError):
            cms.read(bytes(changed), content)


def test_a_log_grown_after_the_record_does_not_change_its_root() -> None:
    summary = canonical.loads(container.unpack(BARE)["job.json"])
    before = smalljob.frontier(signedjob.rows()[: summary["from"] + summary["size"] - 1])
    assert merkle.root(before).hex() == summary["root"]
