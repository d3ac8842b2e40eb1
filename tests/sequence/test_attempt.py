"""What counts towards a dwell, what interrupts it, and what ends an attempt."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from sequence.walking import NS_PER_S, Visit, library, written

from metercap.sequence.effect import Claim, Progress, Signal

if TYPE_CHECKING:
    from collections.abc import Callable

SPUR = library("spur-visit")
HEAD = 'id = "one"\ntitle = "One step"\nversion = "1"\n'
STEP = """
[[step]]
id = "{id}"
title = "t"
do = "d"
say = "s"
source = "this test"
quantity = "{quantity}"
mode = "{mode}"
expect = {expect}
"""


def one(expect: str, quantity: str = "resistance", mode: str = "none", more: str = "") -> Visit:
    step = STEP.format(id="step", expect=expect, quantity=quantity, mode=mode)
    return Visit(written(f"{HEAD}{step}{more}"))


def continuity() -> Visit:
    visit = one('{ below = "1 Ohm" }')
    visit.show("OL MOhm", 1)
    return visit


def volts() -> Visit:
    visit = one('{ between = ["216.2 V", "253.0 V"] }', "voltage", "ac", 'start = "begin"')
    visit.begin("step")
    return visit


def over() -> Visit:
    return one('{ overload = "1 MOhm" }', more='start = "begin"\ntouch = "1 Ohm"\ndwell = "3 s"')


def seconds_to_verdict(visit: Visit, shown: str, mode: str | None = None) -> float:
    begun_ns = visit.t_ns
    while not visit.of("attempt"):
        visit.show(shown, 0.25, mode)
        assert visit.t_ns - begun_ns < 60 * NS_PER_S
    return (visit.t_ns - begun_ns) / NS_PER_S


def test_a_steady_display_takes_the_window_and_the_dwell() -> None:
    # 20 readings of a 5 s window, then 2 s of standing still
    assert seconds_to_verdict(continuity(), "0.35 Ohm") == 7.0
    assert seconds_to_verdict(volts(), "230.1 V", "ac") == 7.0 - 0.25 + 0.25


DISTURBANCES: dict[str, tuple[Callable[[Visit], None], Signal | None]] = {
    "wrong quantity": (lambda v: v.show("1.00 A", 0.25, "ac"), Signal.WRONG_FUNCTION),
    "wrong coupling": (lambda v: v.show("230.1 V", 0.25, "dc"), Signal.WRONG_FUNCTION),
    "no coupling": (lambda v: v.show("230.1 V"), Signal.WRONG_FUNCTION),
    "wrong unit family": (
        lambda v: v.show("230.1 V", 0.25, "ac", unit="Ohm"),
        Signal.WRONG_FUNCTION,
    ),
    "other display": (
        lambda v: v.show("230.1 V", 0.25, "ac", channel="second"),
        Signal.WRONG_FUNCTION,
    ),
    "hold": (lambda v: v.show("230.1 V", 0.25, "ac", marks=("hold",)), Signal.FROZEN),
    "relative": (lambda v: v.show("230.1 V", 0.25, "ac", marks=("relative",)), Signal.FROZEN),
    "maximum": (lambda v: v.show("230.1 V", 0.25, "ac", marks=("maximum",)), Signal.FROZEN),
    "low battery": (
        lambda v: v.show("230.1 V", 0.25, "ac", marks=("low battery",)),
        Signal.NO_VALUE,
    ),
    "overload": (lambda v: v.show("OL V", 0.25, "ac"), Signal.OPEN),
    "negative overload": (lambda v: v.show("-OL V", 0.25, "ac"), Signal.NO_VALUE),
    "blank": (lambda v: v.show("-- V", 0.25, "ac"), Signal.NO_VALUE),
    "range change": (
        lambda v: v.show("230.1 V", 0.25, "ac", function="other row"),
        Signal.RANGING,
    ),
    "another digit": (lambda v: v.show("230.10 V", 0.25, "ac"), None),
    "link lost": (lambda v: v.link(up=False), Signal.NO_LINK),
    "silence": (lambda v: v.wait(1.6), None),
}


@pytest.mark.parametrize("name", DISTURBANCES)
def test_a_disturbance_empties_the_dwell(name: str) -> None:
    disturb, signal = DISTURBANCES[name]
    visit = volts()
    visit.show("230.1 V", 6, "ac")
    assert visit.progress.held_ns > 0
    disturb(visit)
    if signal is not None:
        assert visit.progress.signal is signal
        assert visit.progress.held_ns == 0
    visit.show("230.1 V", 6.5, "ac")
    assert visit.verdicts("step") == []
    visit.show("230.1 V", 4, "ac")
    assert visit.verdicts("step") == ["pass"]


@pytest.mark.parametrize("name", sorted(set(DISTURBANCES) - {"silence", "link lost"}))
def test_a_disturbance_that_lasts_never_counts(name: str) -> None:
    disturb, _ = DISTURBANCES[name]
    visit = volts()
    for _ in range(50):
        visit.show("230.1 V", 0.25, "ac")
        disturb(visit)
    assert visit.verdicts("step") in ([], ["undecided"])
    assert all(e.held_ns == 0 for e in visit.effects if isinstance(e, Progress))


def test_frames_that_came_late_or_twice_count_nothing_and_break_nothing() -> None:
    visit = volts()
    visit.late("230.1 V", 20, "ac")
    assert set(visit.signals) == {Signal.LATE}
    assert visit.verdicts("step") == []
    for _ in range(27):
        visit.show("230.1 V", 0.25, "ac")
        visit.t_ns -= NS_PER_S // 4
        visit.late("999.9 V", 0.25, "ac")
    assert visit.verdicts("step") == []
    visit.show("230.1 V", 0.25, "ac")
    assert visit.verdicts("step") == ["pass"]


def test_equal_values_are_no_reason_to_doubt() -> None:
    visit = volts()
    visit.show("230.1 V", 7, "ac")
    assert visit.verdicts("step") == ["pass"]
    assert visit.of("attempt")[0]["readings"] == 20


def test_bytes_that_are_no_reading_count_nothing() -> None:
    visit = volts()
    for _ in range(100):
        visit.garble()
    assert set(visit.signals) == {Signal.NO_VALUE}
    assert visit.verdicts("step") == []


def test_a_contact_that_bounces_is_locked_out_for_three_seconds() -> None:
    visit = continuity()
    for _ in range(2):
        visit.show("0.35 Ohm", 1)
        visit.show("OL MOhm", 0.25)
    visit.show("0.35 Ohm", 0.25)
    changed_ns = visit.t_ns
    assert visit.progress.signal is Signal.BOUNCE
    while visit.progress.signal is Signal.BOUNCE:
        visit.show("0.35 Ohm", 0.25)
    assert visit.t_ns - changed_ns == 3 * NS_PER_S
    assert visit.progress.signal is Signal.SETTLING
    visit.show("0.35 Ohm", 7)
    assert visit.of("attempt")[0]["breaks"] == 2


def test_one_touch_is_no_bounce() -> None:
    visit = continuity()
    visit.show("0.35 Ohm", 1)
    assert Signal.BOUNCE not in visit.signals


def test_a_contact_lost_for_three_seconds_ends_the_attempt() -> None:
    visit = continuity()
    visit.show("0.35 Ohm", 4)  # any shorter, and the break would be a bounce
    visit.show("OL MOhm", 3)
    assert visit.verdicts("step") == []
    visit.show("OL MOhm", 0.25)
    assert visit.of("attempt")[0]["why"] == "contact was lost before it settled"
    visit.show("0.35 Ohm", 7)
    assert visit.verdicts("step") == ["undecided"], "the probes must be lifted first"
    visit.show("OL MOhm", 1)
    visit.show("0.35 Ohm", 7)
    assert visit.verdicts("step") == ["undecided", "pass"]


def test_a_reading_that_never_stands_still_ends_in_its_time() -> None:
    visit = volts()
    begun_ns = visit.t_ns
    number = 0
    while not visit.of("attempt"):
        number += 1
        visit.show(f"{225 + 9 * (number % 2)}.0 V", 0.25, "ac")
    assert visit.of("attempt")[0]["why"] == "did not stand still within 60 s"
    assert visit.t_ns - begun_ns == 60 * NS_PER_S + NS_PER_S // 4


def test_probes_on_metal_from_the_start_are_lifted_first() -> None:
    visit = one('{ below = "1 Ohm" }')
    visit.show("0.35 Ohm", 20)
    assert set(visit.signals) == {Signal.PROBES_OFF}
    assert visit.verdicts("step") == []


def test_a_step_by_contact_is_not_begun_by_word() -> None:
    visit = one('{ below = "1 Ohm" }')
    visit.begin("step")
    assert "opens by contact" in str(visit.claims[-1]["why"])


def test_a_step_by_word_waits_for_it() -> None:
    visit = one('{ between = ["216.2 V", "253.0 V"] }', "voltage", "ac", 'start = "begin"')
    visit.show("230.1 V", 20, "ac")
    assert set(visit.signals) == {Signal.PROBES_OFF}
    visit.begin("step")
    visit.show("230.1 V", 6.75, "ac")
    assert visit.verdicts("step") == [], "what was seen before does not count"
    visit.show("230.1 V", 0.25, "ac")
    assert visit.verdicts("step") == ["pass"]


# Overload as the wanted answer


def test_an_overload_counts_after_the_probes_were_seen_touching() -> None:
    visit = over()
    visit.show("OL MOhm", 10)
    assert set(visit.signals) == {Signal.TOUCH_FIRST}
    visit.begin("step")
    assert "touch the probes together first" in str(visit.claims[-1]["why"])
    visit.show("1.00 Ohm", 1)
    visit.begin("step")
    assert visit.claims[-1]["claim"] == "refusal"
    visit.show("0.99 Ohm", 1)
    visit.begin("step")
    visit.show("OL MOhm", 3)
    assert visit.verdicts("step") == []
    visit.show("OL MOhm", 0.25)
    assert visit.verdicts("step") == ["pass"]
    assert visit.of("attempt")[0]["value"] == ">60.00"
    assert "probability" not in visit.of("attempt")[0]


def test_the_touch_is_asked_again_for_every_attempt() -> None:
    visit = over()
    visit.open_circuit("step", "0.30 Ohm")
    again = over()
    again.show("0.30 Ohm", 1)
    again.begin("step")
    again.show("42.10 kOhm", 10)
    assert again.verdicts("step") == ["fail"]
    again.choose("again")
    again.show("OL MOhm", 1)
    again.begin("step")
    assert "touch the probes together first" in str(again.claims[-1]["why"])


@pytest.mark.parametrize(
    ("unit", "ceiling", "verdicts"),
    [
        ("MOhm", "60.00", ["pass"]),
        ("MOhm", "1.000", ["pass"]),
        ("kOhm", "1000", ["pass"]),
        ("kOhm", "600.0", []),
        ("Ohm", "600.0", []),
        ("MOhm", None, []),
    ],
)
def test_an_overload_says_no_more_than_its_range(
    unit: str, ceiling: str | None, verdicts: list[str]
) -> None:
    visit = over()
    visit.show("0.30 Ohm", 1)
    visit.begin("step")
    visit.show(f"OL {unit}", 10, ceiling=ceiling)
    assert visit.verdicts("step") == verdicts
    assert (visit.progress.signal is Signal.LOW_RANGE) is (not verdicts)


def test_the_same_overload_passes_one_step_and_never_another() -> None:
    visit = over()
    visit.show("0.30 Ohm", 1)
    visit.begin("step")
    visit.show("OL MOhm", 4)
    assert visit.verdicts("step") == ["pass"]
    other = continuity()
    other.show("OL MOhm", 30)
    assert other.verdicts("step") == []


def test_an_interrupted_overload_begins_again() -> None:
    visit = over()
    visit.show("0.30 Ohm", 1)
    visit.begin("step")
    visit.show("OL MOhm", 2.5)
    visit.show("-- MOhm", 0.25)
    visit.show("OL MOhm", 3)
    assert visit.verdicts("step") == []
    visit.show("OL MOhm", 0.25)
    assert visit.verdicts("step") == ["pass"]


# The leads


def nulled(null: str) -> Visit:
    visit = Visit(SPUR)
    visit.acts()
    visit.continuity(null)
    return visit


def test_the_leads_are_taken_off() -> None:
    visit = nulled("0.28 Ohm")
    visit.continuity("0.35 Ohm")
    # 0.35 - 0.28 = 0.07 Ohm: common practice (a worked example of nulling)
    assert visit.of("attempt")[1]["value"] == "0.070"
    assert visit.of("attempt")[1]["null"] == "0.280"


def test_the_doubt_of_the_leads_is_added_to_that_of_the_conductor() -> None:
    visit = nulled("0.28 Ohm")
    visit.continuity("0.28 Ohm")
    leads, earth = (Decimal(str(body["expanded"])) for body in visit.of("attempt"))
    # The same display twice: the meter's gain (0.9 % of 28 counts) falls out of the difference,
    # its two counts and the rounding do not; and the leads may have drifted by 0.05 Ohm since.
    assert leads == Decimal("0.028")  # 2 sqrt(2.252^2 / 3 + 1/12 + tail), the gain within
    assert earth == Decimal("0.068")  # 2 sqrt(0.0172^2 + 0.05^2 / 3)


def test_leads_of_half_an_ohm_or_more_are_not_nulled_away() -> None:
    assert nulled("0.50 Ohm").verdicts("leads-nulled") == ["pass"]
    assert nulled("0.51 Ohm").verdicts("leads-nulled") == ["fail"]


def test_less_than_nothing_after_nulling_asks_for_the_leads_again() -> None:
    visit = nulled("0.28 Ohm")
    visit.continuity("0.25 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["undecided"]
    assert visit.of("void")[0]["what"] == ["leads-nulled"]
    assert visit.asked == ("measure", "leads-nulled")
    visit.continuity("0.24 Ohm")
    visit.continuity("0.25 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["undecided", "pass"]


def test_two_counts_below_nothing_are_rounding() -> None:
    visit = nulled("0.28 Ohm")
    visit.continuity("0.26 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["pass"]


def test_kilohms_and_ohms_are_one_quantity() -> None:
    visit = nulled("0.28 Ohm")
    visit.continuity("0.0024 kOhm")
    assert visit.of("attempt")[1]["limit"] == {"high": "1 Ohm"}
    assert visit.verdicts("earth-continuity-spur") == ["fail"]


# Standing still is not being stuck


def test_a_display_that_never_changes_is_taken_and_one_that_is_marked_is_not() -> None:
    """Most honest windows of a quiet meter are flat; only its own mark says that it holds."""
    visit = volts()
    visit.show("230.1 V", 50, "ac", marks=("hold",))
    assert visit.verdicts("step") == []
    visit.show("230.1 V", 7, "ac")
    assert visit.verdicts("step") == ["pass"]
    assert visit.of("attempt")[0]["window"] == {"from": 210, "to": 229}


def test_a_meter_too_slow_for_its_window_is_told_so() -> None:
    step = STEP.format(
        id="step", expect='{ between = ["216.2 V", "253.0 V"] }', quantity="voltage", mode="ac"
    )
    visit = Visit(written(f'{HEAD}{step}start = "begin"'), 2 * NS_PER_S)
    visit.begin("step")
    for _ in range(40):
        visit.wait(1.75)
        visit.show("230.1 V", 0.25, "ac")
    claim = visit.of("attempt")[0]
    assert claim["verdict"] == "undecided"
    assert str(claim["why"]).endswith("the meter sends every 2 s, too seldom for 5 s")


# What a claim says


def test_a_claim_names_its_window_and_its_instrument() -> None:
    visit = volts()
    visit.show("230.1 V", 7, "ac")
    claim = visit.of("attempt")[0]
    assert claim == {
        "claim": "attempt",
        "cause": 29,
        "step": "step",
        "attempt": 1,
        "verdict": "pass",
        "by": "A. Person",
        "value": "230.1",
        "unit": "V",
        "standard": "1.4",
        "freedom": "infinite",
        "k": "2",
        "shape": "rectangle",
        "expanded": "2.7",
        "readings": 20,
        "window": {"from": 10, "to": 29},
        "sentence": claim["sentence"],
        "function": "row",
        "accuracy": "0.9 % + 2",
        "breaks": 0,
        "probability": "1.0000",
        "rule": "guarded",
        "limit": {"low": "216.2 V", "high": "253.0 V"},
        "opened": 1,
        "source": "this test",
    }
    assert str(claim["sentence"]).startswith("20 readings in 5 s; the means of the two halves")


def test_a_meter_without_stated_accuracy_says_so() -> None:
    visit = volts()
    visit.show("230.1 V", 30, "ac", accuracy=None)
    claim = visit.of("attempt")[0]
    assert claim["accuracy"] == "not stated"
    assert "accuracy is not stated" in str(claim["sentence"])


@pytest.mark.parametrize(
    ("value", "rule", "verdict"),
    [
        ("0.90 Ohm", "guarded", "pass"),
        ("0.99 Ohm", "guarded", "conditional pass"),
        ("1.01 Ohm", "guarded", "conditional fail"),
        ("1.10 Ohm", "guarded", "fail"),
        ("0.99 Ohm", "simple", "pass"),
        ("1.00 Ohm", "simple", "pass"),
        ("1.01 Ohm", "simple", "fail"),
    ],
)
def test_the_rule_of_the_step_decides_near_its_limit(value: str, rule: str, verdict: str) -> None:
    visit = one('{ below = "1 Ohm" }', more=f'rule = "{rule}"')
    visit.continuity(value)
    assert visit.verdicts("step") == [verdict]


def test_a_conditional_fail_stops_and_a_conditional_pass_goes_on() -> None:
    stops, goes = (one('{ below = "1 Ohm" }') for _ in range(2))
    stops.continuity("1.01 Ohm")
    assert stops.asked == ("choose", "step")
    goes.continuity("0.99 Ohm")
    assert goes.asked == ("close", "")


def test_no_effect_but_a_claim_is_stored() -> None:
    visit = volts()
    visit.show("230.1 V", 7, "ac")
    assert [e.body["claim"] for e in visit.effects if isinstance(e, Claim)] == ["attempt"]
