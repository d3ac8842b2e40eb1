"""`run` with the platform's own Bluetooth library, on the emulated service; then the record of it.

The steps have a quicker pace than the shipped ones where nothing else is said, because a run goes
by the machine's own clock.
"""

from __future__ import annotations

import json
import sqlite3
import time
from pathlib import Path

import pytest
from cli.bench import ADDRESS, GOOD, LIFT, Bench, ohms, play, put_meter
from cli.command import ROOT, Answer, metercap_
from fake_bluez import BluezProcess

from metercap.link.capture import read_capture
from metercap.model import Frame

SCRIPTS = ROOT / "fixtures" / "scripts"


def frames_in(capture: Path) -> list[tuple[int, int, str]]:
    items = read_capture(capture.read_text(encoding="utf-8"))
    return [(i.session, i.number, i.data.hex()) for i in items if isinstance(i, Frame)]


def frames_journalled(data: Path) -> list[tuple[int, int, str]]:
    with sqlite3.connect(data / "journal.sqlite") as db:
        tables = [row[0] for row in db.execute("select name from sqlite_master where type='table'")]
        (table,) = [name for name in tables if "entr" in name]
        rows = db.execute(f"select head, body from {table} order by seq").fetchall()  # noqa: S608  a name from the file itself
    db.close()
    bodies = [json.loads(body) for head, body in rows if json.loads(head)["kind"] == "frame"]
    return [(body["session"], body["number"], body["raw"]) for body in bodies]


def job(data: Path) -> dict[str, object]:
    (row,) = metercap_("jobs", "--json", "--data", data).rows
    return row


@pytest.mark.timeout(100)
def test_a_run_survives_its_own_death_and_a_lost_link_and_gives_a_record(
    bluez: BluezProcess, data: Path, tmp_path: Path
) -> None:
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    base = ("quick-dead-tests", "--meter", ADDRESS, "--data", data)
    first = (*base, "--driver", "quick-segments", "--who", "R. Ashdown", "--where", "4 Larch Row")
    killed = Bench(
        bluez,
        [*first, "--script", SCRIPTS / "dead-tests.jsonl", "--capture", tmp_path / "1.jsonl"],
        on={"Earth continuity at the spur: ": lambda bench: bench.process.kill()},
    )
    code, out, err = killed.finish()
    assert (code, err) == (-9, "")
    assert "job 1, for practice" in out
    assert out.count("pass  ") == 1
    assert job(data)["state"] == "open"
    assert metercap_("export", "1", "--data", data, "--out", tmp_path).complaint.startswith("job 1")

    # What was told to the person was on disk, and what is on disk was received, in order.
    received, kept = frames_in(tmp_path / "1.jsonl"), frames_journalled(data)
    assert len(kept) > 20
    assert kept == received[: len(kept)]

    bluez.send({"do": "drop", "address": ADDRESS})  # as it falls with the process that held it

    # A link that falls in mid-step: the value starts anew, and the step ends as it should.
    def lose(bench: Bench) -> None:
        begun = len(frames_in(tmp_path / "2.jsonl"))
        play(bench.bluez, LIFT + [ohms("0.40")] * 6 + ["ff"] + [ohms("0.40")] * 4)
        while len(frames_in(tmp_path / "2.jsonl")) < begun + len(LIFT) + 9:
            time.sleep(0.02)
        bench.bluez.send({"do": "drop", "address": ADDRESS})

    def found_again(bench: Bench) -> None:
        play(bench.bluez, LIFT + [ohms("0.40")] * 400)

    again = Bench(
        bluez,
        [
            *(*base, "--resume", "1"),
            *("--script", SCRIPTS / "dead-tests.jsonl", "--capture", tmp_path / "2.jsonl"),
        ],
        on={"no link: ": found_again},
        probes={**GOOD, "Earth continuity at the programmer": []},
    )
    again._on["Earth continuity at the programmer: "] = lose
    code, out, err = again.finish()
    assert (code, err) == (0, "")
    said = [line[8:] for line in out.splitlines()]
    assert [w for w in said if "job 1," in w] == ["job 1, taken up again", "job 1, for practice"]
    assert "no link: the meter dropped the link" in out
    assert "no value: not a reading: cut: found 1 byte" in out
    declared = [line.split(": ", 1)[1] for line in said if line.startswith("R. Ashdown declares")]
    # The restart ends the proof, and only the proof: what was locked off is not asked again.
    assert [line.split(" (")[0] for line in declared] == [
        "Indicator proved before",
        "Line to earth: no indication",
        "Line to neutral: no indication",
        "Neutral to earth: no indication",
        "Indicator proved again",
    ]
    assert out.splitlines()[-1] == "job 1: all steps hold"
    assert job(data)["state"] == "finished"
    assert job(data)["practice"] is True

    received = frames_in(tmp_path / "1.jsonl")[: len(kept)] + frames_in(tmp_path / "2.jsonl")
    journalled = frames_journalled(data)
    assert journalled == received[: len(journalled)]
    assert len({session for session, _, _ in journalled}) == 3

    sealed = metercap_("export", "1", "--data", data, "--out", tmp_path / "out")
    ends = ("asice", "pdf", "csv")
    assert sealed.lines == [str(tmp_path / "out" / f"job-1.{end}") for end in ends]
    (report,) = metercap_("verify", "--json", tmp_path / "out" / "job-1.asice").rows
    assert (report["exit"], report["result"]) == (6, "all steps hold")  # nobody enrolled it
    table = (tmp_path / "out" / "job-1.csv").read_text(encoding="utf-8").splitlines()
    assert len(table) == 1 + len(journalled)

    closed = metercap_("run", *base, "--resume", "1")
    assert closed.code == 2
    assert closed.err == "metercap: job 1: closed, expected one that was left open\n"


@pytest.mark.timeout(60)
def test_a_step_that_fails_and_a_script_that_ends_there_abandon_the_job(
    bluez: BluezProcess, tmp_path: Path
) -> None:
    """At the shipped pace and with the shipped files."""
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    slow = [ohms(None)] * 25 + [ohms("0.93")] * 400
    run = Bench(
        bluez,
        [
            *("spur-dead-tests", "--meter", ADDRESS, "--driver", "bench-segments"),
            *("--script", SCRIPTS / "leads-only.jsonl", "--data", tmp_path),
        ],
        probes={"The leads' own resistance": slow},
    )
    code, out, err = run.finish()
    assert (code, err) == (1, "")
    assert "    fail  0.930 " in out
    assert "leads-only.jsonl: ends while choose leads-nulled is asked" in out
    assert out.splitlines()[-1] == "job 1: not all steps hold"
    assert {"state": "abandoned", "result": "steps fail", "practice": True}.items() <= job(
        tmp_path
    ).items()
    metercap_("export", "1", "--data", tmp_path, "--out", tmp_path)
    assert metercap_("verify", tmp_path / "job-1.asice").code == 6


def test_a_job_is_taken_up_only_as_it_was_begun(bluez: BluezProcess, data: Path) -> None:
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    base = ("quick-dead-tests", "--meter", ADDRESS, "--driver", "quick-segments", "--data", data)
    begun = Bench(bluez, base, on={"job 1": lambda bench: bench.process.kill()})
    assert begun.finish()[0] == -9

    def taken_up(*arguments: object) -> str:
        return metercap_("run", *arguments, "--data", data, "--resume", "1").complaint

    assert "expected quick-dead-tests, with which" in taken_up("spur-visit", "--meter", ADDRESS)
    assert f"expected {ADDRESS}, with which" in taken_up("quick-dead-tests", "--meter", "AA")
    scripted = ("--script", SCRIPTS / "dead-tests.jsonl")
    assert taken_up("quick-dead-tests", "--meter", ADDRESS, *scripted) == (
        "job 1: --script: the job was not begun for practice"
    )
    other = metercap_("run", *base, "--resume", "7")
    assert other.complaint == "job 7: not in this journal"


def test_two_runs_cannot_write_one_journal(bluez: BluezProcess, data: Path) -> None:
    put_meter(bluez)
    base = ("quick-dead-tests", "--meter", ADDRESS, "--driver", "quick-segments", "--data", data)
    second: list[Answer] = []

    def meddle(bench: Bench) -> None:
        second.append(metercap_("run", *base))
        bench.close_keyboard()

    code, out, err = Bench(bluez, base, on={"job 1": meddle}).finish()
    assert "journal.sqlite" in second[0].err
    assert (second[0].code, second[0].err.count("\n")) == (2, 1)
    assert (code, err) == (1, "")
    assert "keyboard: closed while something was asked" in out
    assert job(data)["state"] == "abandoned"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("{", "line 1: not JSON"),
        ('{"jump": "x"}', 'line 1: found \'{"jump": "x"}\', expected an object'),
        ('{"act": "permission", "begin": "x"}', "line 1: found"),
        ("[]", "line 1: found '[]', expected an object"),
    ],
)
def test_a_script_with_a_line_that_is_none_opens_no_job(
    bluez: BluezProcess, tmp_path: Path, line: str, said: str
) -> None:
    put_meter(bluez)
    script = tmp_path / "script.jsonl"
    script.write_text(line, encoding="utf-8")
    base = ("spur-visit", "--meter", ADDRESS, "--driver", "bench-segments")
    run = metercap_("run", *base, "--script", script, "--data", tmp_path / "data")
    assert said in run.complaint
    assert not (tmp_path / "data" / "journal.sqlite").exists()


def test_a_capture_is_never_written_over(bluez: BluezProcess, tmp_path: Path) -> None:
    put_meter(bluez)
    kept = tmp_path / "kept.jsonl"
    kept.write_text("evidence", encoding="utf-8")
    base = ("spur-visit", "--meter", ADDRESS, "--driver", "bench-segments", "--data", tmp_path)
    run = metercap_("run", *base, "--capture", kept)
    assert str(kept) in run.complaint
    assert kept.read_text(encoding="utf-8") == "evidence"
    assert not (tmp_path / "journal.sqlite").exists()
