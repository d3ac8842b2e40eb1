"""The attacks again on a job with a shipped driver, the real sequence and the real derivation."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from bench.verify import make_rows
from record import smalljob

from metercap.errors import JournalError
from metercap.journal import canonical, entry
from metercap.journal.entry import Draft
from metercap.record import container, seal
from metercap.record.verify import Report, verify

if TYPE_CHECKING:
    from collections.abc import Iterator

FRAMES = 130  # one attempt that runs to its end, and one that the closing cuts short


@pytest.fixture(scope="module")
def drafts() -> list[Draft]:
    entries = [entry.read_entry(row.head, row.body) for row in make_rows(FRAMES)]
    return [Draft(found.job, found.kind, found.at, found.body) for found in entries]


def check(written: list[Draft]) -> Report:
    return verify(seal.seal(smalljob.rows(written), 1, "bench"), "job-1.asice")


def with_body(written: list[Draft], place: int, body: object) -> list[Draft]:
    return [*written[:place], written[place]._replace(body=body), *written[place + 1 :]]


def digits(text: bytes) -> Iterator[bytes]:
    """Each text that differs in one decimal digit."""
    for match in re.finditer(rb"[0-9]", text):
        other = str((int(match[0]) + 1) % 10).encode()
        yield text[: match.start()] + other + text[match.end() :]


def test_the_job_is_good_before_it_is_attacked(drafts: list[Draft]) -> None:
    report = check(drafts)
    assert (report.status, report.reasons[0][:12]) == ("UNSIGNED", "no signature")
    assert report.facts["attempts"] == 2


def test_a_digit_in_any_frame_is_named_though_all_else_is_repaired(drafts: list[Draft]) -> None:
    places = [place for place, draft in enumerate(drafts) if draft.kind == "frame"]
    assert len(places) == FRAMES
    for place in places:
        raw = str(drafts[place].body["raw"])
        other = next(digits(raw[6:].encode())).decode()
        report = check(with_body(drafts, place, {**drafts[place].body, "raw": raw[:6] + other}))
        assert report.exit == 8
        assert re.match(r"entry \d+ \(claim on '(earth|job)'\): ", report.reasons[0])


def test_a_digit_in_any_claim_is_named_though_all_else_is_repaired(drafts: list[Draft]) -> None:
    tried = 0
    for place, draft in enumerate(drafts):
        if draft.kind != "claim":
            continue
        for other in digits(canonical.dumps(draft.body)):
            try:
                body = canonical.loads(other)
            except JournalError:  # a number that now begins with 0
                continue
            report = check(with_body(drafts, place, body))
            assert report.exit == 8, other
            assert report.reasons[0].startswith(f"entry {place + 1} (claim on ")
            tried += 1
    assert tried > 100


def test_a_softer_limit_is_named_as_long_as_job_open_stands(drafts: list[Draft]) -> None:
    place = next(n for n, draft in enumerate(drafts) if draft.body.get("what") == "procedure")
    body = canonical.dumps(drafts[place].body)
    assert b'"1 Ohm"' in body
    report = check(with_body(drafts, place, canonical.loads(body.replace(b'"1 Ohm"', b'"2 Ohm"'))))
    assert report.exit == 4
    assert report.reasons[0] == "procedure.json: entry 2 is not what job.open fixed"


def test_a_digit_in_any_member_is_named_though_the_sums_are_repaired(drafts: list[Draft]) -> None:
    files = container.unpack(seal.seal(smalljob.rows(drafts), 1, "bench"))
    for name in ("procedure.json", "driver-bench-count.json", "job.json"):
        for other in digits(files[name]):
            forged = {**files, name: other}
            forged.pop("sha256sums")
            forged["sha256sums"] = seal.sums(forged)
            report = verify(container.pack(forged), "job-1.asice")
            assert report.exit in {3, 4, 5, 8}
            assert report.checks[-1].ok is False


def test_hostile_definitions_get_a_report(drafts: list[Draft]) -> None:
    """Whoever holds the recorder can pin nonsense; the verifier must still answer."""
    for place in (1, 2):
        for nonsense in ({}, {"id": "x"}, {"kind": "frame", "id": "bench-count"}):
            body = {**drafts[place].body, "definition": nonsense}
            written = with_body(drafts, place, body)
            pin = {"id": body["id"], "sha256": canonical.digest(canonical.dumps(nonsense))}
            opening = dict(written[0].body)
            opening |= {"procedure": pin} if place == 1 else {"drivers": [pin]}
            report = check(with_body(written, 0, opening))
            assert report.exit == 3
            assert report.reasons[0].startswith("cannot be worked out again: ")
