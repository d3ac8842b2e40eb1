"""An unknown meter becomes a driver: labels by keyboard, `drivers infer`, unseen frames decoded."""

from __future__ import annotations

import subprocess
from decimal import Decimal
from pathlib import Path

from cli.bench import ADDRESS, DECODER, DRIVER
from cli.command import COMMAND, metercap_, surroundings
from fake_bluez import BluezProcess

from metercap.meter.display import show

NOTIFY = "5e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"
DISPLAYS = (
    *(("resistance", None, value, "Ohm") for value in ("0.35", "12.48", "27.09", "159.7")),
    *(("resistance", None, value, "Ohm") for value in ("386.2", "40.6", "73.15")),
    *(("resistance", None, value, "kOhm") for value in ("1.234", "5.678", "23.41", "97.05")),
    *(("resistance", None, value, "MOhm") for value in ("1.502", "3.987", "46.21", None)),
    *(("voltage", "ac", value, "V") for value in ("230.1", "243.7", "8.9", "115.6", "76.0")),
    *(("voltage", "dc", value, "V") for value in ("12.07", "-3.48", "56.91", "24.35", "301.2")),
)
UNSEEN = (
    ("resistance", None, "8.06", "Ohm", "8.06 Ohm"),
    ("resistance", None, "219.4", "kOhm", "219.4 kOhm"),
    ("voltage", "ac", "231.9", "V", "231.9 V ac"),
)


def _frame(quantity: str, coupling: str | None, value: str | None, unit: str) -> tuple[str, str]:
    """A frame in hex, and the display as a person types it."""
    amount = None if value is None else Decimal(value)
    shown = show(DRIVER, quantity, coupling, amount, unit)
    typed = f"{shown.value or 'OL'} {shown.unit} {(coupling or '').upper()}".strip()
    return DECODER.encode(shown).hex(), typed


def test_twenty_five_labels_give_a_driver_that_reads_what_it_has_not_seen(tmp_path: Path) -> None:
    samples = tmp_path / "samples.csv"
    rows = [",".join(_frame(*display)) for display in DISPLAYS]
    samples.write_text("\n".join(["hex,shown", *rows]) + "\n", "utf-8")
    driver = tmp_path / "my-meter.toml"
    made = metercap_("drivers", "infer", samples, "--out", driver, "--notify", NOTIFY)
    assert made.code == 0, made
    assert metercap_("drivers", "check", driver).code == 0
    assert NOTIFY in driver.read_text("utf-8")
    frames = "\n".join(_frame(*display[:4])[0] for display in UNSEEN)
    read = metercap_("drivers", "decode", driver, typed=frames)
    assert read.lines == [display[4] for display in UNSEEN]
    again = metercap_("drivers", "infer", samples, "--out", driver)
    assert "my-meter.toml: cannot be written" in again.complaint


def test_too_few_labels_give_no_file_and_say_what_to_record(tmp_path: Path) -> None:
    samples = tmp_path / "few.csv"
    rows = [",".join(_frame(*display)) for display in DISPLAYS[:3]]
    samples.write_text("\n".join(["hex,shown", *rows]) + "\n", "utf-8")
    answer = metercap_("drivers", "infer", samples)
    assert answer.code == 1
    assert "cannot: " in answer.out
    assert "record next: " in answer.out
    assert not samples.with_suffix(".toml").exists()


def test_labels_are_made_by_typing_what_the_display_shows(
    bluez: BluezProcess, tmp_path: Path
) -> None:
    unknown = {"do": "meter", "address": ADDRESS, "name": "Unknown", "notify": NOTIFY}
    bluez.send({**unknown, "service": "5e6d0000-9a1c-4b57-8f2e-6b1d3c7a9f10"})
    out = tmp_path / "samples.csv"
    with subprocess.Popen(
        [*COMMAND, "drivers", "record", ADDRESS, "--out", str(out)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=surroundings(PYTHONUNBUFFERED="1"),
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        while "connected" not in process.stdout.readline():
            pass

        def type_in(text: str) -> str:
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(f"{text}\n")
            process.stdin.flush()
            return process.stdout.readline()

        for number, display in enumerate(DISPLAYS[:3], 1):
            raw, typed = _frame(*display)
            bluez.send({"do": "notify", "address": ADDRESS, "hex": raw})
            while f"beside {raw}: " not in type_in("no display says this"):
                pass  # the frame is under way
            assert type_in(typed).startswith(f"{number}: {raw} = {typed}")
        process.stdin.write("\n")
        process.stdin.flush()
        assert f"3 samples in {out}" in process.stdout.read()
        assert process.wait(30) == 0
    lines = out.read_text("utf-8").splitlines()
    assert lines == ["hex,shown", *(",".join(_frame(*display)) for display in DISPLAYS[:3])]
