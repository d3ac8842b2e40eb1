"""The Bluetooth service is killed while a step is being held; the step still ends right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from cli.bench import ADDRESS, GOOD, Bench, play, put_meter, write_quick
from cli.command import ROOT, metercap_
from fake_bluez import BluezProcess, private_bus

from metercap.journal.store import Journal

if TYPE_CHECKING:
    from pathlib import Path

STEP = "Earth continuity at the spur"
HELD = 14  # values sent: the probes were lifted for eight, and have touched for a part of the dwell


@pytest.mark.timeout(100)
def test_a_service_killed_in_the_middle_of_a_dwell_costs_the_dwell_and_not_the_step(
    tmp_path: Path,
) -> None:
    data = tmp_path / "data"
    write_quick(data)

    def kill(bench: Bench) -> None:
        play(bench.bluez, GOOD[STEP])
        bench.bluez.send({"do": "until_sent", "address": ADDRESS, "count": HELD})
        bench.bluez.kill()
        bench.bluez.start()

    with private_bus(), BluezProcess() as bluez:
        put_meter(bluez)
        run = Bench(
            bluez,
            [
                *("quick-dead-tests", "--meter", ADDRESS, "--driver", "quick-segments"),
                *("--script", ROOT / "fixtures/scripts/dead-tests.jsonl", "--data", data),
            ],
            on={f"{STEP}: ": kill},
        )
        code, out, err = run.finish()
    assert (code, err) == (0, "")
    assert out.splitlines()[-1] == "job 1: all steps hold"

    journal = Journal.read(data / "journal.sqlite")
    entries = list(journal.entries(1))
    journal.close()
    told = [entry.body for entry in entries if entry.kind == "link"]
    assert [(one["session"], one["up"]) for one in told[:3]] == [(1, True), (1, False), (2, True)]
    assert told[1]["reason"] == "the Bluetooth service left the system bus"
    frames = [entry.body for entry in entries if entry.kind == "frame"]
    assert {frame["session"] for frame in frames} == {1, 2}
    for session in (1, 2):
        numbers = [frame["number"] for frame in frames if frame["session"] == session]
        assert numbers == list(range(1, len(numbers) + 1))
    metercap_("export", "1", "--data", data, "--out", tmp_path)
    (report,) = metercap_("verify", "--json", tmp_path / "job-1.asice").rows
    assert report["result"] == "all steps hold"
