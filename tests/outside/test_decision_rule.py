"""Uncertainty, verdicts and probabilities against the guides they follow.

GUM: JCGM 100:2008. JCGM 106:2012. ILAC-G8:09/2019, clause 4.2 and its table 1 (from memory).
The rows of "what each verdict should be" were computed from those rules with another program.
"""

from __future__ import annotations

import math
from decimal import Decimal
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.model import Accuracy
from metercap.sequence import judge
from metercap.sequence.budget import doubt_text
from metercap.sequence.settle import Settled, limit_of_error

NORMAL = NormalDist()
FOUR_PLACES = 0.000051  # a probability printed with four places


def settled(
    mean: str, variance: str, accuracy: Accuracy, n: int = 20, tail: str = "0", exponent: int = -2
) -> Settled:
    """A window in counts of `exponent`."""
    error = limit_of_error(accuracy, Decimal(mean))
    zero = Decimal(0)
    return Settled(
        Decimal(mean), Decimal(variance), n, exponent, 1, n, zero, zero, Decimal(tail), error,
        accuracy,
    )  # fmt: skip


# Uncertainty of one settled value


def test_the_worked_row_of_ten_readings_about_230_volts() -> None:
    """10 readings about 230.43 V, 1.0 % + 3 counts of 0.1 V: a 2.6043, u_B 1.50359, U 3.0077 V.

    JCGM 100:2008 4.3.7 (a/sqrt 3) and F.2.2.1 (a count over sqrt 12 as a floor). The row was worked
    with the readings' own s/sqrt n (0.08233/sqrt 10 = 0.026) below that floor of 0.0289, as here.
    """
    found = settled(
        "2304.3", str(Decimal("0.8233") ** 2), Accuracy(Decimal(1), Decimal(3)), 10, exponent=-1
    )
    assert found.limit_of_error == Decimal("26.043")
    estimate = judge.estimate(found, "V")
    doubt = estimate.expanded / 2
    # Neighbouring readings are held to correlate, so s counts for more here: 0.0420 for 0.0289.
    type_a = Decimal("0.08233") / judge.effective_number(10, Decimal("0.5")).sqrt()
    assert float(type_a) == pytest.approx(0.0420, abs=0.0001)
    assert float(doubt) == pytest.approx(math.hypot(1.50359, float(type_a)), abs=1e-5)
    flat = settled("2304.3", "0", Accuracy(Decimal(1), Decimal(3)), 10, exponent=-1)
    assert float(judge.estimate(flat, "V").expanded) == pytest.approx(3.0077, abs=5e-5)
    assert float(judge.standard_uncertainty(flat)) / 10 == pytest.approx(1.50387, abs=5e-6)
    assert estimate.expanded_text == "3.1"
    assert judge.estimate(flat, "V").value_text == "230.4"


def test_gum_4_3_7_a_voltmeter_of_14_ppm_and_2_ppm_of_range() -> None:
    """JCGM 100:2008 4.3.7 and 5.1.5 (from memory): a 15 uV, u_B 8.7 uV; with u_A 12 uV, u_c 15 uV.

    In counts of 1 uV on 0.928571 V; the scatter is such that its mean has u_A = 12 counts.
    """
    accuracy = Accuracy(Decimal("0.0014"), Decimal(2))
    variance = 144 * judge.effective_number(20, Decimal("0.5"))
    found = settled("928571", str(variance), accuracy, exponent=-6)
    assert found.limit_of_error == pytest.approx(Decimal(15), abs=Decimal("0.05"))
    assert float(found.limit_of_error) / math.sqrt(3) == pytest.approx(8.7, abs=0.05)
    assert float(judge.standard_uncertainty(found)) == pytest.approx(14.8, abs=0.05)


@pytest.mark.parametrize(
    ("rho", "n_eff"), [("0.3", 11.14), ("0.5", 7.14), ("0.7", 4.09), ("0.9", 1.80)]
)
def test_readings_that_hang_together_count_for_fewer(rho: str, n_eff: float) -> None:
    """AR(1), n = 20; formula of N F Zhang, Metrologia 43 (2006) S276 (from memory)."""
    assert float(judge.effective_number(20, Decimal(rho))) == pytest.approx(n_eff, abs=0.005)


def test_a_tail_of_a_fifth_of_the_limit_of_error_adds_two_percent() -> None:
    """JCGM 100:2008 4.3.7 for both, combined by 5.1.2: sqrt(1 + 1/25) = 1.0198."""
    accuracy = Accuracy(Decimal(0), Decimal(1000))
    without, with_tail = (
        judge.standard_uncertainty(settled("0", "0", accuracy, tail=tail)) for tail in ("0", "200")
    )
    assert float(with_tail / without) == pytest.approx(1.0198, abs=1e-4)


def test_independent_readings_count_each() -> None:
    assert judge.effective_number(20, Decimal(0)) == 20


# Verdicts

ONE_OHM = Decimal("1.00")
CONTINUITY = Accuracy(Decimal("0.9"), Decimal(2))
# Reading in Ohm against 1.00 Ohm -> p, simple acceptance, guard band w = U, the four verdicts.
# Meter 0.9 % + 2 counts of 0.01 Ohm, u_A 0.003 Ohm, U about 0.034 Ohm.
TABLE = [
    ("0.95", 0.9986, "pass", "pass", "pass"),
    ("0.97", 0.9624, "pass", "fail", "conditional pass"),
    ("0.98", 0.8816, "pass", "fail", "conditional pass"),
    ("1.00", 0.5000, "pass", "fail", "conditional pass"),
    ("1.01", 0.2789, "fail", "fail", "conditional fail"),
    ("1.03", 0.0402, "fail", "fail", "conditional fail"),
    ("1.05", 0.0019, "fail", "fail", "fail"),
]


def continuity_doubt(value: Decimal) -> Decimal:
    """u of a reading in Ohm: the limit of error as a rectangle, and u_A = 0.3 counts."""
    variance = Decimal("0.3") ** 2 * judge.effective_number(20, Decimal("0.5"))
    counts = settled(str(value * 100), str(variance), CONTINUITY)
    return judge.standard_uncertainty(counts).scaleb(-2)


@pytest.mark.parametrize(("shown", "probability", "simple", "guarded", "four"), TABLE)
def test_what_each_verdict_should_be(
    shown: str, probability: float, simple: str, guarded: str, four: str
) -> None:
    """ILAC-G8:09/2019 4.2.1 (simple), 4.2.2 (binary with w = U), 4.2.3 (four verdicts)."""
    value = Decimal(shown)
    doubt = continuity_doubt(value)
    assert 2 * float(doubt) == pytest.approx(0.034, abs=0.0015)
    found = judge.conformance(value, doubt, None, ONE_OHM)
    assert float(found) == pytest.approx(probability, abs=FOUR_PLACES)
    assert judge.verdict(value, Decimal(0), None, ONE_OHM).value == simple
    verdict = judge.verdict(value, 2 * doubt, None, ONE_OHM)
    assert verdict.value == four
    assert (verdict.value == "pass") is (guarded == "pass")


MAINS = (Decimal("216.2"), Decimal("253.0"))
# Volts within 216.2 to 253.0 V, 1 % + 3 counts of 0.1 V -> verdict, p
BAND = [
    ("216.0", "conditional fail", 0.444),
    ("217.0", "conditional pass", 0.7126),
    ("219.0", "conditional pass", 0.9743),
    ("220.0", "pass", 0.9958),
    ("250.0", "conditional pass", 0.9683),
    ("254.0", "conditional fail", 0.271),
    ("256.5", "fail", 0.0172),
]


@pytest.mark.parametrize(("shown", "verdict", "probability"), BAND)
def test_the_mains_band_row_by_row(shown: str, verdict: str, probability: float) -> None:
    value = Decimal(shown)
    counts = settled(str(value * 10), "0", Accuracy(Decimal(1), Decimal(3)), exponent=-1)
    doubt = judge.standard_uncertainty(counts).scaleb(-1)
    assert 2.8 < 2 * doubt < 3.35
    assert judge.verdict(value, 2 * doubt, *MAINS).value == verdict
    found = float(judge.conformance(value, doubt, *MAINS))
    assert found == pytest.approx(probability, abs=0.0006)


@pytest.mark.parametrize(
    ("r", "risk", "table"),
    [
        ("3", 9.9e-10, 1e-6),  # six sigma: below 1 ppm
        ("1.5", 0.00135, 0.0016),  # three sigma: below 0.16 %
        ("1", 0.02275, 0.025),  # the guard band of ILAC-G8: below 2.5 %
        ("0.83", 0.0485, 0.05),  # ISO 14253-1:2017: below 5 %
        ("0", 0.5, 0.5),  # simple acceptance: up to 50 %
    ],
)
def test_the_risk_at_the_edge_of_a_guard_band(r: str, risk: float, table: float) -> None:
    """ILAC-G8:09/2019 table 1 (from memory): largest risk of false acceptance, Phi(-2 r)."""
    found = float(judge.normal_below(-2 * Decimal(r)))
    assert found == pytest.approx(risk, rel=0.005)
    assert found <= table
    # The same through `conformance`: a value that far inside its limit, with u = 1 and U = 2.
    inside = judge.conformance(-2 * Decimal(r), Decimal(1), None, Decimal(0))
    assert 1 - float(inside) == pytest.approx(risk, abs=FOUR_PLACES)


@pytest.mark.parametrize(
    ("z", "percent"), [("0.842", 80), ("1.282", 90), ("1.645", 95), ("2.326", 99), ("3.090", 99.9)]
)
def test_jcgm_106_table_1(z: str, percent: float) -> None:
    """JCGM 106:2012 table 1 (from memory): one-sided coverage."""
    assert float(judge.normal_below(Decimal(z))) * 100 == pytest.approx(percent, abs=0.02)


def test_jcgm_106_the_breakdown_voltage_of_a_zener_diode() -> None:
    """JCGM 106:2012, Zener example (from memory): limit -5.40 V, y -5.47 V, u 0.05 V: p 0.92."""
    found = judge.conformance(Decimal("-5.47"), Decimal("0.05"), None, Decimal("-5.40"))
    assert found == Decimal("0.9192")


def test_jcgm_106_a_speed_limit() -> None:
    """JCGM 106:2012 (from memory): 100 km/h, 2 %, p 0.999 that it was exceeded: about 107 km/h."""

    def exceeded(speed: Decimal) -> Decimal:
        return judge.conformance(speed, speed * Decimal("0.02"), Decimal(100), None)

    assert exceeded(Decimal("106.5")) < Decimal("0.999") <= exceeded(Decimal("106.7"))


@given(st.decimals(-12, 12, places=4))
def test_the_normal_tail_is_that_of_the_standard_library(z: Decimal) -> None:
    found = float(judge.normal_below(z))
    assert found == pytest.approx(NORMAL.cdf(float(z)), abs=1e-14)
    assert found == pytest.approx(0.5 * (1 + math.erf(float(z) / math.sqrt(2))), abs=1e-14)


@given(
    st.decimals(-400, 400, places=2),
    st.decimals("0.01", 40, places=2),
    st.decimals(-200, 0, places=1),
    st.decimals(0, 200, places=1),
)
def test_a_probability_is_one(value: Decimal, doubt: Decimal, low: Decimal, high: Decimal) -> None:
    found = judge.conformance(value, doubt, low, high)
    assert 0 <= found <= 1
    assert not f"{found:f}".startswith("-")
    curve = NormalDist(float(value), float(doubt))
    assert float(found) == pytest.approx(curve.cdf(float(high)) - curve.cdf(float(low)), abs=6e-5)


@given(st.decimals(-400, 400, places=2), st.decimals(0, 40, places=2))
def test_the_four_verdicts_stand_in_their_order(value: Decimal, guard: Decimal) -> None:
    """ILAC-G8:09/2019 4.2.3: the verdict worsens as the value rises towards its upper limit."""
    order = ["pass", "conditional pass", "conditional fail", "fail"]
    here = judge.verdict(value, guard, None, Decimal(100)).value
    above = judge.verdict(value + Decimal("0.01"), guard, None, Decimal(100)).value
    assert order.index(here) <= order.index(above)
    assert (here in {"pass", "conditional pass"}) is (value <= 100)
    mirrored = judge.verdict(-value, guard, Decimal(-100), None).value
    assert mirrored == here


@pytest.mark.parametrize(
    ("expanded", "text"),
    [("3.00774", "3.1"), ("0.0341", "0.035"), ("0.030", "0.030"), ("9.91", "10"), ("0", "0")],
)
def test_an_uncertainty_is_given_with_two_digits_and_never_rounded_down(
    expanded: str, text: str
) -> None:
    """JCGM 100:2008 7.2.6: at most two significant digits, rounded up rather than down."""
    assert doubt_text(Decimal(expanded)) == text
