"""A meter that no file describes, in a whole job: its own description stands in the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cli.bench import ADDRESS, Bench, put_meter
from cli.command import ROOT, metercap_

if TYPE_CHECKING:
    from pathlib import Path

    from fake_bluez import BluezProcess

OHMS = {"2904": "17002A27010000", "2901": b"Resistance".hex()}  # medfloat32, ohms
OPEN, LEADS = "FEFF7F00", "5D0000FE"  # +INFINITY; 0.93, which is too much for leads


def test_a_job_with_a_meter_as_found_gives_a_record_that_derives_again(
    bluez: BluezProcess, data: Path, tmp_path: Path
) -> None:
    put_meter(
        bluez,
        "Ohms",
        service="de5c0000-e492-47f0-9b6d-c81a5703f2be",
        notify="de5c0002-e492-47f0-9b6d-c81a5703f2be",
        descriptors=OHMS,
    )
    script = ROOT / "fixtures" / "scripts" / "leads-only.jsonl"
    run = Bench(
        bluez,
        ["quick-dead-tests", "--meter", ADDRESS, "--script", script, "--data", data],
        probes={"The leads' own resistance": [OPEN] * 10 + [LEADS] * 400},
    )
    code, out, err = run.finish()

    assert code == 1  # the script ends after its only step, which fails
    assert "describes itself: main: resistance in Ohm" in err
    assert "meter-1: C0:FF:EE:00:00:07, read by found-de5c0002-" in out
    assert "    fail  0.93" in out
    metercap_("export", "1", "--data", data, "--out", tmp_path)
    # Every verdict derives again, with no driver file anywhere.
    (report,) = metercap_("verify", "--json", tmp_path / "job-1.asice").rows
    checks = {check["check"]: check["ok"] for check in report["checks"]}
    assert (checks["definitions"], checks["verdicts"]) == (True, True)
    (reading, *_) = [
        line for line in (tmp_path / "job-1.csv").read_text("utf-8").splitlines() if "0.93" in line
    ]
    assert "found-de5c0002-" in reading
