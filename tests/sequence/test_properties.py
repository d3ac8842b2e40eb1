"""Whatever happens, in whatever order: the same claims, and no step without its gates."""

from __future__ import annotations

import copy
import os

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sequence.oracle import breaches, floats
from sequence.walking import PERSON, Visit, library, reading, written

from metercap.model import NS_PER_S, Instant
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Event,
    Garbled,
    Limited,
    Linked,
    Measured,
    Observed,
    Restarted,
    TakenOver,
)
from metercap.sequence.played import answers_as_asked
from metercap.sequence.walk import Walk

SPUR = library("spur-visit")
LIVE = [step.id for step in SPUR.step if step.quantity == "voltage"]
DEAD = [step.id for step in library("spur-dead-tests").step]
FUSE = [step.id for step in library("spur-fuse").step]
MANY = 1000 if os.environ.get("CI") else 200
calm = settings(max_examples=MANY, deadline=None, suppress_health_check=[HealthCheck.too_slow])

DISPLAYS = [
    reading("OL MOhm"),
    reading("0.28 Ohm"),
    reading("0.35 Ohm"),
    reading("2.31 Ohm"),
    reading("42.10 kOhm"),
    reading("184.0 Ohm"),
    reading("OL Ohm", ceiling="600.0"),
    reading("0.2 V", "ac"),
    reading("5.1 V", "ac"),
    reading("30.0 V", "ac"),
    reading("243.1 V", "ac"),
    reading("OL V", "ac"),
    reading("-OL V", "dc"),
    reading("243.1 V", "ac", marks=("hold",)),
    reading("-- V", "ac"),
    reading("1.00 A", "ac"),
]
PEOPLE = [PERSON, PERSON, PERSON, "B. Helper"]
STEPS = [*(step.id for step in SPUR.step), "no-such-step"]
ACTS = [*(act.id for act in SPUR.act), "no-such-act"]
CHOICES = ["again", "repaired-dead", "fuse-changed", "mended-after-live-fault", "finish"]


pick = st.sampled_from
people = pick(PEOPLE)
# kind -> what it is told with; kinds that lead on come up more often
FACTS: dict[str, st.SearchStrategy[tuple[object, ...]]] = {
    "go": st.tuples(st.integers(1, 12), st.booleans()),  # do what is asked, for a good while
    "show": st.tuples(pick(DISPLAYS), st.integers(1, 40), pick([True, True, True, False])),
    "act": st.tuples(
        people, pick(ACTS), pick([None, None, "", "damaged", "indication", "line only", "other"])
    ),
    "begin": st.tuples(people, pick(STEPS)),
    "observe": st.tuples(people, pick(STEPS), pick(["3 A", "13 A", "x"])),
    "choose": st.tuples(people, pick(CHOICES)),
    "limit": st.tuples(people, pick(STEPS), pick(["", "no access"])),
    "operator": st.tuples(pick([*PEOPLE, ""])),
    "restart": st.just(()),
    "link": st.tuples(st.booleans()),
    "garble": st.just(()),
    "wait": st.tuples(pick([1, 60, 600, 1799, 1801])),
    "boot": st.just(()),
    "back": st.just(()),
}
moves = pick([*FACTS, "go", "go", "show"]).flatmap(
    lambda kind: FACTS[kind].map(lambda facts: (kind, facts))
)


class Teller:
    """Turns moves into events, watching a walk of its own to know what would lead on."""

    def __init__(self) -> None:
        self.visit = Visit(SPUR)
        self.events: list[Event] = []
        feed = self.visit.walk.feed

        def keep(event: Event) -> list[object]:
            self.events.append(event)
            return feed(event)

        self.visit.walk.feed = keep  # type: ignore[method-assign, assignment]

    def play(self, kind: str, facts: tuple[object, ...]) -> None:
        getattr(self, f"_{kind}")(*facts)

    def _when(self) -> tuple[Instant, int]:
        return self.visit.when(NS_PER_S)

    def _go(self, times: int, well: bool) -> None:
        visit = self.visit
        for _ in range(times):
            ask = visit.walk.asked
            step = SPUR.find_step(ask.id)
            if ask.what == "act":
                visit.by = visit.walk.operator
                visit.act(ask.id)
            elif ask.what == "measure" and step is not None:
                visit.by = visit.walk.operator
                if step.quantity == "voltage":
                    low = step.id.startswith("neutral")
                    visit.live(step.id, ("0.2 V" if low else "243.1 V") if well else "9.0 V")
                elif step.start == "contact":
                    visit.continuity("0.28 Ohm" if well else "2.31 Ohm")
                else:
                    visit.open_circuit(step.id)
            elif ask.what == "observe":
                visit.by = visit.walk.operator
                visit.observe(ask.id, ask.options[0 if well else 1])
            elif ask.what == "choose":
                visit.by = visit.walk.operator
                visit.choose(ask.options[0 if well else -1])

    def _show(self, shown: object, times: int, fresh: bool) -> None:
        for _ in range(times):
            at, seq = self.visit.when(NS_PER_S // 4)
            self.visit.feed(Measured(at, seq, "meter", shown, fresh))  # type: ignore[arg-type]

    def _act(self, by: str, name: str, wrong: str | None) -> None:
        act = SPUR.find_act(name)
        answers = answers_as_asked(act, self.visit.given) if act else {}
        if wrong is not None and answers:
            answers[list(answers)[-1]] = wrong
        self.visit.feed(Declared(*self._when(), by, name, answers))

    def _begin(self, by: str, step: str) -> None:
        self.visit.feed(Begun(*self._when(), by, step))

    def _observe(self, by: str, step: str, answer: str) -> None:
        self.visit.feed(Observed(*self._when(), by, step, answer))

    def _choose(self, by: str, what: str) -> None:
        self.visit.feed(Chosen(*self._when(), by, what))

    def _limit(self, by: str, step: str, reason: str) -> None:
        self.visit.feed(Limited(*self._when(), by, step, reason, "the owner"))

    def _operator(self, by: str) -> None:
        self.visit.feed(TakenOver(*self._when(), by))

    def _restart(self) -> None:
        self.visit.feed(Restarted(*self._when()))

    def _link(self, up: bool) -> None:
        self.visit.feed(Linked(*self._when(), "meter", up, "radio"))

    def _garble(self) -> None:
        self.visit.feed(Garbled(*self._when(), "meter", "checksum"))

    def _wait(self, seconds: int) -> None:
        self.visit.wait(seconds)

    def _boot(self) -> None:
        self.visit.boot, self.visit.t_ns = f"{self.visit.boot}+"[-40:], NS_PER_S

    def _back(self) -> None:
        self.visit.t_ns = max(NS_PER_S, self.visit.t_ns - 90 * NS_PER_S)


def told(script: list[tuple[str, tuple[object, ...]]]) -> Teller:
    teller = Teller()
    for kind, facts in script:
        teller.play(kind, facts)
    return teller


scripts = st.lists(moves, max_size=40)
# Most of a visit first, so that what follows reaches the live part often.
late_scripts = st.builds(
    lambda well, rest: [("go", (well, True)), *rest], st.integers(8, 40), scripts
)


@calm
@given(st.one_of(scripts, late_scripts))
def test_no_order_of_events_reaches_a_step_or_an_act_without_its_gates(
    script: list[tuple[str, tuple[object, ...]]],
) -> None:
    claims = told(script).visit.claims
    assert breaches(SPUR, claims) == []
    passed: set[str] = set()
    for body in claims:
        if body["claim"] == "attempt" and body["verdict"] != "undecided":
            if body["step"] in LIVE:
                assert {*DEAD, *FUSE} <= passed
            if body["verdict"] in {"pass", "conditional pass"}:
                passed.add(str(body["step"]))
        elif body["claim"] == "void":
            passed -= set(body["what"])  # type: ignore[call-overload]


@calm
@given(st.one_of(scripts, late_scripts))
def test_the_same_events_give_the_same_claims_and_none_holds_a_float(
    script: list[tuple[str, tuple[object, ...]]],
) -> None:
    teller = told(script)
    second = Walk(SPUR, PERSON)
    effects = list(second.start())
    for event in copy.deepcopy(teller.events):
        effects += second.feed(event)
    assert effects == teller.visit.effects
    assert [place for body in teller.visit.claims for place in floats(body)] == []


@calm
@given(scripts)
def test_what_is_asked_says_itself_again_whenever_it_changes(
    script: list[tuple[str, tuple[object, ...]]],
) -> None:
    """Whoever listens to the effects knows what the walk waits for."""
    teller = told(script)
    last = next((e for e in reversed(teller.visit.effects) if hasattr(e, "options")), None)
    assert last == teller.visit.walk.asked


def test_the_scripts_reach_the_live_part() -> None:
    """The property would hold of walks that never get there; this one does."""
    claims = told([("go", (40, True))]).visit.claims
    assert {body.get("step") for body in claims if body["claim"] == "attempt"} >= set(LIVE)


def test_the_oracle_sees_a_step_without_its_gate() -> None:
    claims: list[dict[str, object]] = [
        {"claim": "attempt", "step": "line-earth-spur", "verdict": "pass"}
    ]
    assert breaches(SPUR, claims) == ["step line-earth-spur without energised"]
    visit = Visit(SPUR)
    visit.acts()
    visit.claims.pop()
    without = [body for body in visit.claims if body.get("act") != "locked-off"]
    assert breaches(SPUR, without) == ["act indicator-proved without locked-off"]


def test_the_oracle_sees_a_float() -> None:
    assert list(floats({"a": [{"b": 1.5}], "c": 1})) == ["claim.a.b"]


REPAIR_THAT_FALLS = """
id = "falls"
title = "A repair that voids what it needs"
version = "1"
[[step]]
id = "first"
title = "t"
do = "d"
say = "s"
source = "this test"
answers = ["yes", "no"]
accept = ["yes"]
[[step]]
id = "second"
title = "t"
do = "d"
say = "s"
source = "this test"
answers = ["yes", "no"]
accept = ["yes"]
needs = ["first"]
[[act]]
id = "mended"
title = "t"
do = "d"
say = "s"
source = "this test"
needs = ["first"]
voids = ["first"]
offered_after = ["second"]
"""


def test_a_repair_may_void_what_it_needs() -> None:
    visit = Visit(written(REPAIR_THAT_FALLS))
    visit.observe("first", "yes")
    visit.observe("second", "no")
    visit.choose("mended")
    visit.act("mended")
    assert visit.asked == ("observe", "first")
