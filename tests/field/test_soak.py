"""A part of the two days, short enough for every run; `soak.py` plays the whole."""

from __future__ import annotations

import asyncio
import time

import pytest

from field.played import PlayedLoop
from field.soak import METERS, play


@pytest.mark.parametrize("seed", [3])
def test_hours_of_faults_leak_nothing_and_show_nothing_twice(seed: int) -> None:
    outcome = play(hours=0.5, seed=seed, every_s=1.0, looks=4, fault_s=60.0)
    first, last = outcome.held[1], outcome.held[-1]
    assert sum(outcome.faults.values()) > 5
    assert (outcome.twice, outcome.unmarked) == (0, 0)
    assert last.descriptors <= first.descriptors
    assert last.tasks <= first.tasks + METERS  # a link that is being made has a task or two more
    assert last.readings > outcome.sent / 2
    assert last.journal_bytes > first.journal_bytes


def test_the_played_clock_skips_the_waiting_and_no_more() -> None:
    async def wait_a_day() -> float:
        loop = asyncio.get_running_loop()
        before_s = loop.time()
        await asyncio.sleep(86_400)
        return loop.time() - before_s

    begun_s = time.monotonic()
    with asyncio.Runner(loop_factory=PlayedLoop) as runner:
        waited_s = runner.run(wait_a_day())
    assert 86_400 <= waited_s < 86_460
    assert time.monotonic() - begun_s < waited_s
