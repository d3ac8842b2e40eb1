"""Rows that wait for a limit of 10 or 20 s, with the link in this process and short limits.

As the rows in `test_rows.py`, and here the tasks can be counted as well.
"""

from __future__ import annotations

import asyncio
import os
from typing import TYPE_CHECKING, Any

import pytest
from dbus_fast import Variant
from fake_bluez import DEVICE, FakeBluez
from link.test_bluetooth import ADDRESS, METER, TARGET, Heard, linked, numbers, run, send

from metercap.link.bluetooth import Limits, Radio, supervise
from metercap.link.bluetooth.ladder import CYCLE_AT, FORGET_AT, HANDS, TELL_AT, Ladder, Rung
from metercap.link.bluetooth.radio import BUSY
from metercap.model import Instant

if TYPE_CHECKING:
    from collections.abc import Callable

SHORT_S = 0.2
SHORT = Limits(
    scan_s=0.3,
    connect_s=SHORT_S,
    notify_s=SHORT_S,
    disconnect_s=SHORT_S,
    backoff_first_s=0.01,
    backoff_most_s=0.05,
    mend_s=SHORT_S,
)
TIMES = 4


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208  counted, not read


def survives(strike: Callable[[FakeBluez, Heard], Any], **more: Any) -> list[str]:
    """Strike so often, a value before and after each; why sessions ended or did not begin."""
    said: list[str] = []

    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            async with linked(**{"limits": SHORT, **more}) as heard:
                opened, tasks = 0, 0
                for count in range(TIMES):
                    ups = len(heard.ups)
                    if count:
                        waited = strike(bluez, heard)
                        if waited is not None:
                            await waited
                        await heard.until(lambda wanted=ups: len(heard.ups) > wanted)
                    else:
                        await heard.until(lambda: bool(heard.ups))
                    await send(bluez, count)
                    await heard.until(lambda wanted=count: len(heard.frames) > wanted)
                    now = descriptors(), len(asyncio.all_tasks())
                    opened, tasks = (opened, tasks) if count > 1 else now
                assert now[0] <= opened
                assert now[1] <= tasks
            assert [value for _, _, value in numbers(heard)] == list(range(TIMES))
            assert len({session for session, _, _ in numbers(heard)}) == TIMES
            said.extend(heard.downs)

    run(scenario)
    return said


def test_row_7_a_connect_that_is_never_answered() -> None:
    def strike(bluez: FakeBluez, _: Heard) -> None:
        bluez.fault("no-reply", "Connect", times=1)
        bluez.drop(ADDRESS)

    assert "the meter did not finish connecting within 0.2 s" in survives(strike)


def test_row_7_a_disconnect_that_is_never_answered() -> None:
    def strike(bluez: FakeBluez, _: Heard) -> None:
        bluez.fault("no-reply", "Disconnect", times=1)

    said = survives(strike, target=TARGET._replace(silence_s=0.5))
    assert said[0] == "the meter sent nothing for 0.5 s"


def test_row_10_a_scan_that_hears_nothing() -> None:
    def strike(bluez: FakeBluez, _: Heard) -> None:
        bluez.fault("deaf-scan", times=2)
        bluez.drop(ADDRESS)

    assert any("was not seen within 0.3 s" in line for line in survives(strike))


def test_row_12_a_link_with_nothing_behind_it() -> None:
    def strike(bluez: FakeBluez, _: Heard) -> None:
        bluez.phantom(ADDRESS)

    nothing = f"the Bluetooth service holds a link to {ADDRESS} with nothing behind it"
    assert nothing in survives(strike)


def test_row_18_a_service_that_answers_nothing() -> None:
    async def wait(bluez: FakeBluez, heard: Heard) -> None:
        downs = len(heard.downs)
        for method in ("StartDiscovery", "StopDiscovery", "Connect", "Disconnect", "RemoveDevice"):
            bluez.fault("no-reply", method)
        bluez.drop(ADDRESS)
        await heard.until(lambda: len(heard.downs) >= downs + 2)
        bluez.calm()

    assert "the Bluetooth service did not answer in time" in survives(wait)


def test_row_22_of_five_meters_the_one_too_many_waits_and_the_others_go_on() -> None:
    others = [f"AA:BB:CC:00:00:0{number}" for number in range(2, 6)]

    async def scenario() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            heard = Heard()

            def nowhen() -> Instant:
                return Instant(0, 0, "b", synced=True)

            def follow(address: str) -> asyncio.Task[None]:
                bluez.meter(**{**METER, "address": address})
                target = TARGET._replace(meter=address, address=address)
                return asyncio.create_task(
                    supervise(radio, target, nowhen, heard, limits=SHORT, jitter=lambda: 1.0)
                )

            tasks = [follow(address) for address in others]
            await heard.until(lambda: len(heard.ups) == len(others))
            bluez.fault("abort")  # a controller that has no slot left
            tasks.append(follow(ADDRESS))
            await heard.until(lambda: bool(heard.downs))
            for address in others:
                await bluez.notify(address, "0007")
            await heard.until(lambda: len(heard.frames) == len(others))
            bluez.calm()
            await heard.until(lambda: len(heard.ups) == len(others) + 1)
            assert {change.meter for change in heard.items if change in heard.ups} == {
                ADDRESS,
                *others,
            }
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            ended = [item for item in heard.items if getattr(item, "up", True) is False]
            assert {one.meter for one in ended if one.reason != "closed"} == {ADDRESS}

    run(scenario)


# ---- the ladder ----


def test_what_the_service_holds_is_forgotten_after_the_second_attempt_and_no_more_often() -> None:
    ladder = Ladder()
    rungs = [ladder.fell(found=True, stale=False) for _ in range(9)]
    assert rungs.index(Rung.FORGET) == FORGET_AT - 1
    assert rungs.index(Rung.CYCLE) == CYCLE_AT - 1
    assert rungs.count(Rung.FORGET) == rungs.count(Rung.CYCLE) == 1
    ladder.stood()
    assert ladder.fell(found=True, stale=True) is Rung.FORGET


def test_a_meter_that_was_not_found_cannot_be_forgotten() -> None:
    ladder = Ladder()
    rungs = {ladder.fell(found=False, stale=False) for _ in range(20)}
    assert rungs == {Rung.AGAIN, Rung.CYCLE}


@pytest.mark.parametrize("may_cycle", [False, True])
def test_the_adapter_is_switched_off_and_on_only_where_that_was_allowed(may_cycle: bool) -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("no-services")
            radio = Radio(may_cycle=may_cycle)
            async with linked(radio=radio, limits=SHORT) as heard:
                await bluez.until_called("Connect", times=CYCLE_AT + 2)
                bluez.calm()
                await heard.until(lambda: bool(heard.ups))
            assert bluez.calls.count("RemoveDevice") == 1
            assert bluez.calls.count("Set") == (2 if may_cycle else 0)

    run(scenario)


def test_where_nothing_helps_the_person_is_told_once_what_is_left_to_do() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            bluez.fault("error", "StartDiscovery", "org.bluez.Error.InProgress")
            async with linked(limits=SHORT) as heard:
                await bluez.until_called("StartDiscovery", times=TELL_AT + 3)
            assert heard.downs == [BUSY, f"{BUSY}; {HANDS}"]

    run(scenario)


def test_a_paired_meter_is_not_forgotten() -> None:
    async def scenario() -> None:
        async with FakeBluez() as bluez:
            bluez.meter(**METER)
            ((path, meter),) = bluez.meters.items()
            bluez._add_device(path, meter)
            bluez.objects[path][DEVICE]["Paired"] = Variant("b", True)
            bluez.fault("no-services")
            async with linked(limits=SHORT) as heard:
                await bluez.until_called("Connect", times=TELL_AT)
                bluez.calm()
                await heard.until(lambda: bool(heard.ups))
            assert "RemoveDevice" not in bluez.calls

    run(scenario)
