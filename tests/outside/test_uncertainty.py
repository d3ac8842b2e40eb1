"""How doubts combine, against the worked examples of the guides and an independent library.

GUM: JCGM 100:2008, annexes G and H; its data for H.1 and H.2 as the tests of GTC have them.
JCGM 106:2012 example 9.5.4, its data as a published notebook has them. EA-4/02 S9 from memory.
GTC (GUM Tree Calculator) and scipy are here in tests only.
"""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from metercap.sequence import judge
from metercap.sequence.budget import Estimate, Part, combine, doubt_text, factor_of, made, rectangle
from metercap.sequence.relation import exact, propagate

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT_3 = math.sqrt(3)


def measured(value: str, unit: str, *parts: Part) -> Estimate:
    return made(Decimal(value), unit, parts, -6)


def part(doubt: float, freedom: int | None = None) -> Part:
    return Part("", Decimal(repr(doubt)), freedom=None if freedom is None else Decimal(freedom))


# GUM H.1: an end gauge


def end_gauge() -> Estimate:
    """Length in nm of the gauge, l = l_s + d - l_s (d_alpha theta + alpha d_theta)."""
    difference = measured("215", "nm", part(5.8, 24), part(3.9, 5), part(6.7, 8))
    values = {
        "l_s": measured("50000623", "nm", part(25, 18)),
        "d": difference,
        "d_alpha": measured("0", "1", part(1e-6 / ROOT_3, 50)),
        "d_theta": measured("0", "1", part(0.05 / ROOT_3, 2)),
        "theta": measured("-0.1", "1", part(0.406)),
        "alpha": measured("0.0000115", "1", part(2e-6 / ROOT_3)),
    }
    return propagate(
        lambda a: (
            a["l_s"] + a["d"] - a["l_s"] * (a["d_alpha"] * a["theta"] + a["alpha"] * a["d_theta"])
        ),
        values,
        "nm",
    )


def test_gum_h_1_doubt_and_degrees_of_freedom_of_a_length_difference() -> None:
    """u(d) = 9.7 nm with 25.6 degrees of freedom; exactly 9.682 and 25.45."""
    found = measured("215", "nm", part(5.8, 24), part(3.9, 5), part(6.7, 8))
    assert float(found.doubt) == pytest.approx(9.682, abs=5e-4)
    assert found.freedom is not None
    assert float(found.freedom) == pytest.approx(25.45, abs=5e-3)
    assert found.freedom_text == "25"


def test_gum_h_1_an_end_gauge() -> None:
    """l = 50 000 838 nm, u = 32 nm, 16 degrees of freedom (16.7 cut); U_99 = 93 nm."""
    found = end_gauge()
    assert round(found.value) == 50_000_838
    assert float(found.doubt) == pytest.approx(31.66, abs=0.005)
    assert found.freedom_text == "16"
    assert found.factor == Decimal("2.17")  # t of 95.45 %, table G.2
    assert stats.t.ppf(0.995, int(found.freedom_text)) * 32 == pytest.approx(93, abs=0.5)


def test_gum_h_1_by_another_library() -> None:
    """GTC: x 50000838.0, u 31.663879, df 16.7518."""
    l_s = GTC.ureal(50000623, 25, 18)
    d = GTC.ureal(215, 5.8, 24) + GTC.ureal(0, 3.9, 5) + GTC.ureal(0, 6.7, 8)
    d_alpha, d_theta = GTC.ureal(0, 1e-6 / ROOT_3, 50), GTC.ureal(0, 0.05 / ROOT_3, 2)
    theta, alpha = GTC.ureal(-0.1, 0.406), GTC.ureal(11.5e-6, 2e-6 / ROOT_3)
    wanted = l_s + d - l_s * (d_alpha * theta + alpha * d_theta)
    found = end_gauge()
    assert float(found.value) == pytest.approx(wanted.x, abs=1e-6)
    assert float(found.doubt) == pytest.approx(wanted.u, rel=1e-9)
    assert found.freedom is not None
    assert float(found.freedom) == pytest.approx(wanted.df, rel=1e-9)


# GUM H.2: resistance and reactance, inputs that correlate

READINGS = {
    "V": ("5.007", "4.994", "5.005", "4.990", "4.999"),
    "I": ("0.019663", "0.019639", "0.019640", "0.019685", "0.019678"),
    "phi": ("1.0456", "1.0438", "1.0468", "1.0428", "1.0433"),
}


def mean(values: list[Decimal]) -> Decimal:
    return sum(values, Decimal(0)) / len(values)


def correlated() -> dict[str, Estimate]:
    """The means; what each reading strays by is a source that the three means share."""
    found = {}
    for name, texts in READINGS.items():
        values = list(map(Decimal, texts))
        middle, n = mean(values), len(values)
        root = Decimal(n * (n - 1)).sqrt()
        strays = [
            Part(name, (value - middle) / root, shared=f"set {k}") for k, value in enumerate(values)
        ]
        found[name] = made(middle, "1", strays, -6)
    return found


def impedances() -> dict[str, Estimate]:
    def cos(angle: Decimal) -> Decimal:
        return Decimal(math.cos(angle))

    def sin(angle: Decimal) -> Decimal:
        return Decimal(math.sin(angle))

    inputs = correlated()
    return {
        "R": propagate(lambda a: a["V"] / a["I"] * cos(a["phi"]), inputs, "Ohm"),
        "X": propagate(lambda a: a["V"] / a["I"] * sin(a["phi"]), inputs, "Ohm"),
        "Z": propagate(lambda a: a["V"] / a["I"], inputs, "Ohm"),
    }


def correlation(one: Estimate, other: Estimate) -> float:
    """From the parts that both share."""

    def shares(estimate: Estimate) -> Mapping[str, Decimal]:
        sums: dict[str, Decimal] = {}
        for source in estimate.parts:
            sums[source.shared] = sums.get(source.shared, Decimal(0)) + source.doubt
        return sums

    first, second = shares(one), shares(other)
    product = sum((first[key] * second[key] for key in first), Decimal(0))
    return float(product / one.doubt / other.doubt)


@pytest.mark.parametrize(
    ("name", "value", "doubt"),
    [("V", 4.9990, 0.0032), ("I", 0.0196610, 0.0000095), ("phi", 1.04446, 0.00075)],
)
def test_gum_h_2_the_means(name: str, value: float, doubt: float) -> None:
    found = correlated()[name]
    assert float(found.value) == pytest.approx(value, rel=1e-6)
    assert float(found.doubt) == pytest.approx(doubt, rel=0.01)


def test_gum_h_2_the_inputs_correlate() -> None:
    """r(V, I) -0.36, r(V, phi) 0.86, r(I, phi) -0.65."""
    inputs = correlated()
    found = [correlation(inputs[a], inputs[b]) for a, b in combinations(("V", "I", "phi"), 2)]
    assert found == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)


@pytest.mark.parametrize(
    ("name", "value", "doubt"),
    [
        ("R", 127.73216993, 0.07107141),
        ("X", 219.84651191, 0.29558168),
        ("Z", 254.25970195, 0.23633613),
    ],
)
def test_gum_h_2_resistance_reactance_impedance(name: str, value: float, doubt: float) -> None:
    """127.732 u 0.071, 219.847 u 0.295, 254.260 u 0.236; all digits as numpy gives them."""
    found = impedances()[name]
    assert float(found.value) == pytest.approx(value, abs=5e-9)
    assert float(found.doubt) == pytest.approx(doubt, rel=2e-5)


def test_gum_h_2_the_results_correlate() -> None:
    """r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) 0.993."""
    outputs = impedances()
    found = [correlation(outputs[a], outputs[b]) for a, b in combinations("RXZ", 2)]
    assert found == pytest.approx([-0.588430, -0.485259, 0.992512], abs=2e-5)


# GUM table G.2, and the choice of k


@pytest.mark.parametrize(
    ("freedom", "k"), [(5, "2.65"), (10, "2.28"), (16, "2.17"), (20, "2.13"), (29, "2.09")]
)
def test_gum_table_g_2(freedom: int, k: str) -> None:
    """From memory; t of 95.45 %."""
    assert factor_of(Decimal(freedom)) == Decimal(k)


def test_every_factor_is_that_of_the_t_distribution() -> None:
    for freedom in range(1, 30):
        wanted = stats.t.ppf(0.5 + 0.9545 / 2, freedom)
        assert float(factor_of(Decimal(freedom))) == pytest.approx(wanted, abs=0.0051)
    assert factor_of(Decimal("9.99")) == factor_of(Decimal(9))  # G.4.1: cut, not rounded
    assert factor_of(Decimal("0.6")) == factor_of(Decimal(1))
    assert factor_of(Decimal(30)) == factor_of(None) == 2


def test_an_uncertain_doubt_has_few_degrees_of_freedom() -> None:
    """GUM G.4.2: 25 % in doubt is 8 degrees of freedom, 0.5 / 0.25^2, so k is 2.37."""
    assert factor_of(Decimal("0.5") / Decimal("0.25") ** 2) == Decimal("2.37")


# EA-4/02 and shapes


def test_ea_4_02_s9_a_hand_meter_of_which_one_rectangle_dominates() -> None:
    """From memory: 100 V, 0.001 V; +-0.05 V; +-0.011 V: u 0.030 V, and k 1.65 is enough."""
    found = measured(
        "0.10",
        "V",
        part(0.001),
        rectangle("resolution", Decimal("0.05")),
        rectangle("calibrator", Decimal("0.011")),
    )
    assert float(found.doubt) == pytest.approx(0.02957, abs=5e-6)
    assert doubt_text(found.doubt) == "0.030"
    assert found.shape == "rectangle"
    assert float(found.doubt) * 1.65 == pytest.approx(0.0487, abs=1e-4)
    assert found.expanded > Decimal("1.65") * found.doubt  # this project's k = 2 covers more


def test_two_alike_rectangles_are_no_single_one() -> None:
    alike = measured("0", "V", *[rectangle("", Decimal(1))] * 2)
    assert alike.shape == "normal"


# JCGM 106, 9.5.4: ball bearings


def process(run_out: float) -> float:
    """Density of what is made: gamma, shape 4, scale 0.25 um."""
    return float(stats.gamma.pdf(run_out, 4, scale=0.25))


def accepted(run_out: float, limit: float) -> float:
    """Probability that a part of that run-out is measured within `limit`; u = 0.25 um."""
    return float(judge.normal_below(Decimal((limit - run_out) / 0.25)))


@pytest.mark.parametrize(
    ("limit", "consumer", "producer"),
    [(2.0, 0.0080191, 0.0174446), (1.6718288, 0.001, 0.0754939)],
)
def test_jcgm_106_9_5_4_global_risks(limit: float, consumer: float, producer: float) -> None:
    """T_U = 2 um; with A = 1.67 um the consumer's risk is 0.1 %."""

    def bad_and_taken(run_out: float) -> float:
        return process(run_out) * accepted(run_out, limit)

    def good_and_refused(run_out: float) -> float:
        return process(run_out) * (1 - accepted(run_out, limit))

    taken = integrate.quad(bad_and_taken, 2, 6, epsabs=1e-8)[0]
    refused = integrate.quad(good_and_refused, 0, 2, epsabs=1e-8)[0]
    assert taken == pytest.approx(consumer, abs=2e-7)
    assert refused == pytest.approx(producer, abs=2e-7)


def test_jcgm_106_9_5_4_without_inspection() -> None:
    assert integrate.quad(process, 2, 30)[0] == pytest.approx(0.042380, abs=5e-7)


# What is shared, by another library

amounts = st.decimals("0.1", 1000, places=2)
gains = st.decimals("0.01", 2, places=2)


@given(amounts, amounts, gains, st.decimals("0.01", 5, places=2))
def test_a_difference_of_two_readings_of_one_gain(
    first: Decimal, second: Decimal, percent: Decimal, own: Decimal
) -> None:
    """GUM 5.2.2 by GTC: readings are (true value) x gain + own, the gain being one input."""
    estimates = [
        made(
            value,
            "V",
            (
                Part("gain", value * percent / 100, shared="meter"),
                Part("own", own),
            ),
            -2,
        )
        for value in (first, second)
    ]
    found = combine(
        first - second, "V", list(zip((Decimal(1), Decimal(-1)), estimates, strict=True))
    )
    gain = GTC.ureal(1, float(percent) / 100)
    readings = [float(value) * gain + GTC.ureal(0, float(own)) for value in (first, second)]
    assert float(found.doubt) == pytest.approx((readings[0] - readings[1]).u, rel=1e-9)


def test_a_given_value_brings_no_doubt() -> None:
    found = propagate(
        lambda a: a["x"] * a["y"],
        {"x": measured("2", "Ohm", part(0.1)), "y": exact(Decimal(3), "1")},
        "Ohm",
    )
    assert (found.value, float(found.doubt)) == (6, pytest.approx(0.3))
