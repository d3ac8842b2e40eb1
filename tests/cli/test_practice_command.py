"""Practice without a meter: a simulated circuit hides a fault, and none of it is ever a record."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from cli.command import metercap_

if TYPE_CHECKING:
    from pathlib import Path

PROCEDURE = """
id = "quick-practice"
title = "The supply, and one lamp"
version = "1"
[circuit]
net = "two-zone-valves"
supply = { mains = "supply" }
[[step]]
id = "supply"
title = "Supply"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { between = ["207 V", "253 V"] }
start = "begin"
dwell = "0.5 s"
settle = { window = "1 s", slowest = "0.5 s" }
[[step]]
id = "lamp"
title = "Lamp"
do = "Look."
say = "Look."
source = "common practice"
answers = ["lit", "dark"]
accept = ["lit"]
"""


def test_practice_hides_a_fault_tells_it_at_the_end_and_leaves_no_record(tmp_path: Path) -> None:
    (tmp_path / "procedures").mkdir()
    (tmp_path / "procedures" / "quick-practice.toml").write_text(PROCEDURE, encoding="utf-8")
    script = tmp_path / "script.jsonl"
    lines = [{"begin": "supply"}, {"observe": "lamp", "answer": "lit"}]
    script.write_text("\n".join(map(json.dumps, lines)), encoding="utf-8")

    done = metercap_("run", "quick-practice", "--practice", "--script", script, "--data", tmp_path)
    assert done.code == 0, done.err
    assert "in a simulated circuit: never a record" in done.out
    assert "hidden in the circuit: " in done.out
    (row,) = metercap_("jobs", "--json", "--data", tmp_path).rows
    assert (row["practice"], row["where"]) == (True, "nowhere: a simulated circuit")

    refused = metercap_("export", "1", "--out", tmp_path, "--data", tmp_path)
    assert refused.code == 2
    assert "simulated circuit" in refused.err
    assert not list(tmp_path.glob("*.asice"))


def test_practice_without_a_meter_is_not_taken_up_again(tmp_path: Path) -> None:
    done = metercap_("run", "spur-visit", "--practice", "--resume", "1", "--data", tmp_path)

    assert done.code == 2
    assert "missing option '--meter'" in done.err
