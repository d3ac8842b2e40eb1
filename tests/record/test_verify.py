from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from record import smalljob

from metercap.journal import canonical
from metercap.journal.entry import Draft
from metercap.record import container
from metercap.record.verify import Report, report_json, report_lines, verify

if TYPE_CHECKING:
    from collections.abc import Callable


def check(data: bytes) -> Report:
    return verify(data, "job-2.asice", smalljob.derive)


def test_a_good_record_is_unsigned_and_nothing_worse() -> None:
    report = check(smalljob.sealed())
    assert (report.status, report.exit, report.reservations) == ("UNSIGNED", 7, [])
    assert [(found.check, found.ok) for found in report.checks] == [
        ("container", True),
        ("sums", True),
        ("signature", None),
        ("chain", True),
        ("definitions", True),
        ("job", True),
        ("verdicts", True),
    ]
    assert report.facts == {
        "job": 2,
        "who": "A. Person",
        "where": "12 Mill Lane",
        "attempts": 3,
        "closed": "finished",
        "result": "done",
        "steps": {"earth": {"verdict": "pass"}, "neutral": {"verdict": "pass"}},
    }


def test_the_report_reads_the_same_every_time() -> None:
    assert report_lines(check(smalljob.sealed())) == [
        "job-2.asice: UNSIGNED",
        "  job 2, 'A. Person' at '12 Mill Lane'",
        "  result as recorded: 'done', 3 attempts",
        "  [ok] container: 8 members, 11859 bytes",
        "  [ok] sums: 7 digests",
        "  [--] signature: none: nothing shows who made this record",
        "  [ok] chain: entries 4 to 21 of log pi-0007",
        "  [ok] definitions: 2 as fixed at job.open",
        "  [ok] job: 16 entries, finished",
        "  [ok] verdicts: 4 claims reached again, 4 frames",
        "       no signature: anyone could have made this record anew",
        "  exit 7",
    ]


def test_the_json_report_is_json() -> None:
    report = report_json(check(smalljob.sealed()))
    assert json.loads(json.dumps(report))["exit"] == 7
    assert report["attempts"] == 3


# What each member and entry may not be changed into without its being named. The sums are repaired
# in all of these; in the second list heads, links and root too.

MEMBERS: list[tuple[str, str, bytes, bytes, int, str]] = [
    ("frame", "bodies.jsonl", b'"raw":"0150"', b'"raw":"0151"', 4, "entry 10 (frame): its body"),
    ("verdict", "bodies.jsonl", b'"fail"', b'"pass"', 4, "entry 11 (claim): its body"),
    ("limit", "bodies.jsonl", b'"1.00"', b'"2.00"', 4, "entry 5 (definition): its body"),
    (
        "limit-member",
        "procedure.json",
        b'"1.00"',
        b'"1.60"',
        4,
        "procedure.json: differs from entry 5: step.0.limit: the record says '1.60', the entries",
    ),
    ("scale", "driver-bench.json", b"0.01", b"0.02", 4, "driver-bench.json: differs from entry 6"),
    ("who", "job.json", b"A. Person", b"B. Person", 4, "job.json: differs from the entries: who"),
    (
        "summary-verdict",
        "job.json",
        b'"pass"',
        b'"fail"',
        8,
        "steps.earth.verdict: the record says 'fail', the entries give 'pass'",
    ),
    ("root", "job.json", b'"root":"', b'"root":"0', 4, "heads add up to root"),
    ("range", "job.json", b'"from":4', b'"from":5', 3, "job.json: no frontier of 4 entries"),
    ("size", "job.json", b'"size":18', b'"size":19', 5, "expected 19 heads, found 18"),
    ("version", "job.json", b'"v":1', b'"v":9', 3, "job.json: version 9, expected 1"),
    ("fraction", "job.json", b'"size":18', b'"size":18.0', 3, "number '18.0'"),
    ("doubled", "job.json", b'"job":2', b'"job":2,"job":2', 3, "a key stands twice"),
    ("space", "job.json", b'"job":2', b'"job": 2', 3, "another spelling"),
    ("time", "heads.jsonl", b":43.200000Z", b":44.200000Z", 4, "entry 8 (frame): its prev is not"),
    ("last-time", "heads.jsonl", b":46.000000Z", b":46.100000Z", 4, "heads add up to root"),
    ("no-date", "heads.jsonl", b"2026-11-18T11:06:43.2", b"2026-02-30T11:06:43.2", 3, "line 4: "),
    ("kind", "heads.jsonl", b'"begin"', b'"wish"', 3, "line 6: head: kind 'wish'"),
    ("head-key", "heads.jsonl", b'{"body":', b'{"a":1,"body":', 3, "line 1: head: other keys"),
    ("job", "heads.jsonl", b'"job":1', b'"job":2', 5, "entry 8: expected entry 5 of job 2"),
    ("log", "heads.jsonl", b'"log":"pi-0007"', b'"log":"pi-0008"', 4, "entry 4: of log pi-0008"),
    ("frontier", "job.json", b'"5fe12234', b'"5fe12230', 4, "entry 4 (job.open): its prev is not"),
    ("far-frontier", "job.json", b'"8118b4b3', b'"8118b4b0', 4, "heads add up to root"),
    ("readme", "readme.txt", b"not a statutory", b"now a statutory", 4, "readme.txt: not what"),
]


@pytest.mark.parametrize("attack", MEMBERS, ids=lambda row: row[0])
def test_a_change_in_a_member_is_named(attack: tuple[str, str, bytes, bytes, int, str]) -> None:
    _, name, old, new, code, reason = attack

    def change(files: dict[str, bytes]) -> None:
        assert old in files[name]
        files[name] = files[name].replace(old, new, 1)

    report = check(smalljob.forged(change))
    assert reason in report.reasons[0]
    assert report.exit == code
    assert report.checks[-1].ok is False


def lines(files: dict[str, bytes], name: str) -> list[bytes]:
    return files[name].splitlines(keepends=True)


def drop(name: str, place: int) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        held = lines(files, name)
        del held[place]
        files[name] = b"".join(held)

    return change


def swap(files: dict[str, bytes]) -> None:
    held = lines(files, "heads.jsonl")
    held[5], held[6] = held[6], held[5]
    files["heads.jsonl"] = b"".join(held)


def drop_both(files: dict[str, bytes]) -> None:
    drop("heads.jsonl", 7)(files)
    drop("bodies.jsonl", 6)(files)


def more(files: dict[str, bytes]) -> None:
    files["bodies.jsonl"] += b'{"raw":"00"}\n'


SHAPES: list[tuple[str, Callable[[dict[str, bytes]], object], int, str]] = [
    ("head-gone", drop("heads.jsonl", 3), 5, "expected entry 7, found 8"),
    ("attempt-gone", drop_both, 5, "expected entry 11, found 12"),
    ("tail-gone", drop("heads.jsonl", -1), 5, "expected 18 heads, found 17"),
    ("first-gone", drop("heads.jsonl", 0), 5, "expected entry 4, found 5"),
    ("body-gone", drop("bodies.jsonl", 5), 5, "body of entry 10 (frame) is withheld"),
    # The same act twice has the same body; one of the two must still be missed.
    ("twin-gone", drop("bodies.jsonl", 4), 5, "body of entry 13 (begin) is withheld"),
    ("body-more", more, 4, "expected 17 bodies, found 18"),
    ("swapped", swap, 5, "expected entry 9, found 10"),
    ("extra-driver", lambda files: files.update({"driver-x.json": b"{}"}), 4, "driver-x.json: no"),
    ("extra-member", lambda files: files.update({"note": b"hi"}), 4, "note: no member of a record"),
    ("no-driver", lambda files: files.pop("driver-bench.json"), 5, "driver-bench.json is missing"),
    ("no-procedure", lambda files: files.pop("procedure.json"), 5, "procedure.json is missing"),
    ("no-heads", lambda files: files.pop("heads.jsonl"), 5, "heads.jsonl is missing"),
    ("heads-empty", lambda files: files.update({"heads.jsonl": b""}), 3, "heads.jsonl: empty"),
    ("heads-blank", lambda files: files.update({"heads.jsonl": b"\n"}), 3, "heads.jsonl line 1: "),
    ("json-list", lambda files: files.update({"job.json": b"[]"}), 3, "job.json: other keys"),
    ("brackets", lambda files: files.update({"job.json": b"[" * 200_000}), 3, "canonical json"),
    ("not-utf8", lambda files: files.update({"job.json": b"\xff"}), 3, "UnicodeDecodeError"),
]


@pytest.mark.parametrize("attack", SHAPES, ids=lambda row: row[0])
def test_something_left_out_or_put_in_is_named(
    attack: tuple[str, Callable[[dict[str, bytes]], object], int, str],
) -> None:
    _, change, code, reason = attack
    report = check(smalljob.forged(change))
    assert reason in report.reasons[0]
    assert report.exit == code


def replace(kind: str, place: int, **changes: object) -> Callable[[list[Draft]], None]:
    def change(written: list[Draft]) -> None:
        found = [n for n, draft in enumerate(written) if draft.job == 2 and draft.kind == kind]
        draft = written[found[place]]
        written[found[place]] = draft._replace(body={**draft.body, **changes})

    return change


def remove(kind: str, place: int) -> Callable[[list[Draft]], None]:
    def change(written: list[Draft]) -> None:
        found = [n for n, draft in enumerate(written) if draft.job == 2 and draft.kind == kind]
        del written[found[place]]

    return change


def softened(written: list[Draft]) -> None:
    soft = {
        **smalljob.PROCEDURE,
        "step": [{"id": n, "limit": "9.00"} for n in ("earth", "neutral")],
    }
    replace("definition", 0, definition=soft)(written)


def softened_everywhere(written: list[Draft]) -> None:
    softened(written)
    soft = written[4].body["definition"]
    replace("job.open", 0, procedure=smalljob.named(soft))(written)


REWRITTEN: list[tuple[str, Callable[[list[Draft]], object], int, str]] = [
    (
        "frame",
        replace("frame", 1, raw="0151"),
        8,
        "entry 11 (claim on 'earth'): frames: the record says '8670896e",
    ),
    ("earlier-frame", replace("frame", 0, raw="fffe"), 8, "entry 11 (claim on 'earth'): frames: "),
    (
        "verdict",
        replace("claim", 0, verdict="pass"),
        8,
        "entry 11 (claim on 'earth'): verdict: the record says 'pass', the entries give 'fail'",
    ),
    ("value", replace("claim", 2, value="0200"), 8, "entry 18 (claim on 'neutral'): value: "),
    ("type", replace("claim", 2, cause=True), 8, "entry 18 (claim on 'neutral'): cause: "),
    ("more-in-claim", replace("claim", 0, note="x"), 8, "note: the record says 'x', the entries"),
    ("claim-gone", remove("claim", 0), 5, "claims: job.close says 4, found 3"),
    ("frame-gone", remove("frame", 0), 5, "frames: job.close says 4, found 3"),
    ("scale", replace("definition", 1, definition={"id": "bench"}), 4, "driver-bench.json: entry"),
    ("limit", softened, 4, "procedure.json: entry 5 is not what job.open fixed"),
    ("limit-too", softened_everywhere, 8, "entry 11 (claim on 'earth'): limit: "),
    ("other-id", replace("definition", 1, id="bench2"), 5, "'driver-bench.json': no entry"),
    ("reason", replace("job.close", 0, reason="x"), 3, "reason is neither"),
    ("who", replace("job.open", 0, who="\x1b[2J"), 7, "no signature"),
]


@pytest.mark.parametrize("attack", REWRITTEN, ids=lambda row: row[0])
def test_a_log_written_anew_is_caught_by_what_follows_from_it(
    attack: tuple[str, Callable[[list[Draft]], object], int, str],
) -> None:
    _, change, code, reason = attack
    report = check(smalljob.rewritten(change))
    assert reason in report.reasons[0]
    assert report.exit == code


def test_a_claim_too_few_or_too_many_is_named() -> None:
    def both(place: int) -> Callable[[list[Draft]], None]:
        def change(written: list[Draft]) -> None:
            remove("claim", place)(written)
            replace("job.close", 0, claims=3)(written)

        return change

    # Without the first, the second stands where the first is expected.
    report = check(smalljob.rewritten(both(0)))
    assert report.exit == 8
    assert "claim on 'earth'" in report.reasons[0]

    def last(written: list[Draft]) -> None:
        remove("choose", 0)(written)
        written.insert(-2, Draft(2, "choose", smalljob.at(50), {"what": "finish"}))
        written.insert(-1, Draft(2, "choose", smalljob.at(50), {"what": "finish"}))

    report = check(smalljob.rewritten(last))
    assert report.reasons == ["a claim on 'job' follows from the entries and is not recorded"]

    def again(written: list[Draft]) -> None:
        written.insert(-1, written[-2])  # the claim on the job
        replace("job.close", 0, claims=5)(written)

    report = check(smalljob.rewritten(again))
    assert report.reasons == ["entry 21 (claim on 'job'): nothing gives rise to it"]


def test_a_claim_before_its_cause_is_named() -> None:
    def change(written: list[Draft]) -> None:
        claim = written.pop(-2)
        written.insert(-2, claim)  # now before the choice that it follows from
        replace("claim", 3, cause=20)(written)

    report = check(smalljob.rewritten(change))
    assert report.reasons == ["entry 19: claims before its cause 20"]


def test_a_rule_that_fails_on_hostile_input_gives_a_report() -> None:
    report = check(smalljob.rewritten(replace("begin", 0, step="no such step")))
    assert report.exit == 3
    assert report.reasons == ["cannot be worked out again: KeyError: \"'no such step'\""]


def test_doubts_about_clock_and_job_are_reservations() -> None:
    written = smalljob.drafts()
    doubtful = [
        draft._replace(at=smalljob.at(10 + n, synced=n < 8, shift_ns=-7_200_000_000_000 * (n > 9)))
        for n, draft in enumerate(written)
    ]
    replace("job.open", 0, practice=True)(doubtful)
    report = check(smalljob.sealed(doubtful))
    assert (report.status, report.exit) == ("UNSIGNED", 7)
    assert report.reservations == [
        "a practice job: its acts and observations were not made by a person on site",
        (
            "clock not synchronised in 12 of 16 entries: dates are the recorder's own; "
            "nothing bounds the true time"
        ),
        "wall clock stepped by -7200.0 s before entry 11",
    ]
    assert "  [!!] wall clock stepped by -7200.0 s before entry 11" in report_lines(report)


def test_a_wall_clock_that_is_steered_did_not_step() -> None:
    slow = [
        draft._replace(
            at=smalljob.at(n)._replace(
                boot_ns=n * 3_600_000_000_000, utc_ns=n * 3_600_000_000_000 + n * 1_700_000_000
            )
        )
        for n, draft in enumerate(smalljob.drafts())
    ]
    assert check(smalljob.sealed(slow)).reservations == []


def test_a_clock_that_went_back_over_a_restart_is_a_reservation() -> None:
    written = [
        draft._replace(at=smalljob.at(n if n < 12 else n - 8, boot="a" if n < 12 else "b"))
        for n, draft in enumerate(smalljob.drafts())
    ]
    assert check(smalljob.sealed(written)).reservations == [
        "wall clock earlier after the restart before entry 13"
    ]


def test_a_step_nobody_tried_is_a_reservation() -> None:
    report = check(smalljob.sealed(smalljob.drafts([*smalljob.INPUTS[:-3], smalljob.INPUTS[-1]])))
    assert report.reservations == ["steps not tested: neutral"]


def test_nothing_from_the_record_reaches_the_terminal_raw() -> None:
    bad = "\x1b[2J\u202eA\u0430\n\r\x00\x9b"
    reports = [
        check(smalljob.rewritten(replace("job.open", 0, who=bad, where=bad))),
        check(smalljob.rewritten(replace("claim", 0, verdict=bad, **{bad: "x"}))),
        check(smalljob.rewritten(replace("begin", 0, step=bad))),
        check(
            smalljob.forged(lambda files: files.update({"procedure.json": canonical.dumps(bad)}))
        ),
        verify(smalljob.sealed(), bad, smalljob.derive),
    ]
    for report in reports:
        for line in report_lines(report):
            assert all(" " <= char <= "~" for char in line), line


def flipped(data: bytes, place: int) -> bytes:
    return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]


def test_every_byte_of_the_file_matters() -> None:
    data = smalljob.sealed()
    for place in range(len(data)):
        report = check(flipped(data, place))
        assert report.exit in {3, 4, 5}, place


def test_every_byte_of_every_member_matters() -> None:
    files = container.unpack(smalljob.sealed())
    for name, held in files.items():
        for place in range(len(held)):
            data = container._write({**files, name: flipped(held, place)})
            report = check(data)
            assert report.exit in {3, 4, 5}, (name, place)


def test_repaired_sums_do_not_help() -> None:
    """Every eleventh byte, to keep the run short; all 10,028 were tried when this was written."""
    files = container.unpack(smalljob.sealed())
    for name, held in files.items():
        if name in {"mimetype", "sha256sums"}:
            continue
        for place in range(0, len(held), 11):
            report = check(
                smalljob.forged(
                    lambda found, name=name, held=held, place=place: found.update(
                        {name: flipped(held, place)}
                    )
                )
            )
            # Only the free text naming the program that sealed stands on nothing else.
            if report.exit == 7:
                assert name == "job.json"
                assert b"software" in held[place - 30 : place]
            else:
                assert report.exit in {3, 4, 5, 8}, (name, place)
