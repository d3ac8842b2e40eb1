"""What a set of records shows that no record does: rows A1 to A3 of the table of attacks."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from record.authority import CLOCK
from record.severaljobs import WANDERING, Log, shifted
from record.signedjob import DEVICE, ENGINEER, STRANGER, TODAY

from metercap.errors import JournalError, RecordError
from metercap.journal import note
from metercap.record import holding, seal
from metercap.record.holding import Held, Seen


def log_of(*jobs: tuple[str, ...]) -> Log:
    log = Log()
    for job, shown in enumerate(jobs, 1):
        log.visit(job, shown)
    return log


GOOD = log_of(WANDERING, shifted(1), shifted(2))
RECORDS = {job: GOOD.record(job) for job in (1, 2, 3)}


def held(*jobs: int, log: Log = GOOD) -> list[Held]:
    return [holding.read_record(f"job-{job}", log.record(job)) for job in jobs]


def told(records: list[Held], checkpoints: list[Seen] | None = None) -> list[tuple[str, str]]:
    found = holding.find_all(records, {GOOD.name: checkpoints or []})
    return [(finding.kind, finding.text) for finding in found]


def kinds(records: list[Held], checkpoints: list[Seen] | None = None) -> list[str]:
    return [kind for kind, _ in told(records, checkpoints)]


def seen(text: str, place: str = "checkpoint.txt") -> Seen:
    read = holding.read_checkpoint(place, text, [DEVICE.certificate])
    assert read is not None
    return read[1]


def test_a_full_set_shows_nothing() -> None:
    assert told(held(1, 2, 3)) == []
    assert told(held(3, 1, 2)) == []
    assert told([]) == []


def test_a_job_that_was_not_handed_in_is_named_by_its_entries() -> None:
    first, last = GOOD.closed[2]
    assert told(held(1, 3)) == [
        ("MISSING", f"entries {first} to {last} are in no record: a job is missing")
    ]


def test_a_checkpoint_shows_entries_that_no_record_holds() -> None:
    later = GOOD.copy()
    *_, newest = later.visit(4, shifted(3))
    ((kind, text),) = told(held(1, 2, 3), [seen(newest)])
    last = GOOD.closed[3][1]
    assert kind == "NOT_HANDED_IN"
    assert text.startswith(f"entries {last + 1} to {len(later.rows) - 1} are in no record")
    assert kinds(held(1, 2, 3, 4, log=later), [seen(newest)]) == []


def test_the_same_record_twice_is_named_and_a_later_seal_is_not() -> None:
    one, same = (holding.read_record(place, RECORDS[1]) for place in ("one", "same"))
    assert told([one, same]) == [("REPEATED", "job 1: one and same are the same")]
    approved = seal.approve(RECORDS[1], ENGINEER, TODAY)
    at = datetime(2026, 11, 25, 11, tzinfo=UTC)
    stamped = seal.stamp(RECORDS[1], lambda covered: CLOCK.token(covered, at))
    assert told([one, holding.read_record("approved", approved)]) == []
    assert kinds([holding.read_record("a", approved), holding.read_record("stamped", stamped)]) == [
        "REPEATED"
    ]


def test_two_versions_of_a_job_are_two_versions_and_a_fork() -> None:
    other = log_of(shifted(5))
    assert kinds([*held(1), *held(1, log=other)]) == ["FORKED", "TWO_VERSIONS"]


def test_two_versions_of_one_past_are_told_by_what_differs() -> None:
    first, last = GOOD.closed[1]
    rows = GOOD.rows[first - 1 : last]
    newer = seal.seal(rows, 1, "bench", sealer=DEVICE, render=lambda _: b"%PDF another")
    again = seal.seal(rows, 1, "bench", sealer=DEVICE, render=lambda _: b"%PDF")
    one, other = holding.read_record("one", newer), holding.read_record("other", again)
    assert told([one, other]) == [
        ("TWO_VERSIONS", "job 1: one and other are two versions of it, other in report.pdf")
    ]


def test_a_fork_between_two_records_is_found_by_their_roots() -> None:
    other = log_of(shifted(5), shifted(1), shifted(2))
    found = told([*held(1), *held(2, 3, log=other)])
    size = GOOD.closed[1][1]
    assert found == [("FORKED", f"job-1 and job-2 have other roots at size {size}")]


def test_a_checkpoint_inside_a_record_is_met_while_folding() -> None:
    fork = Log()
    _, after_attempt, _ = fork.visit(1, shifted(5))
    assert kinds(held(1), [seen(after_attempt)]) == ["FORKED"]
    again = Log()
    _, after_attempt, _ = again.visit(1, WANDERING)
    assert told(held(1), [seen(after_attempt)]) == []


def test_frames_of_one_job_in_another_are_named() -> None:
    log = log_of(WANDERING, shifted(1), (*shifted(2, 5), *WANDERING[2:15]))
    ((kind, text),) = told(held(1, 2, 3, log=log))
    assert kind == "REPLAYED"
    assert text.startswith("job 3: frames from entry ")
    assert "are those of job 1 of pi-0007 from entry " in text


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (WANDERING[:12], ["REPLAYED"]),
        (WANDERING[:11], []),
        (("0.21", "0.22", "0.23") * 5, []),
        (("0.21", "0.22", "0.23", "0.24") * 3, ["REPLAYED"]),
        (("0.21",) * 40, []),
    ],
)
def test_twelve_in_a_row_of_which_four_differ(shown: tuple[str, ...], expected: list[str]) -> None:
    assert kinds(held(1, 2, log=log_of(shown, shown))) == expected


def test_frames_of_another_recorder_are_found_too() -> None:
    other = Log("pi-0008")
    other.visit(1, WANDERING)
    records = [*held(1), holding.read_record("other", other.record(1))]
    (finding,) = holding.find_all(records, {})
    assert (finding.kind, finding.log) == ("REPLAYED", "pi-0008")


def test_what_is_given_is_held_against_what_is_kept() -> None:
    kept = [Seen("a", 20, bytes(32)), Seen("b", 409, bytes([1] * 32))]
    assert holding.find_objection([Seen("g", 409, bytes([1] * 32))], kept, 409) is None
    assert holding.find_objection([Seen("g", 20, bytes(32))], kept, 409) is None
    assert holding.find_objection([Seen("g", 500, bytes(32))], kept, 409) is None
    rolled = holding.find_objection([Seen("g", 21, bytes(32))], kept, 409)
    assert rolled is not None
    assert (rolled.forked, rolled.text[:19]) == (False, "kept 409, given 21:")
    forked = holding.find_objection([Seen("g", 409, bytes(32)), Seen("g", 500, b"")], kept, 409)
    assert forked is not None
    assert forked.forked
    assert forked.text == "kept 409, given another root at size 409 than b: the log forked"


def test_a_checkpoint_is_read_by_the_key_of_its_log() -> None:
    signed = Log().visit(1)[0]
    assert holding.read_checkpoint("c", signed, [DEVICE.certificate]) is not None
    assert holding.read_checkpoint("c", signed, [STRANGER.certificate]) is None
    assert holding.read_checkpoint("c", signed, []) is None
    whole = note.parse_note(signed)
    text = whole.text.replace("\n1\n", "\n2\n")
    assert text != whole.text
    with pytest.raises(RecordError, match="its signature does not hold"):
        holding.read_checkpoint("c", note.write_note(whole._replace(text=text)), [DEVICE[0]])
    with pytest.raises(JournalError):
        holding.read_checkpoint("c", "no note", [DEVICE.certificate])


def test_a_record_that_nobody_signed_is_not_for_a_set() -> None:
    unsigned = seal.seal(GOOD.rows[: GOOD.closed[1][1]], 1, "bench")
    with pytest.raises(RecordError, match="not a record that somebody signed"):
        holding.read_record("x", unsigned)
