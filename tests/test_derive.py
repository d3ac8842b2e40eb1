"""Entries to claims: the one way to derive a job, and what it refuses to derive."""

from __future__ import annotations

import copy
import itertools
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sequence import jobs
from sequence.oracle import breaches, floats
from sequence.walking import NS_PER_S

from metercap.derive import Derivation, Shown, derive
from metercap.errors import JournalError, MetercapError
from metercap.journal.entry import CLAIM, Draft, Entry
from metercap.journal.store import Journal
from metercap.model import Reading, Refusal
from metercap.sequence.effect import Claim, Progress, Signal

if TYPE_CHECKING:
    from pathlib import Path

    from metercap.sequence.effect import Effect


def whole_visit() -> list[Draft]:
    told = jobs.visit()
    told.until_live()
    told.live_tests()
    told.observe("left-in-order", "all done")
    told.choose("finish")
    return jobs.drafts(told)


WHOLE = whole_visit()
ENTRIES = [Entry(n, d.job, n, d.kind, d.at, d.body) for n, d in enumerate(WHOLE, 1)]
CLAIMS = derive(ENTRIES).claims


def changed(place: int, **body: object) -> list[Entry]:
    found = ENTRIES[place]
    return [
        *ENTRIES[:place],
        found._replace(body={**found.body, **body}),
        *ENTRIES[place + 1 :],
    ]


def first(kind: str) -> int:
    return next(place for place, entry in enumerate(ENTRIES) if entry.kind == kind)


def test_a_whole_visit_is_derived_with_every_verdict() -> None:
    job = CLAIMS[-1]
    assert (job["claim"], job["result"]) == ("job", "all steps hold")
    attempts = [body for body in CLAIMS if body["claim"] == "attempt"]
    assert len(attempts) == len(jobs.SPUR.step)
    assert breaches(jobs.SPUR, CLAIMS) == []
    assert [place for body in CLAIMS for place in floats(body)] == []


def test_a_journal_file_leads_to_the_same_claims(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "j.sqlite", "pi-1")
    for start in range(0, len(WHOLE), 7):
        journal.append(WHOLE[start : start + 7])
    first_time = derive(journal.entries(1)).claims
    journal.append([Draft(1, CLAIM, WHOLE[-1].at, body) for body in first_time])
    second_time = derive(journal.entries(1)).claims
    kept = [entry.body for entry in journal.entries(1) if entry.kind == CLAIM]
    journal.close()
    assert first_time == second_time == kept == CLAIMS


@given(st.lists(st.integers(0, len(ENTRIES)), max_size=12))
def test_in_whatever_portions_the_claims_are_the_same(cuts: list[int]) -> None:
    derivation = Derivation()
    bounds = [0, *sorted(cuts), len(ENTRIES)]
    for low, high in itertools.pairwise(bounds):
        portion: list[Effect | Shown] = []
        for entry in copy.deepcopy(ENTRIES[low:high]):
            portion += derivation.feed(entry)
        assert all(not isinstance(e, Claim) or e.body in CLAIMS for e in portion)
    assert derivation.claims == CLAIMS


@given(st.data())
def test_one_hex_digit_of_one_frame_changes_a_digest(data: st.DataObject) -> None:
    places = [place for place, entry in enumerate(ENTRIES) if entry.kind == "frame"]
    place = data.draw(st.sampled_from(places))
    raw = str(ENTRIES[place].body["raw"])
    digit = data.draw(st.integers(0, len(raw) - 1))
    other = data.draw(st.sampled_from([c for c in "0123456789abcdef" if c != raw[digit]]))
    claims = derive(changed(place, raw=raw[:digit] + other + raw[digit + 1 :])).claims
    assert [body.get("frames") for body in claims] != [body.get("frames") for body in CLAIMS]


@pytest.mark.parametrize("key", ["session", "number"])
def test_number_and_session_of_a_frame_are_in_the_digest(key: str) -> None:
    place = len(ENTRIES) - 10
    assert ENTRIES[place].kind == "frame"
    value = ENTRIES[place].body[key]
    assert isinstance(value, int)
    claims = derive(changed(place, **{key: value + 100})).claims
    assert [body.get("frames") for body in claims] != [body.get("frames") for body in CLAIMS]


def test_the_digests_count_every_frame() -> None:
    frames = [body["frames"] for body in CLAIMS if "frames" in body]
    count = sum(row["count"] for row in frames)  # type: ignore[call-overload, index]
    assert count == sum(entry.kind == "frame" for entry in ENTRIES) == derive(ENTRIES).frames


# Frames: new, late, doubled


def dead_job(*frames: tuple[str, dict[str, object]]) -> tuple[Derivation, list[Effect | Shown]]:
    """A job at its first measured step, and then these frames."""
    told = jobs.visit()
    told.acts()
    bodies = [(draft.kind, draft.body) for draft in jobs.drafts(told)]
    derivation = Derivation()
    effects: list[Effect | Shown] = []
    for entry in jobs.entries([*bodies, jobs.link(), *frames]):
        effects += derivation.feed(entry)
    return derivation, effects


def freshness(*frames: tuple[str, dict[str, object]]) -> list[bool]:
    return [effect.fresh for effect in dead_job(*frames)[1] if isinstance(effect, Shown)]


def test_frames_are_told_apart_by_session_and_number_and_never_by_value() -> None:
    frame = jobs.frame
    shown = "0.28 Ohm"
    assert freshness(frame(1, shown), frame(2, shown), frame(3, shown)) == [True] * 3
    assert freshness(frame(1, shown), frame(1, shown)) == [True, False]
    assert freshness(frame(2, shown), frame(1, shown), frame(3, shown)) == [True, False, True]
    assert freshness(frame(1, shown), frame(4, shown)) == [True, True]
    assert freshness(frame(9, shown), jobs.link(2), frame(1, shown, 2)) == [True, True]
    assert freshness(frame(9, shown), frame(1, shown, 2), frame(10, shown)) == [True, True, False]


def test_doubled_frames_settle_nothing() -> None:
    once = [jobs.frame(n, "OL MOhm") for n in range(1, 5)]
    doubled = [jobs.frame(5, "0.28 Ohm")] * 60
    derivation, effects = dead_job(*once, *doubled)
    assert [body["claim"] for body in derivation.claims] == ["act"] * 9
    late = [e for e in effects if isinstance(e, Progress) and e.signal is Signal.LATE]
    assert len(late) == 59


def timed(*frames: tuple[int, int, str, int]) -> list[bool]:
    """Freshness of frames given as (number, time in s, boot, session)."""
    derivation = Derivation()
    for entry in jobs.entries(jobs.opening()):
        derivation.feed(entry)
    fresh = []
    for seq, (number, time_s, boot, session) in enumerate(frames, 4):
        _, body = jobs.frame(number, "0.28 Ohm", session)
        entry = Entry(seq, 1, seq, "frame", jobs.at(time_s * NS_PER_S, boot), body)
        fresh += [e.fresh for e in derivation.feed(entry) if isinstance(e, Shown)]
    return fresh


def test_a_frame_from_before_the_one_before_is_late() -> None:
    a = "boot-a"
    assert timed((1, 10, a, 1), (2, 5, a, 1), (3, 7, a, 1), (4, 11, a, 1)) == [
        True,
        False,
        False,
        True,
    ]


def test_the_first_frame_of_a_new_boot_is_not_late() -> None:
    assert timed((1, 5000, "boot-a", 1), (1, 20, "boot-b", 2)) == [True, True]


def test_bytes_that_are_no_reading_are_shown_as_such_and_the_job_goes_on() -> None:
    kind, body = jobs.frame(1, "0.28 Ohm")
    broken = (kind, {**body, "raw": "00" + str(body["raw"])[2:]})
    derivation, effects = dead_job(broken, jobs.frame(2, "0.28 Ohm"))
    outcomes = [e.outcome for e in effects if isinstance(e, Shown)]
    assert isinstance(outcomes[0], Refusal)
    assert isinstance(outcomes[1], Reading)
    assert derivation.frames == 2


# What no recorder writes


def feed(*bodies: tuple[str, dict[str, object]]) -> None:
    derive(jobs.entries(bodies))


def without(body: dict[str, object], key: str) -> dict[str, object]:
    return {name: value for name, value in body.items() if name != key}


OPEN, PROCEDURE, DRIVER = jobs.opening()
FRAME = jobs.frame(1, "0.28 Ohm")
BAD: dict[str, list[tuple[str, dict[str, object]]]] = {
    "frame before all": [FRAME],
    "act before all": [jobs.act("permission", {})],
    "definition before all": [PROCEDURE],
    "frame before the definitions": [OPEN, FRAME],
    "frame before the last definition": [OPEN, PROCEDURE, FRAME],
    "definition of another hash": [
        OPEN,
        ("definition", {**PROCEDURE[1], "definition": {"id": "x"}}),
    ],
    "definition that is none": [OPEN, ("definition", {"definition": "text"})],
    "definition twice": [OPEN, PROCEDURE, DRIVER, DRIVER],
    "opened twice": [OPEN, PROCEDURE, DRIVER, OPEN],
    "opened twice at once": [OPEN, OPEN],
    "meter without a driver": [
        ("job.open", {**OPEN[1], "meters": [{"name": "m", "driver": "other"}]}),
        PROCEDURE,
        DRIVER,
    ],
    "no meters": [("job.open", without(OPEN[1], "meters")), PROCEDURE, DRIVER],
    "no drivers": [("job.open", without(OPEN[1], "drivers")), PROCEDURE],
    "drivers that are no rows": [("job.open", {**OPEN[1], "drivers": ["x"]}), PROCEDURE],
    "nobody": [("job.open", without(OPEN[1], "who")), PROCEDURE, DRIVER],
}
AFTER: dict[str, tuple[str, dict[str, object]]] = {
    "undeclared meter": ("frame", {**FRAME[1], "meter": "another"}),
    "link of an undeclared meter": ("link", {**jobs.link()[1], "meter": "another"}),
    "raw that is no hex": ("frame", {**FRAME[1], "raw": "zz"}),
    "raw of half a byte": ("frame", {**FRAME[1], "raw": "abc"}),
    "raw that is no text": ("frame", {**FRAME[1], "raw": 12}),
    "no raw": ("frame", without(FRAME[1], "raw")),
    "no session": ("frame", without(FRAME[1], "session")),
    "a truth for a number": ("frame", {**FRAME[1], "number": True}),
    "number as text": ("frame", {**FRAME[1], "number": "1"}),
    "link without session": ("link", without(jobs.link()[1], "session")),
    "link without reason": ("link", without(jobs.link()[1], "reason")),
    "act without answers": ("act", {"by": "A", "act": "permission"}),
    "act with a number": ("act", {"by": "A", "act": "permission", "answers": {"x": 1}}),
    "act by nobody": ("act", {"act": "permission", "answers": {}}),
    "begin without step": ("begin", {"by": "A"}),
    "observe without answer": ("observe", {"by": "A", "step": "fuse-marking"}),
    "entered without step": ("observe", {"by": "A", "answer": {"value": "1 MOhm"}}),
    "entered as a number": (
        "observe",
        {"by": "A", "step": "fuse-marking", "answer": {"value": 1}},
    ),
    "choose nothing": ("choose", {"by": "A"}),
    "limit without reason": ("limit", {"by": "A", "step": "x", "agreed": "B"}),
    "operator without name": ("operator", {}),
}


@pytest.mark.parametrize("name", BAD)
def test_a_job_that_is_not_opened_right_is_refused_in_one_line(name: str) -> None:
    with pytest.raises(JournalError) as caught:
        feed(*BAD[name])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", AFTER)
def test_a_malformed_body_is_refused_in_one_line(name: str) -> None:
    with pytest.raises(JournalError) as caught:
        feed(OPEN, PROCEDURE, DRIVER, AFTER[name])
    assert "\n" not in str(caught.value)
    assert str(caught.value).isprintable()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.text(max_size=4),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(st.text(max_size=4), below),
    max_leaves=4,
)
KINDS = ["frame", "act", "observe", "begin", "choose", "limit", "operator", "restart", "link"]
KEYS = st.sampled_from(
    ["meter", "raw", "session", "number", "by", "act", "answers", "step", "answer", "what",
     "reason", "agreed", "up"]
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(KINDS), st.dictionaries(KEYS, JSON)), max_size=6))
def test_any_body_is_taken_or_refused_and_never_breaks(
    bodies: list[tuple[str, dict[str, object]]],
) -> None:
    derivation = Derivation()
    for entry in jobs.entries([OPEN, PROCEDURE, DRIVER, *bodies]):
        try:
            derivation.feed(entry)
        except MetercapError as error:
            assert "\n" not in str(error)  # noqa: PT017  most bodies are taken


def test_entries_that_hold_no_event_lead_to_nothing() -> None:
    more = [("remark", {"text": "rain"}), ("loss", {"meter": "meter", "count": 3}), ("clock", {})]
    derivation = derive(jobs.entries([OPEN, PROCEDURE, DRIVER, *more]))
    assert derivation.claims == []
    assert derivation.ending is None
