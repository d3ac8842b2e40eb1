"""A firm, its recorder and engineer, and the small job sealed by them: for the tests of records.

Every key follows from a number, so everything here has the same bytes on every machine.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from record import smalljob

from metercap.journal import entry, merkle, note
from metercap.record import certificate, cms, container, manifest, seal, signing
from metercap.record.seal import Sealer
from metercap.record.trust import Trust

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from metercap.journal.entry import Draft

TODAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
BEGINS = datetime(2026, 1, 1, tzinfo=UTC)
YEAR = timedelta(days=365)


def key(number: int) -> ec.EllipticCurvePrivateKey:
    return ec.derive_private_key(number, ec.SECP256R1())


class Firm(NamedTuple):
    key: ec.EllipticCurvePrivateKey
    root: x509.Certificate

    @classmethod
    def named(cls, name: str, number: int) -> Firm:
        own = key(number)
        return cls(own, certificate.make_root(own, name, number, (BEGINS, BEGINS + 20 * YEAR)))

    def certify(
        self,
        number: int,
        name: str = smalljob.LOG,
        role: str = certificate.DEVICES,
        valid: tuple[datetime, datetime] = (BEGINS, BEGINS + 3 * YEAR),
    ) -> Sealer:
        own = key(number)
        request = certificate.make_request(own, name)
        found = certificate.issue(request, role, self.root, self.key, number, valid)
        return Sealer(found, signing.signer(own))


FIRM = Firm.named("Example Electrical", 1001)
LOOK_ALIKE = Firm.named("Example Electrical", 6666)
DEVICE = FIRM.certify(1002)
ENGINEER = FIRM.certify(1003, "A. Person", certificate.ENGINEERS)
STRANGER = LOOK_ALIKE.certify(6667)
UNENROLLED = Sealer(certificate.make_own(key(1002), smalljob.LOG), signing.signer(key(1002)))
TRUST = Trust(TODAY, (FIRM.root,))


def drafts(inputs: Sequence[tuple[str, dict[str, object]]] = smalljob.INPUTS) -> list[Draft]:
    return smalljob.drafts(inputs, checkpoints=True)


def rows(written: Sequence[Draft] | None = None, sealer: Sealer = DEVICE) -> list[entry.Row]:
    """Write a log, and sign it wherever an empty checkpoint stands."""
    out: list[entry.Row] = []
    counts: dict[int, int] = {}
    leaf, tip = entry.NO_LEAF, merkle.EMPTY
    public = signing.certified_bytes(sealer.certificate)
    for found in drafts() if written is None else written:
        draft = found
        if draft.kind == "checkpoint" and not draft.body:
            text = note.checkpoint_text(smalljob.LOG, tip)
            signed_text = note.sign_note(text, smalljob.LOG, public, sealer.sign)
            draft = draft._replace(body={"note": signed_text})
        counts[draft.job] = counts.get(draft.job, 0) + 1
        out.append(entry.write_row(smalljob.LOG, len(out) + 1, leaf, counts[draft.job], draft))
        leaf, tip = out[-1].leaf, merkle.add(tip, out[-1].leaf)
    return out


def sealed(
    written: Sequence[Draft] | None = None, sealer: Sealer = DEVICE, first: int | None = None
) -> bytes:
    """Seal job 2 of the log; the stretch begins with entry `first`, or with the job itself."""
    return seal_rows(rows(written, sealer), sealer, first)


def seal_rows(
    all_rows: Sequence[entry.Row], sealer: Sealer = DEVICE, first: int | None = None
) -> bytes:
    places = [place for place, row in enumerate(all_rows) if row.job == smalljob.JOB]
    begin = places[0] if first is None else first - 1
    part = all_rows[begin : places[-1] + 1]
    before = smalljob.frontier(all_rows[:begin])
    return seal.seal(part, smalljob.JOB, smalljob.SOFTWARE, before, sealer)


def resealed(
    data: bytes, change: Callable[[dict[str, bytes]], object], sealer: Sealer = DEVICE
) -> bytes:
    """Change the plain members, then make sums, manifest and signature anew with a key."""
    files = container.unpack(data)
    for name in [name for name in files if container.is_seal_name(name)]:
        del files[name]
    change(files)
    files.pop("sha256sums", None)
    files["sha256sums"] = seal.sums(files)
    return signed(files, sealer)


def signed(files: dict[str, bytes], sealer: Sealer = DEVICE) -> bytes:
    first = manifest.next_seal(files, manifest.SIGNATURE)
    data = cms.sign(first.manifest, sealer.certificate, (), TODAY, sealer.sign)
    return container.pack(manifest.with_seal(files, first, data))
