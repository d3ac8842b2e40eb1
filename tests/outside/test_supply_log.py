"""A week's log against an independent computation with pandas, on a seeded week.

BS EN 50160 (from memory): root-mean-square values of ten minutes, 95 % of each week's within 230 V
+-10 %, all within +10 % and -15 %, periods with interruptions (below 5 % of 230 V) left out.
IEC 61000-4-30 (from memory): ten-minute values begin at the ten-minute marks of UTC; a dip or swell
ends 2 % inside its threshold.
"""

from __future__ import annotations

import math
import random
from decimal import Decimal
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from sequence.walking import PERSON, library, reading

from metercap.model import NS_PER_S, Instant
from metercap.sequence.effect import Claim
from metercap.sequence.event import Begun, Declared, Measured
from metercap.sequence.rehearse import answers_as_asked
from metercap.sequence.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Mapping

STEP = "supply-voltage-week"
EVERY_NS = 6 * NS_PER_S
GAP_NS = 5 * EVERY_NS
MEAN_NS = 600 * NS_PER_S
START_NS = 1_795_392_000 * NS_PER_S + 217 * NS_PER_S  # in the middle of an interval
WEEK_NS = 7 * 86_400 * NS_PER_S
PLANNED = WEEK_NS // MEAN_NS


def seeded_week(seed: int) -> list[tuple[int, int]]:
    """UTC nanoseconds and tenths of a volt: noise, a daily swing, dips, surges, gaps."""
    chance = random.Random(seed)
    rows = []
    at_ns, tail_ns = START_NS, START_NS + WEEK_NS + MEAN_NS
    level, left = 0, 0
    while at_ns < tail_ns:
        at_ns += EVERY_NS + chance.randrange(-NS_PER_S, NS_PER_S)
        if chance.random() < 0.0004:  # a gap of half a minute to two hours
            at_ns += int(30 * NS_PER_S * 240 ** chance.random())
        if left == 0 and chance.random() < 0.002:
            level, left = chance.choice([(-2300, 30), (-370, 200), (-265, 350), (245, 60)])
        left, level = max(0, left - 1), level if left > 1 else 0
        swing = 40 * math.sin(at_ns / (86_400 * NS_PER_S) * 2 * math.pi)
        rows.append((at_ns, max(3, round(2300 + swing + chance.gauss(0, 12)) + level)))
    return rows


def claims_of(rows: list[tuple[int, int]]) -> list[dict[str, object]]:
    procedure = library("log-supply-voltage")
    walk = Walk(procedure, PERSON, {"meter": EVERY_NS})
    effects = list(walk.start())

    def at(utc_ns: int) -> Instant:
        return Instant(utc_ns, utc_ns - START_NS + NS_PER_S, "boot", synced=True)

    begin = at(START_NS)
    for act in procedure.act:
        effects += walk.feed(Declared(begin, 1, PERSON, act.id, answers_as_asked(act, {})))
    effects += walk.feed(Begun(begin, 2, PERSON, STEP))
    shown = {tenths: reading(f"{tenths / 10:.1f} V", "ac") for _, tenths in rows}
    for seq, (utc_ns, tenths) in enumerate(rows, 3):
        effects += walk.feed(Measured(at(utc_ns), seq, "meter", shown[tenths]))
    return [effect.body for effect in effects if isinstance(effect, Claim)]


def by_pandas(rows: list[tuple[int, int]]) -> dict[str, object]:
    """The same week by grouping a frame of readings; squares of tenths are exact in 64 bits."""
    frame = pd.DataFrame(rows, columns=["utc", "tenths"])
    first = frame["utc"].iloc[0] // MEAN_NS + 1
    frame["mark"] = frame["utc"] // MEAN_NS
    # The log ends with the first reading after its last mark.
    frame = frame.iloc[: int((frame["mark"] < first + PLANNED).sum()) + 1].copy()
    frame["passed"] = frame["utc"].diff().fillna(0).astype("int64")
    frame["is_gap"] = frame["passed"] > GAP_NS
    frame["square"] = frame["tenths"] ** 2
    frame["gone"] = frame["tenths"] < 115
    groups = frame.groupby("mark")
    table = pd.DataFrame(
        {"n": groups.size(), "squares": groups["square"].sum(), "gone": groups["gone"].any()}
    ).reindex(range(first, first + PLANNED))
    # Each step between readings that is no gap covers the marks' spans that it overlaps.
    steps = frame[~frame["is_gap"]].iloc[1:]
    begins = steps["utc"] - steps["passed"]
    own = (steps["utc"] - pd.concat([begins, steps["mark"] * MEAN_NS], axis=1).max(axis=1)).groupby(
        steps["mark"]
    )
    early = (steps["mark"] * MEAN_NS - begins).clip(lower=0).groupby(begins // MEAN_NS)
    covered = own.sum().add(early.sum(), fill_value=0).reindex(table.index, fill_value=0)
    is_good = (covered >= 0.9 * MEAN_NS) & ~table["gone"].fillna(True).astype(bool)
    good = table[is_good]
    roots = (good["squares"] / good["n"]) ** 0.5 / 10
    low = spans(frame["tenths"] < 2070, frame["tenths"] >= 2070 * 1.02, frame["is_gap"])
    high = spans(frame["tenths"] > 2530, frame["tenths"] <= 2530 * 0.98, frame["is_gap"])
    lows = frame["gone"].groupby(low).any()
    return {
        "good": len(good),
        "empty": int(table["n"].isna().sum()),
        "within": int(roots.between(207, 253).sum()),
        "always": int(roots.between(195.5, 253).sum()),
        "least": (float(roots.min()), int(roots.idxmin()) * MEAN_NS),
        "most": (float(roots.max()), int(roots.idxmax()) * MEAN_NS),
        "low": int(frame["tenths"].min()),
        "high": int(frame["tenths"].max()),
        "gaps": int(frame["is_gap"].sum()),
        "missed": int(frame["passed"][frame["is_gap"]].sum()),
        "longest": int(frame["passed"][frame["is_gap"]].max()),
        "elapsed": int(frame["passed"].sum()),
        "events": low.nunique() + high.nunique(),
        "interruptions": int(lows.sum()),
    }


def spans(begins: pd.Series, ends: pd.Series, is_gap: pd.Series) -> pd.Series:
    """The number of the event that a reading belongs to; missing where it belongs to none."""
    state = pd.Series(float("nan"), begins.index)
    state[ends | is_gap] = 0
    state[begins] = 1
    on = state.ffill().fillna(0) == 1
    return (on & (~on.shift(fill_value=False) | is_gap)).cumsum()[on]


def percent(part: int, whole: int) -> str:
    """Cut, not rounded, to two places."""
    return f"{10_000 * part // whole / 100:.2f} %"


def found(log: Mapping[str, object], name: str) -> tuple[float, int]:
    """A value with its time, from a claim."""
    row = log[name]
    assert isinstance(row, dict)
    return float(row["value"]), pd.Timestamp(row["at"]).value


@pytest.mark.parametrize("seed", [50160, 61000])
def test_a_seeded_week_is_counted_as_a_data_frame_counts_it(seed: int) -> None:
    rows = seeded_week(seed)
    claims = claims_of(rows)
    (attempt,) = [body for body in claims if body["claim"] == "attempt"]
    expected = by_pandas(rows)
    log, (week,) = attempt["log"], attempt["weeks"]  # type: ignore[misc]  # lists of rows
    assert isinstance(log, dict)
    good = expected["good"]
    assert isinstance(good, int)
    assert 800 < good < PLANNED  # the seeds leave gaps, and enough besides them
    assert (log["of"], log["means"], log["empty"]) == (PLANNED, good, expected["empty"])
    assert log["flagged"] == PLANNED - good - int(str(expected["empty"]))
    assert week["within"] == percent(int(str(expected["within"])), good)
    assert week["always"] == percent(int(str(expected["always"])), good)
    assert 0 < int(str(expected["within"])) < good
    for name, key in (("least-mean", "least"), ("most-mean", "most")):
        value, at_ns = found(log, name)
        root, mark_ns = expected[key]  # type: ignore[misc]  # a pair
        assert value == pytest.approx(root, abs=0.005 + 1e-9)  # printed to a hundredth
        assert at_ns == mark_ns
    assert found(log, "least-reading")[0] * 10 == pytest.approx(expected["low"])
    assert found(log, "most-reading")[0] * 10 == pytest.approx(expected["high"])
    assert log["gaps"] == expected["gaps"]
    for name, key in (("missed", "missed"), ("longest-gap", "longest")):
        assert float(log[name].removesuffix(" s")) == pytest.approx(
            int(str(expected[key])) / NS_PER_S, abs=0.005
        )
    elapsed, missed = int(str(expected["elapsed"])), int(str(expected["missed"]))
    assert log["covered"] == percent(elapsed - missed, elapsed)
    assert (log["events"], log["interruptions"]) == (
        expected["events"],
        expected["interruptions"],
    )
    days = [body for body in claims if body["claim"] == "log"]
    for key in ("means", "flagged", "empty", "gaps", "events", "interruptions"):
        assert sum(int(str(day[key])) for day in days) == log[key]


def test_the_shipped_limits_are_those_of_the_standard() -> None:
    step = library("log-supply-voltage").find_step(STEP)
    assert step is not None
    assert step.expect is not None
    assert step.log is not None
    nominal = Decimal(230)
    assert step.expect.limits() == (nominal * Decimal("0.90"), nominal * Decimal("1.10"), "V")
    assert step.log.always == (
        f"{nominal * Decimal('0.85'):.1f} V",
        f"{nominal * Decimal('1.1'):.1f} V",
    )
    assert step.log.gone == f"{nominal * Decimal('0.05'):.1f} V"
    assert (step.log.share, step.log.mean, step.log.lasting) == ("95 %", "10 min", "7 days")
