"""The shipped limits of the mains against the published ones.

ESQCR 2002 (SI 2002/2665) regulation 27: 230 V, +10 % and -6 %, at the supply terminals.
EN 60038, IEC standard voltages (from memory): 230 V +-10 % at the supply terminals.
BS EN 50160 (from memory): within +10 % and -15 % always.
BS 7671 Part 2: extra-low voltage is at most 50 V a.c. or 120 V ripple-free d.c.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from sequence.walking import Visit, library

LIVE = library("spur-live-no-demand")
NOMINAL = Decimal(230)
ESQCR = (NOMINAL * Decimal("0.94"), NOMINAL * Decimal("1.10"))
EN_60038 = (NOMINAL * Decimal("0.90"), NOMINAL * Decimal("1.10"))
EN_50160 = (NOMINAL * Decimal("0.85"), NOMINAL * Decimal("1.10"))


def shipped(step: str) -> tuple[Decimal, Decimal]:
    found = LIVE.find_step(step)
    assert found is not None
    assert found.expect is not None
    limits = found.expect.limits()
    assert limits.unit == "V"
    assert limits.low is not None
    assert limits.high is not None
    return limits.low, limits.high


@pytest.mark.parametrize("step", ["line-earth-spur", "line-neutral-spur"])
def test_the_shipped_limits_are_those_of_the_regulation(step: str) -> None:
    limits = (Decimal("216.2"), Decimal("253.0"))
    assert shipped(step) == limits == ESQCR
    found = LIVE.find_step(step)
    assert found is not None
    assert "ESQCR 2002 reg. 27" in found.source


@pytest.mark.parametrize("wider", [EN_60038, EN_50160])
def test_what_the_regulation_allows_the_standards_allow(wider: tuple[Decimal, Decimal]) -> None:
    low, high = shipped("line-earth-spur")
    assert wider[0] <= low < high <= wider[1]


def test_the_guards_end_at_extra_low_voltage() -> None:
    guards = {guard.mode: guard.above for guard in LIVE.guard if guard.voids == ("switched-off",)}
    assert guards == {"ac": "50 V", "dc": "120 V"}


@pytest.mark.parametrize(
    ("shown", "verdict"),
    [
        # Volts, and the verdict of a meter of 0.9 % + 2 counts (U about 2.6 V)
        ("207.0", "fail"),  # EN 60038 would still allow it, reg. 27 does not
        ("213.0", "fail"),
        ("215.0", "conditional fail"),
        ("217.0", "conditional pass"),
        ("220.0", "pass"),
        ("230.0", "pass"),
        ("250.0", "pass"),
        ("252.0", "conditional pass"),
        ("254.0", "conditional fail"),
        ("257.0", "fail"),
    ],
)
def test_a_display_is_held_against_the_regulation(shown: str, verdict: str) -> None:
    visit = Visit(library("spur-visit"))
    visit.until_live()
    visit.live("line-earth-spur", f"{shown} V")
    assert visit.verdicts("line-earth-spur") == [verdict]
