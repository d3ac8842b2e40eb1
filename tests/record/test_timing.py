"""Within which interval a true time lies, and how a record says it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record import signedjob, smalljob, test_attacks

from metercap.journal.entry import Draft, Entry, Head
from metercap.model import NS_PER_S, Instant
from metercap.record import timing
from metercap.record.timing import Anchor, Bounds, Token
from metercap.record.verify import verify

if TYPE_CHECKING:
    from metercap.record.verify import Report

HOUR_NS = 3600 * NS_PER_S
DATE_NS = 1_795_600_800 * NS_PER_S  # 2026-11-25T10:00:00Z
OFFSETS = st.integers(-(10**9), 10**9)


def at(boot_ns: int, utc_ns: int = DATE_NS, boot: str = "a", *, synced: bool = True) -> Instant:
    return Instant(utc_ns, boot_ns, boot, synced)


def head(seq: int, when: Instant) -> Head:
    return Head("pi-1", seq, b"", 1, seq, "frame", when, "")


def anchor_entry(error_us: object, *, job: int = 0, synced: bool = True) -> Entry:
    return Entry(1, job, 1, "anchor", at(0, synced=synced), {"error_us": error_us})


@given(
    drift=st.integers(-100, 100),
    anchors=st.lists(
        st.tuples(st.integers(0, 10**14), st.integers(0, 10**6), st.integers(-100, 100)),
        min_size=1,
        max_size=5,
    ),
    asked_ns=st.integers(0, 10**14),
)
def test_the_true_time_is_never_outside(
    drift: int, anchors: list[tuple[int, int, int]], asked_ns: int
) -> None:
    """Whatever the boot clock's rate within 100 ppm and the anchors' errors within their word."""

    def true_ns(boot_ns: int) -> int:
        # A clock that is slow by `drift` millionths counts too few; two roundings may add 2 ns.
        return DATE_NS + boot_ns + boot_ns * drift // 1_000_000

    made = [
        Anchor(at(boot_ns, true_ns(boot_ns) + error_us * 1000 * share // 100), error_us)
        for boot_ns, error_us, share in anchors
    ]
    found = timing.by_anchors(at(asked_ns, 0), made)
    assert found is not None
    assert found.earliest_ns is not None
    assert found.latest_ns is not None
    assert found.earliest_ns - 2 <= true_ns(asked_ns) <= found.latest_ns + 2


def test_an_anchor_of_another_boot_says_nothing() -> None:
    assert timing.by_anchors(at(0, boot="b"), [Anchor(at(0), 1)]) is None


@pytest.mark.parametrize(
    "entry",
    [
        anchor_entry(1, synced=False),
        anchor_entry(1, job=1),
        anchor_entry(-1),
        anchor_entry("1"),
        anchor_entry(None),
        anchor_entry(True),
        anchor_entry(1)._replace(kind="clock"),
    ],
)
def test_what_is_no_anchor_is_not_taken_for_one(entry: Entry) -> None:
    assert timing.read_anchors([entry]) == []
    assert timing.read_anchors([anchor_entry(1)]) == [Anchor(at(0), 1)]


@pytest.mark.parametrize(
    "text", [None, 5, "", "soon", "2026-11-25T10:00:00", "2026-02-30T10:00:00Z"]
)
def test_a_token_without_a_date_is_passed_over(text: object) -> None:
    entry = Entry(3, 0, 1, "tst", at(0), {"at": text})
    assert timing.read_tokens([entry]) == []
    whole = entry._replace(body={"at": "2026-11-25T11:00:00+01:00"})
    assert timing.read_tokens([whole]) == [Token(3, DATE_NS)]
    assert timing.read_tokens([whole._replace(job=1)]) == []


def test_what_passed_while_the_machine_was_off_is_not_counted() -> None:
    heads = [
        head(1, at(0)),
        head(2, at(HOUR_NS)),
        head(3, at(5 * HOUR_NS, boot="b")),
        head(4, at(6 * HOUR_NS, boot="b")),
    ]
    found = timing.by_tokens(heads[2], heads, [Token(1, 0)], 9 * HOUR_NS)
    run_ns = HOUR_NS - HOUR_NS // 10_000  # an hour of a clock that may be 100 millionths fast
    assert found[:2] == (run_ns, 9 * HOUR_NS - run_ns)
    assert timing.by_tokens(heads[0], heads, [Token(2, 0)], None)[:2] == (None, None)


@pytest.mark.parametrize(
    ("bounds", "text"),
    [
        (Bounds(), "nothing bounds the true time"),
        (Bounds(1, None, "by x"), "true time not before 1970-01-01T00:00:00Z, by x"),
        (Bounds(None, 1, "by x"), "true time not after 1970-01-01T00:00:01Z, by x"),
        (
            Bounds(DATE_NS - 1, DATE_NS + 1, "by x"),
            "true time between 2026-11-25T09:59:59Z and 2026-11-25T10:00:01Z, by x",
        ),
        (Bounds(2, 1, "by x"), "what bounds the true time contradicts itself"),
        (Bounds(-(10**30), 10**30, "by x"), "nothing bounds the true time"),
    ],
)
def test_bounds_are_told_outward_and_never_as_a_time(bounds: Bounds, text: str) -> None:
    assert timing.bounds_text(bounds) == text


# How a record says it


def told(report: Report) -> str:
    (line,) = [line for line in report.reservations if line.startswith("clock not synchronised")]
    return line.partition("dates are the recorder's own; ")[2]


def unsynced(*others: tuple[int, Draft]) -> list[Draft]:
    """The small job by a clock that is a year late, with more entries of the recorder's."""
    year_ns = 365 * 24 * HOUR_NS
    written = [
        draft._replace(at=draft.at._replace(utc_ns=draft.at.utc_ns - year_ns, synced=False))
        for draft in smalljob.drafts()
    ]
    for place, draft in others:
        written.insert(place, draft)
    for place, draft in enumerate(written):  # a claim names its cause by its number
        if draft.kind == "claim":
            before = [n for n, other in enumerate(written[:place], 1) if other.job == smalljob.JOB]
            inputs = [n for n in before if written[n - 1].kind != "claim"]
            written[place] = draft._replace(body={**draft.body, "cause": inputs[-1]})
    return written


def anchor(error_us: int, number: int = 12, **changes: object) -> Draft:
    when = smalljob.at(number, **changes)  # type: ignore[arg-type]
    return Draft(0, "anchor", when, {"error_us": error_us, "source": "kernel"})


def answer(written: list[Draft]) -> Report:
    report = verify(smalljob.sealed(written), "x", smalljob.derive)
    assert report.exit == 7, report.reasons
    return report


def test_an_anchor_bounds_a_job_whose_clock_was_a_year_late() -> None:
    first, last = (smalljob.at(number).utc_ns / NS_PER_S for number in (13, 31))
    found = told(answer(unsynced((10, anchor(20_000)))))
    _, _, _, earliest, _, latest, *by = found.split()
    assert " ".join(by) == "by the recorder's own anchors"
    seconds = [datetime.fromisoformat(text.rstrip(",")).timestamp() for text in (earliest, latest)]
    # A second for steering, 0.02 s for the anchor, and up to a second for whole seconds.
    assert first - 2.1 <= seconds[0] <= first - 1
    assert last + 1 <= seconds[1] <= last + 2.1


def test_anchors_that_contradict_one_another_are_told_of() -> None:
    other = anchor(20_000, shift_ns=HOUR_NS)
    found = told(answer(unsynced((10, anchor(20_000)), (11, other))))
    assert found == "what bounds the true time contradicts itself"


def test_an_anchor_of_a_clock_that_was_not_synchronised_bounds_nothing() -> None:
    found = told(answer(unsynced((10, anchor(20_000, synced=False)))))
    assert found == "nothing bounds the true time"


def test_without_anchors_a_token_over_the_record_bounds_it_from_above() -> None:
    report = test_attacks.check(test_attacks.clock(synced=False))
    stamped = datetime.fromisoformat(str(report.facts["timestamp"])).astimezone(UTC)
    text, by = told(report).split(", ")
    assert by == "by the time-stamp"
    assert text.startswith("true time not after ")
    late = datetime.fromisoformat(text.removeprefix("true time not after ")) - stamped
    assert -60 < late.total_seconds() <= 1


def test_without_anchors_a_job_lies_between_the_token_before_and_the_one_over_it() -> None:
    written = [draft._replace(at=draft.at._replace(synced=False)) for draft in signedjob.drafts()]
    before = datetime.fromtimestamp(written[0].at.utc_ns // NS_PER_S - 60, UTC)
    written[0] = Draft(0, "tst", written[0].at, {"at": before.isoformat()})
    report = test_attacks.check(test_attacks.stamped(signedjob.sealed(written, first=1)))
    assert report.exit == 1, report.reasons
    stamped = datetime.fromisoformat(str(report.facts["timestamp"])) + timedelta(seconds=1)
    opened = next(draft.at for draft in written if draft.job == smalljob.JOB)
    run = timedelta(microseconds=(opened.boot_ns - written[0].at.boot_ns) // 1000)
    text = told(report).removeprefix("true time between ")
    earliest, latest = (datetime.fromisoformat(part) for part in text.split(",")[0].split(" and "))
    assert before + run - timedelta(seconds=1.1) < earliest <= before + run
    assert stamped - timedelta(seconds=1) < latest <= stamped
    assert text.endswith(", by time-stamps, the earlier one only named in the log")
