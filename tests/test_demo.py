"""The demo as a newcomer runs it, its record, and what the verifier makes of forgeries of it."""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import pytest
from cli.command import Answer, metercap_
from cli.forge import (
    FIXTURES,
    SOUND,
    bodies,
    hostile,
    resum,
    rewrite,
    swap_body,
    turn_digit,
    unsigned,
)

SEED = 20261125
VERDICTS = ["pass", "conditional pass", "conditional fail", "fail", "undecided", "not tested"]
EACH = 8


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def demo(folder: Path) -> Answer:
    return metercap_("demo", "--out", folder)


@pytest.fixture(scope="module")
def record(demo: Answer, folder: Path) -> bytes:
    assert demo.code == 0
    return (folder / "job-1.asice").read_bytes()


@pytest.fixture(scope="module")
def old(record: bytes) -> bytes:
    """The same job as nobody signs it: what a forger without any key can make of a record."""
    return unsigned(record)


def attempts(record: bytes) -> list[tuple[str, str, str]]:
    claims = [body for _, kind, body in bodies(record) if kind == "claim"]
    return [
        (claim["step"], claim["verdict"], claim.get("answer", claim.get("value")))
        for claim in claims
        if claim["claim"] == "attempt"
    ]


def test_the_demo_ends_with_a_record_and_what_the_verifier_says(demo: Answer, folder: Path) -> None:
    assert (demo.code, demo.err) == (0, "")
    record, journal = folder / "job-1.asice", folder / "journal.sqlite"
    assert demo.lines[-1] == f"{record}: the record. {journal}: the journal."
    again = metercap_("verify", record, "--root", folder / "root.pem")
    assert again.code == 1
    assert again.out in demo.out
    assert again.lines[0] == "job-1.asice: VALID, WITH RESERVATIONS"
    (report,) = metercap_("verify", "--json", record).rows
    assert (report["status"], report["exit"]) == ("UNTRUSTED", 6)
    assert report["reasons"][-1] == "integrity holds, identity does not"
    assert all(row["verdict"] == "pass" for row in report["steps"].values())


def test_the_trouble_in_the_house_is_seen_and_told(demo: Answer, record: bytes) -> None:
    verdicts: dict[str, list[str]] = {}
    for step, verdict, _ in attempts(record):
        verdicts.setdefault(step, []).append(verdict)
    assert demo.out.count("wrong function: the meter shows voltage ac, this step wants") == 1
    assert verdicts["earth-continuity-valve"][:2] == ["fail", "pass"]
    assert "after the fault: Repaired, and all dead tests to be repeated" in demo.out
    assert demo.out.count("contact bounces: ") == 1
    assert verdicts["fuse-marking"] == ["fail", "pass"]
    assert verdicts["neutral-earth-spur"] == ["fail", "pass"]
    assert "after the fault: Mended, and everything to be repeated" in demo.out
    assert demo.out.count("no link: the meter dropped the link") == 1
    dropped = demo.out.index("no link: ")
    before = demo.out.rindex(": 216.2 V to 253.0 V", 0, dropped)
    assert "pass" not in demo.out[before:dropped]  # in mid-step
    links = [body for _, kind, body in bodies(record) if kind == "link"]
    assert [link["session"] for link in links if link["up"]] == [1, 2]


def test_no_line_concludes_what_only_a_person_can(demo: Answer, record: bytes) -> None:
    said = [line for line in demo.lines if not line.startswith("Caution: ")]
    assert len(said) < len(demo.lines)
    concluding = re.compile(r"\b(is|are|now|as|be|it's) (safe|dead|isolated)\b", re.IGNORECASE)
    assert [line for line in said if concluding.search(line)] == []
    word = re.compile(r"\b(safe|dead|isolated)\b", re.IGNORECASE)
    verdicts = "|".join(VERDICTS)
    judged = [line for line in said if re.match(rf" *\d+:\d\d +({verdicts})  ", line)]
    claims = [body for _, kind, body in bodies(record) if kind == "claim"]
    related = [claim for claim in claims if claim["claim"] == "relation"]
    assert [claim["verdict"] for claim in related] == ["pass", "pass"]  # at spur and programmer
    assert len(judged) == len(attempts(record)) + len(related)
    report = said[said.index("job-1.asice: VALID, WITH RESERVATIONS") :]
    assert [line for line in judged + report if word.search(line)] == []


def test_a_second_play_is_a_second_job_with_the_same_verdicts(
    demo: Answer, folder: Path, record: bytes
) -> None:
    again = metercap_("demo", "--out", folder)
    assert (demo.code, again.code, again.err) == (0, 0, "")
    assert (folder / "job-1.asice").read_bytes() == record
    assert attempts((folder / "job-2.asice").read_bytes()) == attempts(record)
    assert [row["job"] for row in metercap_("jobs", "--json", "--data", folder).rows] == [1, 2]
    both = (folder / "job-1.asice", folder / "job-2.asice", "--root", folder / "root.pem")
    assert [row["exit"] for row in metercap_("verify", "--json", *both).rows] == [1, 1]


def edits(record: bytes) -> list[tuple[str, int, Any]]:
    """A seeded sample: what is changed, in which entry, and how."""
    chance = random.Random(SEED)
    found = bodies(record)
    raws = {seq: body["raw"] for seq, kind, body in found if kind == "frame"}
    claims = [(seq, body) for seq, kind, body in found if body.get("claim") == "attempt"]
    measured = [(seq, body) for seq, body in claims if "value" in body]
    (procedure,) = [seq for seq, kind, body in found if body.get("what") == "procedure"]
    tried = {body["step"] for _, body in claims}
    (definition,) = [body["definition"] for seq, _, body in found if seq == procedure]
    limits = [
        (number, key)
        for number, step in enumerate(definition["step"])
        if step["id"] in tried
        for key, value in (step.get("expect") or {}).items()
        if isinstance(value, str) and any(sign.isdecimal() for sign in value)
    ]
    sample: list[tuple[str, int, Any]] = []

    def digit(text: str) -> str:
        places = [place for place, sign in enumerate(text) if sign.isdecimal()]
        return turn_digit(text, chance.choice(places))

    for seq in chance.sample(sorted(raws), EACH):
        raw = digit(raws[seq])
        sample.append(("frame", seq, lambda body, raw=raw: body.update(raw=raw)))
    for number, key in chance.sample(limits, EACH):
        text = digit(definition["step"][number]["expect"][key])

        def change(
            body: dict[str, Any], number: int = number, key: str = key, to: str = text
        ) -> None:
            body["definition"]["step"][number]["expect"][key] = to

        sample.append(("limit", procedure, change))
    for seq, body in chance.sample(claims, EACH):
        other = chance.choice([word for word in VERDICTS if word != body["verdict"]])
        sample.append(("verdict", seq, lambda body, to=other: body.update(verdict=to)))
    for seq, body in chance.sample(measured, EACH):
        value = digit(body["value"])
        sample.append(("value", seq, lambda body, to=value: body.update(value=to)))
    return sample


def verified(folder: Path, records: list[bytes]) -> list[dict[str, Any]]:
    paths = []
    for number, data in enumerate(records):
        paths.append(folder / f"{number}.asice")
        paths[-1].write_bytes(data)
    return metercap_("verify", "--json", *paths).rows


def test_a_change_with_the_sums_repaired_is_named(old: bytes, tmp_path: Path) -> None:
    sample = edits(old)
    assert len(sample) == 4 * EACH
    reports = verified(tmp_path, [swap_body(old, seq, change) for _, seq, change in sample])
    for (_, seq, _), report in zip(sample, reports, strict=True):
        assert (report["status"], report["exit"]) == ("ALTERED", 4)
        assert report["reasons"][0].startswith(f"entry {seq} (")


def test_a_change_in_a_member_that_repeats_is_named(old: bytes, tmp_path: Path) -> None:
    def soften(data: bytes) -> bytes:
        return data.replace(b'"below":"1 Ohm"', b'"below":"2 Ohm"', 1)

    reports = verified(
        tmp_path,
        [
            resum(old, "procedure.json", soften),
            resum(old, "driver-bench-segments.json", lambda data: data.replace(b"60.00", b"61.00")),
            resum(old, "job.json", lambda data: data.replace(b'"attempts":3', b'"attempts":1', 1)),
            resum(old, "heads.jsonl", lambda data: data.replace(b'"seq":9,', b'"seq":8,', 1)),
        ],
    )
    assert [report["exit"] for report in reports] == [4, 4, 8, 5]
    for report, name in zip(
        reports,
        ("procedure.json", "driver-bench-segments.json", "attempts", "entry 9"),
        strict=True,
    ):
        assert name in report["reasons"][0]


def test_a_forger_who_makes_every_hash_anew_is_named_too(old: bytes, tmp_path: Path) -> None:
    """Body hashes, heads, chain, root, job.json, pinned definitions and sums are all repaired."""
    sample = edits(old)
    reports = verified(tmp_path, [rewrite(old, seq, change) for _, seq, change in sample])
    for (what, seq, _), report in zip(sample, reports, strict=True):
        assert report["exit"] == 8, (what, report["reasons"])
        reason = report["reasons"][0]
        if what in {"verdict", "value"}:
            assert reason.startswith(f"entry {seq} (claim on ")
            assert f": {what}: the record says " in reason
        else:
            assert re.match(r"entry \d+ \(claim on '[a-z-]+'\): ", reason)
    limits = [r for (what, _, _), r in zip(sample, reports, strict=True) if what == "limit"]
    assert all(": limit." in "".join(report["reasons"]) for report in limits)


def test_the_kept_records_are_answered_as_their_names_say() -> None:
    sound = (FIXTURES / SOUND).read_bytes()
    expected = {SOUND: 7, **{name: code for name, (_, code) in hostile(sound).items()}}
    assert {path.name for path in FIXTURES.iterdir()} == set(expected)
    for name, (made_again, _) in hostile(sound).items():
        assert (FIXTURES / name).read_bytes() == made_again
    reports = metercap_("verify", "--json", *(FIXTURES / name for name in expected)).rows
    assert {report["name"]: report["exit"] for report in reports} == expected
    assert sum(path.stat().st_size for path in FIXTURES.iterdir()) < 3_000_000


def test_what_is_no_record_is_told_apart_and_the_worst_answer_counts(
    old: bytes, tmp_path: Path
) -> None:
    sound, cut, noise = (tmp_path / name for name in ("sound", "cut", "noise"))
    sound.write_bytes(old)
    cut.write_bytes(old[: len(old) // 2])
    noise.write_bytes(random.Random(SEED).randbytes(5000))
    altered = FIXTURES / "v1-frame-digit-changed.asice"
    differs = FIXTURES / "v1-fail-turned-to-pass-and-all-hashes-made-anew.asice"
    for path in (cut, noise):
        found = metercap_("verify", path)
        assert (found.code, found.lines[0]) == (3, f"{path.name}: NOT ACCEPTED: MALFORMED")
    # Order of graveness after the verifier's own table: 3, 7, 4, 6, 5, 8, 1, 0.
    assert metercap_("verify", differs, altered).code == 4
    assert metercap_("verify", differs, sound, altered).code == 7
    assert metercap_("verify", sound, noise, altered).code == 3
    missing = metercap_("verify", tmp_path / "missing", sound, "--json")
    assert missing.complaint == f"{tmp_path / 'missing'}: cannot be read: No such file or directory"
    assert [row["exit"] for row in missing.rows] == [7]
