"""Records of version 2 as they were made on 2026-11-25, which every later version must answer.

The files of fixtures/records were written by `python tests/record/keep.py`; they are never made
anew. Their rule is the small one of the tests, so that no change of the sequence touches them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from record import signedjob, smalljob

from metercap.device import read_certificates
from metercap.record.trust import Trust
from metercap.record.verify import verify

FOLDER = Path(__file__).parents[2] / "fixtures" / "records"
ANSWERS = {
    "v2-approved-and-stamped.asice": 0,
    "v2-not-stamped.asice": 1,
    "v2-unenrolled.asice": 6,
    "v2-signature-taken-away.asice": 7,
    "v2-frame-changed-and-signed-by-a-look-alike.asice": 6,
    "v2-frame-changed-and-log-made-anew.asice": 8,
    "v2-failed-attempt-dropped.asice": 5,
    "v2-time-stamp-of-another-record.asice": 4,
}
TRUST = Trust(
    datetime(2026, 11, 25, 12, tzinfo=UTC),
    tuple(read_certificates(FOLDER / "root.pem")),
    tuple(read_certificates(FOLDER / "tsa-root.pem")),
)


@pytest.mark.parametrize("name", ANSWERS)
def test_a_kept_record_is_answered_as_on_its_first_day(name: str) -> None:
    report = verify((FOLDER / name).read_bytes(), name, smalljob.derive, TRUST)
    assert report.exit == ANSWERS[name], report.reasons


def test_nothing_else_is_kept() -> None:
    assert {path.name for path in FOLDER.iterdir()} == {*ANSWERS, "root.pem", "tsa-root.pem"}


def test_the_same_job_still_gives_the_same_bytes() -> None:
    kept = (FOLDER / "v2-not-stamped.asice").read_bytes()
    assert signedjob.sealed() == kept
