"""What is asked, what stands, what is void: the walk of the shipped procedures."""

from __future__ import annotations

import pytest
from sequence.walking import PERSON, Visit, library, written

from metercap.model import NS_PER_S
from metercap.sequence.effect import Ask

SPUR = library("spur-visit")
ISOLATION = [act.id for act in library("safe-isolation").act]
PROVED = "indicator-proved"
PROVED_AGAIN = "indicator-proved-again"
ABOVE_PROOF = [
    "no-indication-line-earth",
    "no-indication-line-neutral",
    "no-indication-neutral-earth",
    PROVED_AGAIN,
]


def isolated() -> Visit:
    visit = Visit(SPUR)
    visit.acts()
    return visit


def fallen(visit: Visit) -> list[object]:
    return [name for body in visit.of("void") for name in body["what"]]  # type: ignore[attr-defined]


def test_the_acts_of_isolation_are_asked_one_by_one_in_their_order() -> None:
    visit = Visit(SPUR)
    for name in ISOLATION:
        assert visit.asked == ("act", name)
        visit.act(name)
    assert [body["act"] for body in visit.of("act")] == ISOLATION
    assert {body["outcome"] for body in visit.of("act")} == {"stands"}
    assert visit.asked == ("measure", "leads-nulled")


@pytest.mark.parametrize("place", range(len(ISOLATION)))
def test_no_other_act_is_taken_than_the_one_that_is_asked(place: int) -> None:
    visit = Visit(SPUR)
    for name in ISOLATION[:place]:
        visit.act(name)
    for name in [*ISOLATION[:place], *ISOLATION[place + 1 :], "energised", "repaired-dead", "no"]:
        visit.act(name)
        assert visit.claims[-1]["claim"] == "refusal", name
        assert visit.asked == ("act", ISOLATION[place])


@pytest.mark.parametrize("name", ISOLATION)
def test_every_act_is_declared_by_the_person_at_work(name: str) -> None:
    visit = Visit(SPUR)
    visit.acts_up_to(name)
    visit.act(name, by="B. Helper")
    assert visit.claims[-1] == {
        "claim": "refusal",
        "cause": visit.seq,
        "what": name,
        "why": f"found 'B. Helper', expected {PERSON!r}, who is at work",
    }
    assert visit.asked == ("act", name)


@pytest.mark.parametrize(
    ("field", "other"),
    [("indicator", "another one"), ("proving_source", "known source on another circuit")],
)
def test_indicator_and_proving_source_are_the_same_before_and_after(field: str, other: str) -> None:
    visit = Visit(SPUR)
    visit.acts_up_to(PROVED_AGAIN)
    visit.act(PROVED_AGAIN, **{field: other})
    assert visit.claims[-1]["claim"] == "refusal"
    assert f"{other!r}, expected" in str(visit.claims[-1]["why"])
    assert visit.asked == ("act", PROVED_AGAIN)
    visit.act(PROVED_AGAIN)
    assert visit.asked == ("measure", "leads-nulled")


def test_one_declaration_does_not_answer_three_tests() -> None:
    visit = Visit(SPUR)
    visit.acts_up_to("no-indication-line-earth")
    for _ in range(3):
        visit.act("no-indication-line-earth")
    assert visit.asked == ("act", "no-indication-line-neutral")
    assert [body["claim"] for body in visit.claims[-2:]] == ["refusal", "refusal"]


@pytest.mark.parametrize("answer", ["", "  ", "perhaps"])
def test_an_answer_that_is_none_is_refused(answer: str) -> None:
    visit = Visit(SPUR)
    visit.acts_up_to("locked-off")
    visit.act("locked-off", key=answer)
    assert visit.claims[-1]["claim"] == "refusal"
    assert visit.asked == ("act", "locked-off")


def test_an_answer_to_a_question_that_is_not_asked_is_refused() -> None:
    visit = Visit(SPUR)
    visit.act("permission", weather="fine")
    assert visit.claims[-1]["why"] == "weather: found an answer to a question that is not asked"


@pytest.mark.parametrize("kind", ["multimeter", "neon screwdriver", "non-contact sensor"])
def test_only_a_two_pole_indicator_may_prove(kind: str) -> None:
    visit = Visit(SPUR)
    visit.act("permission")
    visit.act("instruments-looked-over", indicator_kind=kind)
    assert visit.claims[-1]["claim"] == "refusal"


def test_a_second_proof_that_fails_ends_all_since_the_first() -> None:
    visit = Visit(SPUR)
    visit.acts_up_to(PROVED_AGAIN)
    visit.act(PROVED_AGAIN, result="did not indicate")
    assert fallen(visit) == [PROVED, *ABOVE_PROOF[:-1]]
    assert visit.of("act")[-1]["outcome"] == "failed"
    assert visit.asked == ("act", PROVED)


def test_a_point_that_breaks_the_line_only_does_not_hold() -> None:
    visit = Visit(SPUR)
    visit.acts_up_to("switched-off")
    visit.act("switched-off", poles="line only")
    assert visit.of("act")[-1]["why"] == "poles: line only"
    assert visit.asked == ("act", "switched-off")


@pytest.mark.parametrize("name", ABOVE_PROOF[:3])
def test_an_indication_at_the_point_of_work_ends_the_switching_off(name: str) -> None:
    visit = Visit(SPUR)
    visit.acts_up_to(name)
    visit.act(name, result="indication")
    assert {"switched-off", "locked-off", PROVED} <= set(fallen(visit))
    assert visit.asked == ("act", "switched-off")


def test_no_meter_reading_answers_an_act() -> None:
    visit = Visit(SPUR)
    visit.acts_up_to("no-indication-line-earth")
    visit.show("0.0 V", 20, "ac")
    visit.show("0.28 Ohm", 20)
    assert visit.claims == [body for body in visit.claims if body["claim"] == "act"]
    assert visit.asked == ("act", "no-indication-line-earth")


# What ends the proof


def test_the_proof_stands_for_thirty_minutes_and_no_longer() -> None:
    visit = isolated()
    proved_ns = visit.t_ns - 4 * NS_PER_S  # four acts have followed it, a second each
    visit.wait(30 * 60 - 4 - 0.25)
    visit.show("OL MOhm")
    assert visit.t_ns == proved_ns + 30 * 60 * NS_PER_S
    assert visit.asked == ("measure", "leads-nulled")
    visit.show("OL MOhm")
    assert fallen(visit) == [PROVED, *ABOVE_PROOF]
    assert visit.asked == ("act", PROVED)
    visit.acts()
    assert visit.asked == ("measure", "leads-nulled")


def test_a_proof_that_grows_old_in_mid_step_ends_the_attempt() -> None:
    visit = isolated()
    visit.wait(30 * 60 - 10)
    visit.show("OL MOhm", 2)
    visit.show("0.28 Ohm", 7)
    assert visit.verdicts("leads-nulled") == ["undecided"]
    assert "no longer stands" in str(visit.of("attempt")[0]["why"])


def test_another_person_proves_for_themselves() -> None:
    visit = isolated()
    visit.take_over("B. Helper")
    assert fallen(visit) == [PROVED, *ABOVE_PROOF]
    assert visit.asked == ("act", PROVED)
    visit.act(PROVED, by=PERSON)
    assert visit.claims[-1]["claim"] == "refusal"
    visit.acts()
    assert visit.of("act")[-1]["by"] == "B. Helper"


def test_an_attempt_is_not_carried_over_to_another_person() -> None:
    visit = Visit(written(FREE_STEP))
    visit.show("OL MOhm", 1)
    visit.show("0.30 Ohm", 3)
    visit.take_over("B. Helper")
    assert visit.of("attempt")[0]["by"] == PERSON
    assert visit.verdicts("earth") == ["undecided"]
    visit.show("0.30 Ohm", 3)
    assert visit.verdicts("earth") == ["undecided"]


def test_nobody_is_no_operator() -> None:
    visit = isolated()
    visit.take_over(" ")
    assert visit.walk.operator == PERSON
    assert visit.claims[-1]["claim"] == "refusal"


@pytest.mark.parametrize("boot", ["boot-a", "boot-b"])
def test_a_restart_ends_the_proof_and_the_attempt_but_no_passed_step(boot: str) -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.show("OL MOhm", 2)
    visit.show("0.35 Ohm", 2)
    visit.restart(boot)
    assert visit.verdicts("leads-nulled") == ["pass"]
    assert visit.verdicts("earth-continuity-spur") == ["undecided"]
    assert fallen(visit) == [PROVED, *ABOVE_PROOF]
    visit.acts()
    assert visit.asked == ("measure", "earth-continuity-spur")


def test_a_boot_clock_that_began_anew_ends_the_proof_even_without_a_word() -> None:
    visit = isolated()
    visit.boot, visit.t_ns = "boot-b", NS_PER_S
    visit.show("OL MOhm")
    assert visit.asked == ("act", PROVED)


@pytest.mark.parametrize(
    ("shown", "mode", "asked"),
    [
        ("50.1 V", "ac", "switched-off"),
        ("231.0 V", "ac", "switched-off"),
        ("OL V", "ac", "switched-off"),
        ("0.231 kV", "ac", "switched-off"),
        ("120.1 V", "dc", "switched-off"),
        ("-120.1 V", "dc", "switched-off"),
        ("OL V", "dc", "switched-off"),
        ("-OL V", "dc", "switched-off"),
        ("50.0 V", "ac", PROVED),
        ("10.1 V", "ac", PROVED),
        ("10100 mV", "ac", PROVED),
        ("10.0 V", "ac", None),
        ("120.0 V", "dc", None),
        ("0.0 V", "ac", None),
    ],
)
def test_volts_where_none_should_be_end_the_proof(shown: str, mode: str, asked: str | None) -> None:
    visit = isolated()
    visit.show(shown, 0.25, mode)
    assert visit.asked == (("act", asked) if asked else ("measure", "leads-nulled"))
    assert bool(visit.of("void")) is (asked is not None)


def test_volts_end_the_proof_under_every_annunciator_but_not_when_they_come_late() -> None:
    visit = isolated()
    visit.late("231.0 V", 1, "ac")
    assert visit.asked == ("measure", "leads-nulled")
    visit.show("231.0 V", 0.25, "ac", marks=("hold",))
    assert visit.asked == ("act", "switched-off")


def test_volts_in_mid_step_end_the_attempt() -> None:
    visit = isolated()
    visit.show("OL MOhm", 1)
    visit.show("0.28 Ohm", 2)
    visit.show("231.0 V", 0.25, "ac")
    assert visit.verdicts("leads-nulled") == ["undecided"]


def test_energising_ends_the_isolation_and_switching_off_ends_energised() -> None:
    visit = Visit(SPUR)
    visit.until_live()
    assert visit.of("act")[-1]["act"] == "energised"
    assert {"switched-off", "locked-off", PROVED, PROVED_AGAIN} <= set(fallen(visit))
    visit.live("line-earth-spur", "243.1 V")
    visit.live("line-neutral-spur", "230.0 V")
    visit.live("neutral-earth-spur", "5.1 V")
    visit.choose("mended-after-live-fault")
    assert visit.asked == ("act", "switched-off")
    visit.act("switched-off")
    assert visit.of("void")[-1]["what"] == ["energised"]
    visit.acts()
    assert visit.asked == ("measure", "earth-continuity-spur")


def test_after_a_restart_the_live_part_waits_for_energised_again() -> None:
    visit = Visit(SPUR)
    visit.until_live()
    visit.restart()
    assert visit.asked == ("act", "energised")
    visit.begin("line-earth-spur")
    assert visit.claims[-1]["claim"] == "refusal"


# Steps that fail, are repeated, given up


def test_a_failed_step_asks_what_now_and_names_what_may_follow() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.continuity("2.31 Ohm")
    options = ("again", "repaired-dead", "danger-made-known")
    assert visit.walk.asked == Ask("choose", "earth-continuity-spur", options)
    visit.choose("fuse-changed")
    assert visit.claims[-1]["claim"] == "refusal"
    visit.continuity("0.30 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["fail"]
    visit.choose("again")
    visit.continuity("0.35 Ohm")
    assert visit.verdicts("earth-continuity-spur") == ["fail", "pass"]
    assert [body["attempt"] for body in visit.of("attempt")] == [1, 1, 2]


def test_a_repair_repeats_all_dead_tests_from_the_first_earth_point() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.continuity("0.35 Ohm")
    visit.continuity("0.35 Ohm")
    visit.continuity("2.31 Ohm")
    visit.choose("repaired-dead")
    assert visit.asked == ("act", "repaired-dead")
    visit.act("repaired-dead")
    assert fallen(visit) == ["earth-continuity-spur", "earth-continuity-valve"]
    visit.dead_tests()
    assert visit.verdicts("earth-continuity-spur") == ["pass", "pass"]
    assert visit.verdicts("earth-continuity-programmer") == ["fail", "pass"]


def test_a_repair_that_was_not_chosen_is_refused() -> None:
    visit = isolated()
    visit.act("repaired-dead")
    assert visit.claims[-1]["claim"] == "refusal"
    visit.choose("repaired-dead")
    assert visit.claims[-1]["claim"] == "refusal"


def test_only_the_person_at_work_chooses_begins_observes_and_gives_up() -> None:
    visit = isolated()
    visit.by = "B. Helper"
    before = visit.asked
    for name in ("finish", "abandon", "again"):
        visit.choose(name)
    visit.begin("leads-nulled")
    visit.observe("fuse-marking", "3 A")
    visit.limit("leads-nulled")
    refused = [body for body in visit.of("refusal") if "who is at work" in str(body["why"])]
    assert len(refused) == 6
    assert visit.asked == before
    assert visit.walk.ending is None


def test_a_limitation_has_a_reason_and_somebody_who_agreed() -> None:
    visit = isolated()
    visit.limit("leads-nulled", reason=" ")
    visit.limit("leads-nulled", agreed="")
    visit.limit("no-such-step")
    assert len(visit.of("refusal")) == 3
    visit.limit("fuse-marking", "sealed carrier", "the owner")
    assert visit.of("limitation") == [
        {
            "claim": "limitation",
            "cause": visit.seq,
            "step": "fuse-marking",
            "by": PERSON,
            "verdict": "not tested",
            "why": "sealed carrier",
            "agreed": "the owner",
        }
    ]
    visit.dead_tests()
    assert visit.asked == ("close", "")
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "steps missing"


def test_a_step_that_was_given_up_opens_no_way_to_what_needs_it() -> None:
    visit = isolated()
    visit.limit("line-earth-resistance")
    visit.dead_tests()
    visit.observe("fuse-marking", "3 A")
    assert visit.asked == ("close", "")
    visit.act("energised")
    assert visit.claims[-1]["claim"] == "refusal"
    visit.begin("line-earth-spur")
    assert visit.claims[-1]["claim"] == "refusal"


def test_a_passed_step_cannot_be_given_up() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.limit("leads-nulled")
    assert visit.claims[-1]["why"] == "this step has passed, expected one that has not"


def test_giving_up_the_step_at_hand_ends_its_attempt() -> None:
    visit = isolated()
    visit.show("OL MOhm", 1)
    visit.show("0.28 Ohm", 2)
    visit.limit("leads-nulled")
    assert visit.of("attempt")[0]["why"] == "given up"


def test_an_observed_answer_is_one_of_the_list() -> None:
    visit = isolated()
    visit.dead_tests()
    assert visit.walk.asked.what == "observe"
    visit.observe("fuse-marking", "5 A")
    assert "'5 A', expected one of 3 A, 13 A" in str(visit.claims[-1]["why"])
    visit.observe("left-in-order", "all done")
    assert visit.claims[-1]["claim"] == "refusal"
    visit.observe("no-such-step", "3 A")
    assert visit.claims[-1]["claim"] == "refusal"


# Live limits from this visit


def until_programmer() -> Visit:
    visit = Visit(SPUR)
    visit.until_live()
    visit.live("line-earth-spur", "243.1 V")
    visit.live("line-neutral-spur", "242.8 V")
    visit.live("neutral-earth-spur", "0.2 V")
    return visit


@pytest.mark.parametrize(
    ("shown", "verdict"),
    [("243.0 V", "pass"), ("238.0 V", "conditional pass"), ("220.0 V", "fail")],
)
def test_the_programmer_is_held_against_the_spur_of_this_visit(shown: str, verdict: str) -> None:
    visit = until_programmer()
    visit.live("line-earth-programmer", shown)
    assert visit.verdicts("line-earth-programmer") == [verdict]
    # 3 % of 243.1 V is wider than 5 V
    assert visit.of("attempt")[-1]["limit"] == {"low": "235.807 V", "high": "250.393 V"}


# The end


def test_a_whole_visit_holds() -> None:
    visit = Visit(SPUR)
    visit.until_live()
    visit.live_tests()
    visit.observe("left-in-order", "all done")
    assert visit.asked == ("close", "")
    visit.choose("finish")
    job = visit.of("job")[0]
    assert (job["result"], job["reason"]) == ("all steps hold", "finished")
    assert list(job["steps"]) == [step.id for step in SPUR.step]  # type: ignore[call-overload]
    assert visit.walk.ending == "finished"


def test_nothing_is_taken_after_the_end() -> None:
    visit = isolated()
    visit.choose("abandon")
    assert visit.of("job")[0]["reason"] == "abandoned"
    before = len(visit.effects)
    visit.act("energised")
    visit.show("0.28 Ohm", 10)
    visit.choose("finish")
    visit.restart()
    assert len(visit.effects) == before
    assert visit.asked == ("close", "")


def steps_of(visit: Visit) -> dict[str, dict[str, object]]:
    visit.choose("finish")
    return visit.of("job")[0]["steps"]  # type: ignore[return-value]


def test_the_summary_tells_what_was_not_reached_from_what_was_void() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.continuity("0.35 Ohm")
    visit.continuity("2.31 Ohm")
    visit.choose("repaired-dead")
    visit.act("repaired-dead")
    steps = steps_of(visit)
    assert steps["leads-nulled"] == {"attempts": 1, "verdict": "pass"}
    assert steps["earth-continuity-spur"] == {
        "attempts": 1,
        "verdict": "not tested",
        "why": "void, and not repeated",
    }
    assert steps["earth-continuity-valve"] == {"attempts": 1, "verdict": "fail"}
    assert steps["fuse-marking"] == {"attempts": 0, "verdict": "not tested", "why": "not reached"}
    assert visit.of("job")[0]["result"] == "steps fail"


def test_a_retry_that_shows_nothing_does_not_hide_a_fail() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.continuity("2.31 Ohm")
    visit.choose("again")
    visit.show("OL MOhm", 1)
    visit.show("0.30 Ohm", 2)
    assert steps_of(visit)["earth-continuity-spur"] == {"attempts": 2, "verdict": "fail"}
    assert visit.verdicts("earth-continuity-spur") == ["fail", "undecided"]
    assert visit.of("job")[0]["result"] == "steps fail"


def test_a_limitation_does_not_hide_a_fail() -> None:
    visit = isolated()
    visit.continuity("0.28 Ohm")
    visit.continuity("2.31 Ohm")
    visit.limit("earth-continuity-spur")
    assert steps_of(visit)["earth-continuity-spur"] == {
        "attempts": 1,
        "verdict": "fail",
        "why": "no access",
    }


def test_an_undecided_attempt_is_no_test() -> None:
    visit = isolated()
    visit.show("OL MOhm", 1)
    visit.show("0.28 Ohm", 2)
    assert steps_of(visit)["leads-nulled"] == {
        "attempts": 1,
        "verdict": "not tested",
        "why": "the job was closed",
    }
    assert visit.of("job")[0]["result"] == "steps missing"


def test_a_procedure_of_acts_alone_asks_each_of_them() -> None:
    visit = Visit(library("safe-isolation"))
    visit.acts()
    assert [body["act"] for body in visit.of("act")] == ISOLATION
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "all steps hold"


def test_a_procedure_of_acts_alone_does_not_hold_while_one_is_missing() -> None:
    visit = Visit(library("safe-isolation"))
    visit.acts_up_to(PROVED_AGAIN)
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "steps missing"


FREE_STEP = """
id = "free"
title = "A step without needs"
version = "1"
[[step]]
id = "earth"
title = "Earth"
do = "Probe."
say = "Probe."
source = "this test"
quantity = "resistance"
mode = "none"
expect = { below = "1 Ohm" }
[[step]]
id = "lamp"
title = "Lamp"
do = "Look."
say = "Look."
source = "this test"
answers = ["lit", "dark"]
accept = ["lit"]
needs = ["earth"]
"""


def test_a_step_that_may_go_on_is_passed_over_with_what_needs_it() -> None:
    visit = Visit(
        written(
            FREE_STEP.replace('[[step]]\nid = "lamp"', 'on_fail = "go-on"\n[[step]]\nid = "lamp"')
        )
    )
    visit.continuity("2.31 Ohm")
    assert visit.verdicts("earth") == ["fail"]
    assert visit.asked == ("close", "")


@pytest.mark.parametrize("count", [2000])
def test_a_chain_and_a_ladder_of_needs_are_walked_without_end_of_stack_or_patience(
    count: int,
) -> None:
    chain = 'id = "long"\ntitle = "t"\nversion = "1"\n' + "".join(
        f'[[step]]\nid = "s{n}"\ntitle = "t"\ndo = "d"\nsay = "s"\nsource = "s"\n'
        f'answers = ["yes"]\naccept = ["yes"]\nneeds = [{needs}]\n'
        for n in range(count, -1, -1)
        for needs in [", ".join(f'"s{m}"' for m in (n - 1, n - 2) if m >= 0)]
    )
    visit = Visit(written(chain))
    assert visit.asked == ("observe", "s0")
    visit.observe("s0", "yes")
    assert visit.asked == ("observe", "s1")
