"""`run` with two meters and a register: who must be in date, whose reading counts."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from cli.bench import ADDRESS, DECODER, DRIVER, EVERY_MS
from cli.command import metercap_
from fake_bluez import BluezProcess

from metercap.meter.display import show

CLAMP = "C0:FF:EE:00:00:08"
STEP = """
[[step]]
id = "{name}"
title = "The {name} meter"
do = "Measure."
say = "Measure."
source = "common practice"
quantity = "voltage"
mode = "ac"
start = "begin"
dwell = "0.3 s"
settle = {{ window = "0.8 s", slowest = "0.4 s" }}
expect = {expect}
"""
PROCEDURE = (
    'id = "two"\ntitle = "Two meters"\nversion = "1"\n'
    + STEP.format(name="mains", expect='{ above = "200 V" }')
    + STEP.format(name="other", expect='{ below = "50 V" }')
    + 'meter = "clamp"\n'
)
REGISTER = f'[[instrument]]\nname = "meter 4"\naddress = "{ADDRESS}"\ndue = "2020-01-01"\n'


def _put(bluez: BluezProcess, address: str, volts: str) -> None:
    meter = {"do": "meter", "address": address, "name": "BENCH-SEG 4"}
    bluez.send({**meter, "service": DRIVER.match.service, "notify": DRIVER.link.notify})
    frame = DECODER.encode(show(DRIVER, "voltage", "ac", Decimal(volts), "V")).hex()
    play = {"do": "play", "address": address, "every_ms": EVERY_MS, "frames": [frame]}
    bluez.send({**play, "loop": True})


def test_an_overdue_meter_is_used_for_a_reason_that_the_record_shows(
    bluez: BluezProcess, data: Path, tmp_path: Path
) -> None:
    (data / "procedures" / "two.toml").write_text(PROCEDURE, "utf-8")
    (data / "instruments.toml").write_text(REGISTER, "utf-8")
    script = tmp_path / "script.jsonl"
    script.write_text('{"begin": "mains"}\n{"begin": "other"}\n', "utf-8")
    _put(bluez, ADDRESS, "231.0")
    _put(bluez, CLAMP, "2.0")
    base = ("run", "two", "--driver", "quick-segments", "--data", data, "--script", script)
    both = ("--meter", "meter 4", "--meter", f"clamp={CLAMP}")
    overdue = ("--overdue", "no other here")

    assert "meter 4: calibration was due on 2020-01-01" in metercap_(*base, *both).complaint
    alone = metercap_(*base, "--meter", "meter 4", *overdue)
    assert "step other: meter clamp: found meter-1" in alone.complaint

    ran = metercap_(*base, *both, *overdue)
    assert ran.code == 0, ran
    assert "meter 4: overdue; used all the same: no other here" in ran.out
    assert "231.0" in ran.out
    assert "2.00" in ran.out
    assert metercap_("export", "1", "--out", tmp_path, "--data", data).code == 0
    told = metercap_("verify", tmp_path / "job-1.asice")
    assert "[!!] 'meter 4' was overdue on '2020-01-01', used because: 'no other here'" in told.out
