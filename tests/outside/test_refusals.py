"""What must be refused, what must fall, and what must be said where someone can be hurt.

One row for each: EAW is the Electricity at Work Regulations 1989, GSIUR the Gas Safety
(Installation and Use) Regulations 1998, HSG85 and GS38 guidance of the Health and Safety Executive.
Rows without a published source say whose choice they are. Each walks a shipped procedure.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from rich.console import Console
from sequence.walking import NOWHERE, NS_PER_S, PERSON, Visit, library

from metercap import shelf
from metercap.sequence.effect import Signal
from metercap.sequence.event import Declared, Entered
from metercap.sequence.played import read_elsewhere
from metercap.terminal import visit_table

SPUR = library("spur-visit")
BEFORE = ["permission", "instruments-looked-over", "switched-off", "locked-off"]
TESTS = ["no-indication-line-earth", "no-indication-line-neutral", "no-indication-neutral-earth"]
ISOLATION = [*BEFORE, "indicator-proved", *TESTS, "indicator-proved-again"]


class Row(NamedTuple):
    """What is done, from where on, and what must come of it."""

    source: str
    do: Callable[[Visit], object]
    why: str
    asked: str


def at(name: str) -> Visit:
    """A visit to the spur that has come to an act of the isolation, or past all of them."""
    visit = Visit(SPUR)
    if name in ISOLATION:
        visit.acts_up_to(name)
    else:
        visit.acts()
    return visit


def live() -> Visit:
    visit = Visit(SPUR)
    visit.until_live()
    return visit


def declare_with(visit: Visit, name: str, **more: str) -> None:
    """Declare an act with an answer that no question asks for."""
    visit.feed(Declared(*visit.when(NS_PER_S), visit.by, name, more))


# Refused, and the same thing is asked as before -----------------------------------------------

REFUSED: dict[str, tuple[str, Row]] = {
    **{
        f"a dead test before {name}": (
            name,
            Row(
                "HSG85, EAW reg. 13: proof comes before work",
                lambda visit: visit.begin("line-neutral-short"),
                "not asked now",
                name,
            ),
        )
        for name in ISOLATION
    },
    "an act out of its order": (
        "switched-off",
        Row(
            "HSG85: isolate, secure, prove, in this order",
            lambda visit: visit.act("indicator-proved"),
            "not asked now",
            "switched-off",
        ),
    ),
    "one tick for three tests": (
        TESTS[0],
        Row(
            "HSG85: every pair of conductors is tested",
            lambda visit: visit.act(TESTS[2]),
            "not asked now",
            TESTS[0],
        ),
    ),
    "another person's proof": (
        TESTS[1],
        Row(
            "EAW reg. 16: whoever works proves",
            lambda visit: visit.act(TESTS[1], by="B. Helper"),
            "who is at work",
            TESTS[1],
        ),
    ),
    "another indicator after than before": (
        "indicator-proved-again",
        Row(
            "GS38: the same indicator before and after",
            lambda visit: visit.act("indicator-proved-again", indicator="another"),
            "as declared before",
            "indicator-proved-again",
        ),
    ),
    "proof on the circuit that is being isolated": (
        "indicator-proved",
        Row(
            "HSG85: a proving unit or another known source",
            lambda visit: visit.act("indicator-proved", proving_source="this circuit"),
            "expected one of proving unit, known source on another circuit",
            "indicator-proved",
        ),
    ),
    **{
        f"{kind} as indicator": (
            "instruments-looked-over",
            Row(
                "GS38; a multimeter shows nought for many reasons",
                lambda visit, kind=kind: visit.act("instruments-looked-over", indicator_kind=kind),
                "expected one of two-pole voltage indicator",
                "instruments-looked-over",
            ),
        )
        for kind in ("multimeter", "neon screwdriver", "non-contact sensor")
    },
    "a time of one's own": (
        "permission",
        Row(
            "ALCOA+, contemporaneous: the recorder's clock alone says when",
            lambda visit: declare_with(
                visit, "permission", **{"agreed-with": "A", "sources": "B", "fit": "yes"}, time="8"
            ),
            "time: found an answer to a question that is not asked",
            "permission",
        ),
    ),
    "a limitation without a reason": (
        "measured",
        Row(
            "BS 7671 Appendix 6: limitations are agreed and stated",
            lambda visit: visit.limit("earth-continuity-spur", reason=" "),
            "found no reason or nobody who agreed",
            "leads-nulled",
        ),
    ),
    "a limitation agreed with nobody": (
        "measured",
        Row(
            "BS 7671 Appendix 6: limitations are agreed and stated",
            lambda visit: visit.limit("earth-continuity-spur", agreed=""),
            "found no reason or nobody who agreed",
            "leads-nulled",
        ),
    ),
    "live work before the dead tests": (
        "measured",
        Row(
            "EAW reg. 14; BS 7671 643.1: dead tests first",
            lambda visit: visit.act("energised"),
            "not asked now",
            "leads-nulled",
        ),
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_must_not_be_is_refused_and_shown(name: str) -> None:
    start, row = REFUSED[name]
    visit = at(start)
    claims = len(visit.claims)
    row.do(visit)
    (refusal,) = visit.claims[claims:]
    assert refusal["claim"] == "refusal"
    assert row.why in str(refusal["why"])
    assert visit.asked[1] == row.asked


# What has stood, falls ------------------------------------------------------------------------

PROOF = ["indicator-proved", *TESTS, "indicator-proved-again"]
VOIDS: dict[str, Row] = {
    "another person takes over": Row(
        "EAW reg. 13 and 16",
        lambda visit: visit.take_over("B. Helper"),
        "took over the work",
        "indicator-proved",
    ),
    "more than half an hour": Row(
        "HSG85: repeat after any break; thirty minutes: this project's own choice",
        lambda visit: (visit.wait(1801), visit.show("OL MOhm", 0.25)),
        "older than 30 min",
        "indicator-proved",
    ),
    "the recorder starts again": Row(
        "this project's own choice",
        lambda visit: visit.restart(),
        "the recorder started again",
        "indicator-proved",
    ),
    "more than 50 V a.c.": Row(
        "extra-low voltage, BS 7671 Part 2",
        lambda visit: visit.show("50.1 V", 0.25, "ac"),
        "Hands off",
        "switched-off",
    ),
    "more than 120 V d.c.": Row(
        "extra-low voltage, BS 7671 Part 2",
        lambda visit: visit.show("120.1 V", 0.25, "dc"),
        "Hands off",
        "switched-off",
    ),
    "more than 10 V a.c.": Row(
        "this project's own choice",
        lambda visit: visit.show("10.1 V", 0.25, "ac"),
        "prove again",
        "indicator-proved",
    ),
}


@pytest.mark.parametrize("name", VOIDS)
def test_what_ends_a_proof_is_claimed_and_the_proof_is_asked_again(name: str) -> None:
    row = VOIDS[name]
    visit = at("measured")
    assert visit.asked == ("measure", "leads-nulled")
    row.do(visit)
    (void,) = visit.of("void")
    assert row.why in str(void["why"])
    assert set(PROOF) <= set(void["what"])  # type: ignore[call-overload]  # a list of ids
    assert visit.asked == ("act", row.asked)


def test_energising_ends_the_isolation() -> None:
    """HSG85: what is switched on is no longer isolated."""
    visit = live()
    fallen = {name for void in visit.of("void") for name in void["what"]}  # type: ignore[attr-defined]  # lists
    assert {"switched-off", "locked-off", *PROOF} <= fallen


def test_a_failed_second_proof_ends_everything_since_the_first() -> None:
    """GS38, HSG85: an indicator that fails after the test has shown nothing."""
    visit = at("indicator-proved-again")
    visit.act("indicator-proved-again", result="did not indicate")
    (void,) = visit.of("void")
    assert void["what"] == ["indicator-proved", *TESTS]
    assert visit.asked == ("act", "indicator-proved")


@pytest.mark.parametrize("name", TESTS)
def test_no_reading_answers_what_the_indicator_must(name: str) -> None:
    """GS38, HSG85: a multimeter is no proof of dead."""
    visit = at(name)
    visit.show("0.0 V", 30, "ac")
    visit.show("OL MOhm", 5)
    visit.begin(name)
    assert visit.asked == ("act", name)
    assert [claim["claim"] for claim in visit.claims[-1:]] == ["refusal"]


# Answers with which an act must not stand -----------------------------------------------------

NOT_GOOD = {
    "not trained or not authorised (EAW reg. 16)": ("spur-visit", "permission", "fit", "no"),
    "damaged instruments (GS38)": (
        "spur-visit",
        "instruments-looked-over",
        "condition",
        "damaged",
    ),
    "only the line is broken (HSG85)": ("spur-visit", "switched-off", "poles", "line only"),
    "the key is elsewhere (HSG85, EAW reg. 13)": ("spur-visit", "locked-off", "key", "elsewhere"),
    "the indicator shows nothing on its source (GS38)": (
        "spur-visit",
        "indicator-proved",
        "result",
        "did not indicate",
    ),
    "the indicator shows something at the point of work (EAW reg. 13)": (
        "spur-visit",
        TESTS[0],
        "result",
        "indication",
    ),
    "nobody near has been told that it is live (EAW reg. 14)": (
        "spur-visit",
        "energised",
        "told",
        "no",
    ),
    "a cover of the combustion circuit, not registered (GSIUR reg. 3)": (
        "flame-sense",
        "covers-allowed",
        "behind",
        "gas, flue or combustion, and I am not registered",
    ),
    "earth not proved before a made fault (common practice)": (
        "residual-current-device",
        "supply-may-go",
        "earth",
        "no",
    ),
    "the mat's tail is joined to a supply (mat instructions)": (
        "heating-mat",
        "tail-free",
        "tail",
        "joined to a supply",
    ),
}


@pytest.mark.parametrize("name", NOT_GOOD)
def test_an_act_does_not_stand_with_such_an_answer(name: str) -> None:
    procedure, act, field, answer = NOT_GOOD[name]
    visit = live() if act == "energised" else Visit(library(procedure))
    if act == "energised":
        visit.restart()
    for _ in range(20):
        if visit.asked == ("act", act):
            break
        what, asked = visit.asked
        if what == "act":
            visit.act(asked)
        else:
            visit.open_circuit(asked)
    visit.act(act, **{field: answer})
    (claim,) = [body for body in visit.of("act") if body["outcome"] == "failed"]
    assert (claim["act"], claim["why"]) == (act, f"{field}: {answer}")
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "steps missing"


# Live parts, and what the meter must not be set to -----------------------------------------------


@pytest.mark.parametrize("shown", ["0.0 A", "0.0 mA", "0.0 uA", "0.3 Ohm", "OL MOhm", "0.00 nF"])
def test_a_live_step_is_refused_while_the_meter_shows_no_volts(shown: str) -> None:
    """This project's own choice: such a function across mains is a short or a false nought."""
    visit = live()
    assert visit.asked == ("measure", "line-earth-spur")
    visit.show(shown, 1)
    visit.begin("line-earth-spur")
    assert "keep off live parts" in str(visit.of("refusal")[-1]["why"])
    visit.show("243.1 V", 30, "ac")
    assert visit.verdicts("line-earth-spur") == []


def test_a_live_step_is_refused_while_the_display_is_held() -> None:
    """This project's own choice: a held nought looks like a dead conductor."""
    visit = live()
    visit.show("0.0 V", 1, "ac", marks=("hold",))
    visit.begin("line-earth-spur")
    assert "keep off live parts" in str(visit.of("refusal")[-1]["why"])


def test_a_log_does_not_begin_while_the_meter_shows_amperes() -> None:
    """This project's own choice, as above: what is left alone is looked at before."""
    visit = Visit(library("log-neutral-earth"))
    visit.acts()
    visit.show("0.0 A", 1, "ac")
    visit.begin("neutral-earth-day")
    assert "keep off live parts" in str(visit.of("refusal")[-1]["why"])
    visit.show("0.3 V", 1, "ac")
    visit.begin("neutral-earth-day")
    visit.show("0.3 V", 1, "ac")
    assert len(visit.of("refusal")) == 1
    assert visit.signals[-1] is Signal.LOGGING


def test_the_reason_for_live_work_is_typed() -> None:
    """EAW reg. 14: unreasonable to be dead, reasonable to work live, precautions taken."""
    visit = live()
    visit.restart()
    visit.acts_up_to("energised") if visit.asked[0] == "act" else None
    visit.act("energised", reason=" ")
    assert "reason: found no answer" in str(visit.of("refusal")[-1]["why"])


# Results ----------------------------------------------------------------------------------------


def test_not_tested_is_a_result_and_no_pass() -> None:
    """BS 7671 Appendix 6: a limitation with its reason and with whom it was agreed."""
    visit = at("measured")
    visit.limit("earth-continuity-valve", "lagged in", "the householder")
    visit.choose("finish")
    (limitation,) = visit.of("limitation")
    assert (limitation["verdict"], limitation["agreed"]) == ("not tested", "the householder")
    (job,) = visit.of("job")
    rows: dict[str, dict[str, object]] = job["steps"]  # type: ignore[assignment]  # rows by step
    assert rows["earth-continuity-valve"]["verdict"] == "not tested"
    assert rows["earth-continuity-valve"]["why"] == "lagged in"
    assert rows["line-earth-spur"] == {
        "attempts": 0,
        "verdict": "not tested",
        "why": "not reached",
    }
    assert job["result"] == "steps missing"


def test_every_attempt_is_kept_and_a_later_pass_hides_no_fail() -> None:
    """ISO/IEC 17025 7.5.2, ALCOA+: nothing is taken out, and no best of several is chosen."""
    visit = at("measured")
    visit.continuity("0.28 Ohm")
    visit.continuity("2.31 Ohm")
    visit.choose("again")
    visit.continuity("0.35 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["fail", "pass"]
    for claim in visit.of("attempt"):
        assert {"limit", "rule", "source", "sentence", "expanded"} <= claim.keys()  # 17025 7.8.6


def test_an_entered_value_is_never_taken_for_a_captured_one() -> None:
    """ALCOA+, attributable: who entered it, from which instrument, and why."""
    visit = Visit(library("insulation-resistance"))
    visit.acts()
    visit.observe("electronics-off", "all disconnected")
    step = visit.procedure.find_step("insulation-line-neutral")
    assert step is not None
    said = read_elsewhere(step) | {"value": "200 MOhm"}
    visit.show("OL MOhm", 60)
    assert visit.of("attempt")[1:] == []
    visit.feed(Entered(*visit.when(NS_PER_S), PERSON, step.id, {**said, "reason": ""}))
    assert "reason: found nothing" in str(visit.of("refusal")[-1]["why"])
    visit.feed(Entered(*visit.when(NS_PER_S), PERSON, step.id, {**said, "serial": ""}))
    assert "serial: found nothing" in str(visit.of("refusal")[-1]["why"])
    visit.feed(Entered(*visit.when(NS_PER_S), PERSON, step.id, {**said, "at": "250 V"}))
    assert "expected '500 V'" in str(visit.of("refusal")[-1]["why"])
    visit.feed(Entered(*visit.when(NS_PER_S), PERSON, step.id, said))
    claim = visit.of("attempt")[-1]
    assert claim["by"] == PERSON
    assert claim["entered"] == {key: said[key] for key in ("instrument", "serial", "reason", "at")}
    assert not {"window", "readings", "sentence", "function", "accuracy"} & claim.keys()


def test_a_multimeter_only_indicates_where_a_standard_wants_another_instrument() -> None:
    """BS 7671 643.2 and 643.3: 200 mA, and 500 V d.c.; EN 61557-2 and -4."""
    bare = {
        f"{procedure.id}: {step.id}"
        for procedure in shelf.load_procedures(NOWHERE).values()
        for step in procedure.step
        if step.quantity == "resistance" and step.entered is None and step.indicative is None
        if re.search("continuity|earth-resistance|-earth$|ring-|-screen|-body", step.id)
    }
    # Neither is a test of fixed wiring: the fuse itself, and the leads.
    assert bare == {"spur-fuse: fuse-continuity", "ring-final: ring-leads"}
    visit = at("measured")
    visit.continuity("0.28 Ohm")
    visit.continuity("0.35 Ohm")
    assert "200 mA" in str(visit.of("attempt")[-1]["indicative"])


def test_wrong_order_stands_under_the_table_of_the_visit() -> None:
    """ISO/IEC 17025 7.11.3: what was skipped, refused or void is in sight."""
    visit = at("locked-off")
    visit.begin("line-neutral-short")
    visit.act("locked-off", key="nowhere")
    visit.acts()
    visit.restart()
    visit.choose("finish")
    console = Console(width=120)
    with console.capture() as shown:
        console.print(visit_table(SPUR, visit.claims))
    assert "Refused: 2, of them out of order: 1. Voided: 1." in shown.get()


# What is said -----------------------------------------------------------------------------------

_CONCLUDES = re.compile(r"\b(is|are|now|made|proved|found)( now)? (safe|dead|isolated)\b")
TEXTS = {
    path.stem: path.read_text(encoding="utf-8")
    for path in sorted((Path(shelf.__file__).parent / "procedure" / "library").glob("*.toml"))
}


@pytest.mark.parametrize("name", TEXTS)
def test_no_procedure_says_of_itself_that_something_is_safe_or_dead(name: str) -> None:
    """This project's own choice: a person declares it, with an indicator."""
    disclaimer = "It does not judge that a conductor is dead or that an installation is safe."
    said = TEXTS[name].partition("[[example]]")[0].replace(disclaimer, "")
    assert not _CONCLUDES.search(said)


def test_no_claim_says_that_something_is_safe_dead_or_isolated() -> None:
    visit = live()
    visit.live_tests()
    visit.observe("left-in-order", "all done")
    visit.choose("finish")
    said = re.sub(r"'act': '[^']*'|'what': \[[^]]*\]", "", str(visit.claims))
    assert not re.search(r"\b(safe|dead|isolated)\b", said.replace("extra-low", ""))


WORDS = {
    "job start (EAW reg. 16, HSG85)": ("safe-isolation", "trained and authorised"),
    "indicator and not meter (GS38)": ("safe-isolation", "A multimeter, a neon screwdriver"),
    "all sources (HSG85)": ("safe-isolation", "switched live, immersion, solar"),
    "the key (EAW reg. 13)": ("safe-isolation", "Keep the only key"),
    "opening a case (GSIUR reg. 3)": ("gas-cover", "only a registered person"),
    "ohms on a live circuit (common practice)": ("spur-dead-tests", "Never measure ohms on a live"),
    "capacitors (common practice)": ("run-capacitor", "400 V d.c."),
    "insulation test (BS 7671 643.3.3)": ("insulation-resistance", "destroys electronics"),
    "insulation test, others (BS 7671 643.3)": ("insulation-resistance", "warn everyone"),
    "energising (EAW reg. 14, GS38)": ("spur-live-no-demand", "One hand where you can"),
    "live tests (EAW reg. 14)": ("spur-live-no-demand", "unreasonable to work dead"),
    "flame current, spark (common practice)": ("flame-sense", "several thousand volts"),
    "flame current, purge (common practice)": ("flame-sense", "Purge time"),
    "functional: things start (common practice)": ("walk-mid-position-valve", "without warning"),
    "functional: dry fire (common practice)": ("walk-mid-position-valve", "without water flow"),
    "fault found (IGEM/G/11)": ("spur-visit", "stays isolated and is labelled"),
    "finish (common practice)": ("spur-visit", "relays and bonds out"),
    "gas valve never bridged (common practice)": ("gas-valve-coil", "Never feed a gas valve"),
    "neutral joined reads nought (nodal analysis)": ("spur-dead-tests", "reads about zero by"),
}


@pytest.mark.parametrize("name", WORDS)
def test_the_caution_stands_where_it_matters(name: str) -> None:
    procedure, words = WORDS[name]
    assert words in TEXTS[procedure]
