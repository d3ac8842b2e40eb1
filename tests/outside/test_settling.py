"""When a reading has settled: the arithmetic of a tail, and seeded simulations of the rule.

The rates come from 20,000 traces a row, drawn with another program: readings four a second, an
exponential tail, noise that is AR(1), whole counts, limit of error 26 counts, of which one fifth
(about 5 counts) may be left. The bounds here leave room for a few hundred traces.
"""

from __future__ import annotations

import math
import random
from collections import deque
from decimal import Decimal
from typing import NamedTuple

import pytest

from metercap.model import NS_PER_S, Accuracy
from metercap.sequence.settle import Terms, Window, tail_factor

QUARTER_NS = NS_PER_S // 4
# 25 counts whatever is read, so that a fifth of it is the 5 counts of the table.
FIXED = Accuracy(Decimal(0), Decimal(25))
TRACES = 250


@pytest.mark.parametrize(
    ("window_s", "slowest_s", "g"),
    [
        (5, "2.5", 2.9525),
        (5, "5", 0.8417),
        (5, "10", 0.3227),
        (5, "30", 0.0906),
        (10, "10", 0.8417),
        (10, "30", 0.1973),
        (60, "30", 2.9525),
    ],
)
def test_the_factor_between_difference_and_tail(window_s: int, slowest_s: str, g: float) -> None:
    """g = (e^x - 1)^2 / x with x = W / (2 tau), and by the integral of an exponential itself."""
    slowest_ns = int(Decimal(slowest_s) * NS_PER_S)
    found = float(tail_factor(window_s * NS_PER_S, slowest_ns))
    assert found == pytest.approx(g, abs=5e-5)
    # Means of exp(-t/tau) over both halves of the window that ends at t = 0, by the antiderivative.
    tau, half = float(slowest_s), window_s / 2
    early = tau / half * (math.exp(2 * half / tau) - math.exp(half / tau))
    late = tau / half * (math.exp(half / tau) - 1)
    assert found == pytest.approx(early - late, rel=1e-12)


class Scenario(NamedTuple):
    """A trace: a tail of so many counts, its time constant, and the noise about it, in counts."""

    tail: float
    tau_s: float
    sigma: float
    rho: float


def run(
    scenario: Scenario, window_s: int, slowest_s: int, *, hold_s: int = 2, seed: int = 1
) -> tuple[list[float], list[float], int]:
    """Simulate: times to settle in s, tails left in counts, and how many never settled in 120 s."""
    noise = random.Random(seed)
    terms = Terms(window_s * NS_PER_S, slowest_s * NS_PER_S, hold_s * NS_PER_S, QUARTER_NS)
    times, left, never = [], [], 0
    step = scenario.sigma * math.sqrt(1 - scenario.rho**2)
    for _ in range(TRACES):
        window, deviation = Window(terms), noise.gauss(0, scenario.sigma)
        phase = noise.random()
        for n in range(480):
            t_s = n / 4
            tail = scenario.tail * math.exp(-t_s / scenario.tau_s)
            deviation = scenario.rho * deviation + noise.gauss(0, step)
            counts = round(2000 + phase + tail + deviation)
            if window.add(n * QUARTER_NS, n, counts, -1, FIXED).settled is not None:
                times.append(t_s)
                left.append(tail)
                break
        else:
            never += 1
    return sorted(times), left, never


def false_rate(left: list[float]) -> float:
    return sum(tail > 5 for tail in left) / TRACES


STEADY = Scenario(0, 1, 0.6, 0.5)


@pytest.mark.parametrize("sigma", [0.3, 0.6])
@pytest.mark.parametrize(("window_s", "median_s"), [(5, 6.5), (10, 11.5)])
def test_a_steady_reading_settles_as_soon_as_it_can(
    sigma: float, window_s: int, median_s: float
) -> None:
    """The table's time counts the window as full one reading sooner than its seconds."""
    times, left, never = run(STEADY._replace(sigma=sigma), window_s, 10)
    assert (false_rate(left), never) == (0, 0)
    assert times[TRACES // 2] == pytest.approx(median_s, abs=0.5)


def test_noise_of_a_count_and_a_half_wants_the_longer_window() -> None:
    """Never settled within 60 s in 92 % with 5 s; 11.5 s and always with 10 s."""
    scenario = STEADY._replace(sigma=1.5)
    times, _, never = run(scenario, 5, 10)
    assert never + sum(t > 60 for t in times) > 0.7 * TRACES
    times, _, never = run(scenario, 10, 10)
    assert never == 0
    assert times[TRACES // 2] == pytest.approx(11.5, abs=1)


@pytest.mark.parametrize(
    ("scenario", "window_s", "median_s", "most_false"),
    [
        (Scenario(50, 3, 0.6, 0.5), 5, 16.5, 0.0),
        (Scenario(50, 3, 0.6, 0.5), 10, 17.5, 0.0),
        (Scenario(50, 10, 0.6, 0.5), 5, 31, 0.01),  # 0.00005
        (Scenario(50, 10, 0.6, 0.5), 10, 28, 0.0),
        (Scenario(50, 10, 1.0, 0.7), 5, 33, 0.05),  # 0.0087
        (Scenario(50, 10, 1.0, 0.7), 10, 28, 0.02),  # 0.0006
        (Scenario(300, 10, 0.6, 0.5), 5, 49, 0.01),
        (Scenario(300, 10, 0.6, 0.5), 10, 46, 0.0),
    ],
)
def test_a_tail_that_was_declared_is_waited_for(
    scenario: Scenario, window_s: int, median_s: float, most_false: float
) -> None:
    times, left, _ = run(scenario, window_s, 10)
    assert false_rate(left) <= most_false
    assert times[len(times) // 2] == pytest.approx(median_s, rel=0.15)


def test_without_the_hold_every_reading_is_a_new_chance_to_be_wrong() -> None:
    """0.227 against 0.0087 with the hold, for 50 counts, 10 s, sigma 1.0, rho 0.7."""
    scenario = Scenario(50, 10, 1.0, 0.7)
    bare = false_rate(run(scenario, 5, 10, hold_s=0)[1])
    held = false_rate(run(scenario, 5, 10)[1])
    assert 0.12 < bare < 0.35
    assert held < bare / 4


def test_a_tail_slower_than_declared_is_not_controlled() -> None:
    """No detector can exclude it; that is why the claim says what was assumed."""
    _, left, _ = run(Scenario(50, 30, 0.6, 0.5), 5, 10)
    assert false_rate(left) > 0.9


@pytest.mark.parametrize(("spike", "settles"), [(24, True), (26, False)])
def test_a_reading_further_off_than_the_limit_of_error_keeps_a_window_from_settling(
    spike: int, settles: bool
) -> None:
    """This project's own rule: the spread of a window stays within the limit of error, 25 here."""
    window = Window(Terms(5 * NS_PER_S, 5 * NS_PER_S // 2, 0, QUARTER_NS))
    stands = [window.add(n * QUARTER_NS, n, 2000 + spike * (n == 12), -1, FIXED) for n in range(20)]
    assert (stands[-1].settled is not None) is settles


def test_what_is_left_of_an_exact_tail_is_what_the_rule_allows() -> None:
    """Without noise, in fine counts: at the first settled look less than a fifth is left.

    The slope within each half counts as noise there, so the rule waits longer than it must.
    """
    window = Window(Terms(5 * NS_PER_S, 10 * NS_PER_S, 0, QUARTER_NS))
    fine = Accuracy(Decimal(0), Decimal(25_000))
    tails: deque[float] = deque(maxlen=2)
    for n in range(4000):
        tails.append(50_000 * math.exp(-n / 4 / 10))
        stand = window.add(n * QUARTER_NS, n, 10**6 + round(tails[-1]), -4, fine)
        if stand.settled is not None:
            break
    assert 3000 < tails[-1] <= 5000
    assert stand.settled is not None
    assert float(stand.settled.tail) == 5000


def settling_s(interval_ns: int, pace_ns: int) -> float | None:
    """When a steady display settles at `pace_ns`, where the driver states `interval_ns`."""
    window = Window(Terms(5 * NS_PER_S, 5 * NS_PER_S // 2, 0, interval_ns))
    for n in range(400):
        if window.add(n * pace_ns, n, 2000, -1, FIXED).settled is not None:
            return n * pace_ns / NS_PER_S
    return None


@pytest.mark.parametrize("interval_s", [5, 10, 3600])
def test_a_meter_said_to_be_slow_settles_on_no_handful_of_readings(interval_s: int) -> None:
    """The rule wants 80 % of its window covered, however seldom the driver says that it sends."""
    assert settling_s(interval_s * NS_PER_S, interval_s * NS_PER_S) is None
    assert settling_s(interval_s * NS_PER_S, QUARTER_NS) == pytest.approx(4, abs=0.25)


@pytest.mark.parametrize(("pace_s", "settles_s"), [(1, 4), (1.25, 5), (1.5, 4.5), (1.75, None)])
def test_each_half_holds_two_readings_at_least(pace_s: float, settles_s: float | None) -> None:
    pace_ns = int(pace_s * NS_PER_S)
    assert settling_s(pace_ns, pace_ns) == settles_s
    terms = Terms(5 * NS_PER_S, 5 * NS_PER_S // 2, 0, pace_ns)
    assert terms.is_too_short is (settles_s is None)
