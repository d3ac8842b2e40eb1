from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from record import signedjob, smalljob
from record.signedjob import DEVICE, FIRM, STRANGER, TRUST

from metercap.journal import canonical, entry, note
from metercap.record import checkpoints, container, signing
from metercap.record.verify import Report, verify

if TYPE_CHECKING:
    from collections.abc import Callable

    from metercap.journal.entry import Draft
    from metercap.record.seal import Sealer

NEW = FIRM.certify(1009)
UNSTAMPED = "no time-stamp: nothing but the recorder's own clock tells when this was made"


def check(data: bytes) -> Report:
    return verify(data, "job-2.asice", smalljob.derive, TRUST)


def pair(sealer: Sealer) -> tuple[bytes, Callable[[bytes], bytes]]:
    return signing.certified_bytes(sealer.certificate), sealer.sign


def with_rekey(text: str, sealer: Sealer) -> bytes:
    """The recorder changes its key after the job's first checkpoint; `sealer` seals."""
    rekeyed = entry.Draft(0, "rekey", smalljob.at(60), {"note": text})
    plain = signedjob.drafts()
    place = next(n for n, draft in enumerate(plain) if draft.kind == "clock")
    plain[place] = rekeyed  # in its place, so that no entry moves
    before = [draft for draft in plain[:place] if draft.kind == "checkpoint"]
    assert before
    done = signedjob.rows(plain, DEVICE)  # what stood before the change is signed by the old key
    kept = [
        draft._replace(body=body(done[n].body))
        if draft.kind == "checkpoint" and n < place
        else draft
        for n, draft in enumerate(plain)
    ]
    return signedjob.sealed(kept, sealer)


def body(data: bytes) -> dict[str, object]:
    found = canonical.loads(data)
    assert isinstance(found, dict)
    return found


def test_a_checkpoint_stands_at_each_end_and_after_each_attempt() -> None:
    files = container.unpack(signedjob.sealed())
    last = note.parse_checkpoint(note.parse_note(files["checkpoint.txt"].decode()).text)
    first = note.parse_checkpoint(note.parse_note(files["previous.txt"].decode()).text)
    summary = body(files["job.json"])
    assert (last.log, last.size, last.root.hex()) == ("pi-0007", 25, summary["root"])
    assert (first.size, summary["from"]) == (3, 4)
    assert "previous.txt" not in container.unpack(signedjob.sealed(first=1))
    assert files["heads.jsonl"].count(b'"checkpoint"') == 1 + 3


def test_a_record_that_begins_earlier_says_the_same() -> None:
    for first in (1, 2, 3):
        report = check(signedjob.sealed(first=first))
        assert (report.exit, report.reservations) == (1, [UNSTAMPED])
        assert report.facts["from"] == first


def test_a_new_key_that_the_old_one_vouches_for_is_followed() -> None:
    text = checkpoints.write_succession("pi-0007", pair(DEVICE), pair(NEW))
    report = check(with_rekey(text, NEW))
    assert (report.exit, report.reservations) == (1, [UNSTAMPED])


@pytest.mark.parametrize(
    ("old", "new"), [(STRANGER, NEW), (DEVICE, STRANGER)], ids=["after-another", "to-another"]
)
def test_a_key_that_nobody_vouches_for_is_told(old: Sealer, new: Sealer) -> None:
    text = checkpoints.write_succession("pi-0007", pair(old), pair(new))
    report = check(with_rekey(text, NEW))
    assert report.reservations == [UNSTAMPED, "2 checkpoints of the log are by another key"]


def test_a_succession_that_the_old_key_did_not_sign_is_refused() -> None:
    key, _ = pair(DEVICE)
    text = checkpoints.write_succession("pi-0007", (key, STRANGER.sign), pair(NEW))
    report = check(with_rekey(text, NEW))
    assert (report.exit, report.reasons) == (4, ["entry 14 (rekey): not signed by both keys"])
    report = check(with_rekey("nonsense", NEW))
    assert (report.exit, report.reasons[0][:22]) == (3, "entry 14 (rekey): note")


def changed(kind: str, text: Callable[[str], str]) -> Callable[[list[Draft]], None]:
    def change(written: list[Draft]) -> None:
        rows = signedjob.rows(written)
        place = [n for n, draft in enumerate(written) if draft.kind == kind][1]
        old = str(body(rows[place].body)["note"])
        written[place] = written[place]._replace(body={"note": text(old)})

    return change


@pytest.mark.parametrize(
    ("text", "code", "reason"),
    [
        (lambda text: text.replace("pi-0007\n", "pi-0008\n", 1), 3, "of another log"),
        (lambda text: text.replace("\n12\n", "\n13\n", 1), 3, "or of what came later"),
        (lambda text: text.replace("\n12\n", "\n11\n", 1), 5, "another root at size 11"),
        (lambda text: text[:-8] + "AAAA" + text[-4:], 4, "its signature does not hold"),
        (lambda _: "", 3, "note: expected a text"),
    ],
)
def test_a_checkpoint_in_the_log_that_says_otherwise_is_named(
    text: Callable[[str], str], code: int, reason: str
) -> None:
    written = signedjob.drafts()
    changed("checkpoint", text)(written)
    report = check(signedjob.sealed(written))
    assert reason in report.reasons[0]
    assert report.exit == code
