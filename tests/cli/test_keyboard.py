"""`run` at a terminal: acts answered by number, Enter to begin, n and q."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli.bench import ADDRESS, GOOD, LIFT, TOUCH, ohms, play, put_meter, volts
from cli.command import metercap_
from cli.keyboard import Terminal
from fake_bluez import BluezProcess

FIRST = [
    ("Who agreed?", "the householder"),
    ("feed this circuit?", "the fused spur"),
    ("2) no", "1"),
    ("1) two-pole voltage indicator", "7"),
    ("found '7', expected a number from 1 to 1", "1"),
    ("2) damaged", "1"),
    ("Where?", "at the spur"),
    ("2) line only", "1"),
    ("what does the tag say?", "lock 3"),
    ("2) elsewhere", "1"),
]
PROOF = [
    ("its own number", "07"),
    ("2) known source", "1"),
    ("2) did not indicate", "1"),
    ("2) indication", "1"),
    ("2) indication", "1"),
    ("2) indication", "1"),
    ("its own number", "07"),
    ("2) known source", "1"),
    ("2) did not indicate", "1"),
]


def start(data: Path, *more: object, columns: int = 80) -> Terminal:
    base = ("quick-dead-tests", "--meter", ADDRESS, "--driver", "quick-segments", "--data", data)
    return Terminal("run", *base, "--who", "R. Ashdown", *more, columns=columns)


def answer(terminal: Terminal, rows: list[tuple[str, str]]) -> None:
    for shown, typed in rows:
        terminal.until(shown)
        terminal.type(typed)


@pytest.mark.timeout(60)
def test_a_person_at_the_keyboard_is_led_through_and_may_stop(
    bluez: BluezProcess, data: Path
) -> None:
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    with start(data) as terminal:
        answer(terminal, FIRST + PROOF)
        terminal.until("Indicator proved again (indicator: 07;")
        terminal.until("It begins by itself.")
        play(bluez, GOOD["The leads' own resistance"])
        terminal.until("pass  0.280 ± 0.064 Ohm")
        terminal.until("It begins by itself.")
        terminal.type("n")
        answer(
            terminal,
            [("Why is it not tested?", ""), ("Why is it not tested?", "no earthed metal here")],
        )
        answer(terminal, [("With whom was that agreed?", "the householder")])
        terminal.until("not tested: Earth continuity at the spur: no earthed metal here")
        # Everything after it needs it, so the job ends.
        assert terminal.end() == 1
        text = terminal.shown
    assert "job 1: not all steps hold" in text
    assert "steady" in text
    assert "█" in text
    for line in text.replace("\r\n", "\n").split("\n"):
        assert all(len(part) <= 80 for part in line.split("\r")), line
    assert text.count("no earthed metal here") == 2  # as typed, and as told
    assert "Traceback" not in text
    assert "Fatal" not in text
    (row,) = metercap_("jobs", "--json", "--data", data).rows
    assert (row["state"], row["result"], row["practice"]) == ("finished", "steps missing", False)


def test_enter_says_that_the_probes_are_on_but_not_before_they_were_touched(
    bluez: BluezProcess, data: Path
) -> None:
    """The step of the short circuit, alone."""
    whole = (data / "procedures" / "quick-dead-tests.toml").read_text(encoding="utf-8")
    head, *steps = whole.split("[[step]]")
    (step,) = [text for text in steps if 'id = "line-neutral-short"' in text]
    needs = ', "earth-continuity-valve", "earth-continuity-programmer"'
    short = f"{head}[[step]]{step.replace(needs, '')}"
    (data / "procedures" / "quick-dead-tests.toml").write_text(short, encoding="utf-8")
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    with start(data) as terminal:
        answer(terminal, FIRST + PROOF)
        terminal.until("Enter when the probes are on.")
        terminal.until("touch the probes together")
        terminal.type("")
        terminal.until("refused: No short circuit, line to neutral: touch the probes together")
        play(bluez, TOUCH, loop=True)
        terminal.until("put the probes on the points, then say so")
        terminal.type("")
        play(bluez, [ohms("184.0")], loop=True)
        terminal.until("pass  184.0")
        assert terminal.end() == 0
    assert "job 1: all steps hold" in terminal.shown


def test_q_abandons_at_any_question_and_is_kept_in_the_journal(
    bluez: BluezProcess, data: Path
) -> None:
    put_meter(bluez)
    with start(data, columns=120) as terminal:
        terminal.until("Who agreed?")
        terminal.type("q")
        assert terminal.end() == 1
    with start(data) as terminal:
        answer(terminal, FIRST[:3])
        terminal.until("1) two-pole")
        terminal.type("q")
        assert terminal.end() == 1
    play(bluez, LIFT, loop=True)
    with start(data) as terminal:
        answer(terminal, FIRST + PROOF)
        terminal.until("It begins by itself.")
        terminal.type("q")
        assert terminal.end() == 1
    rows = metercap_("jobs", "--json", "--data", data).rows
    assert [row["state"] for row in rows] == ["abandoned"] * 3


def test_what_was_typed_before_it_was_asked_declares_nothing(
    bluez: BluezProcess, data: Path
) -> None:
    put_meter(bluez)
    with start(data) as terminal:
        terminal.until("Caution: ")
        for _ in range(5):
            terminal.type("1")
        terminal.until("Who agreed?")
        terminal.type("the householder")
        terminal.until("feed this circuit?")
        terminal.type("the fused spur")
        terminal.until("2) no")
        terminal.type("1")
        terminal.until("declares: Permission and all sources (agreed-with: the")
        terminal.type("q")
        assert terminal.end() == 1


def test_an_interrupted_run_leaves_the_job_open(bluez: BluezProcess, data: Path) -> None:
    put_meter(bluez)
    with start(data) as terminal:
        terminal.until("Who agreed?")
        terminal.process.send_signal(2)
        assert terminal.end() == 130
    assert "metercap: interrupted" in terminal.shown
    assert "job 1 stays open; go on with it by --resume 1" in terminal.shown
    assert "Traceback" not in terminal.shown
    (row,) = metercap_("jobs", "--json", "--data", data).rows
    assert row["state"] == "open"


@pytest.mark.timeout(60)
def test_a_log_tells_how_far_it_is_and_ends_early_at_a_word(
    bluez: BluezProcess, data: Path
) -> None:
    put_meter(bluez)
    play(bluez, [volts("0.4")], loop=True)
    named = ("log-neutral-earth", "--meter", ADDRESS, "--driver", "quick-segments", "--data", data)
    with Terminal("run", *named, "--who", "R. Ashdown", columns=120) as terminal:
        for shown, typed in (
            ("At which point", "socket in the hall"),
            ("3) hand-held probes", "1"),
            ("How is the installation earthed", "as the label says, TN-C-S"),
            ("e to finish the log before", "e"),
            # What is typed before the question stands again would be let go.
            ("refused: finish the log: the log has not begun", None),
            ("e to finish the log before", ""),
            ("0 min of 1 day 0 h; waiting for the first mark", "e"),
        ):
            terminal.until(shown)
            if typed is not None:
                terminal.type(typed)
        terminal.until("undecided  0 of 144 means, 0 gaps")
        terminal.until("ended by R. Ashdown; ended after 0 of 144 means")
        terminal.type("q")
        assert terminal.end() == 1


@pytest.mark.timeout(60)
def test_what_no_meter_gives_is_entered_and_kept_as_entered(
    bluez: BluezProcess, data: Path
) -> None:
    put_meter(bluez)
    play(bluez, LIFT, loop=True)
    named = ("residual-current-device", "--meter", ADDRESS, "--driver", "quick-segments")
    rows = [
        ("2) no", "1"),
        ("Who agreed?", "the householder"),
        ("2) tripped", "1"),
        ("Entered by hand, from: residual current device tester", ""),
        ("The value and its unit", "28 ms"),
        ("Read from which instrument?", "trip tester"),
        ("Its own number?", "0815"),
        ("Taken at which setting (30 mA is wanted)?", "30 mA"),
        ("Its uncertainty for k = 2", "n"),
        ("Why is it entered by hand?", "no meter gives it"),
        ("pass  28 ms, entered from trip tester 0815", ""),
        ("The value and its unit", "n"),
        ("Why is it not tested?", "the tester's battery is flat"),
        ("With whom was that agreed?", "the householder"),
    ]
    with Terminal("run", *named, "--data", data, "--who", "R. Ashdown", columns=120) as terminal:
        for shown, typed in rows:
            terminal.until(shown)
            if typed:
                terminal.type(typed)
        assert terminal.end() == 1
    assert "not tested: Trip time at five times the rated current" in terminal.shown
    assert "Refused: 0, of them out of order: 0. Voided: 0." in terminal.shown
