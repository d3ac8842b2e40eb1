"""Relations in a walk: when they are looked at, what they stop, and what is repeated after."""

from __future__ import annotations

from decimal import Decimal
from typing import get_args

import pytest
from sequence.walking import Visit, written

from metercap.errors import ProcedureError
from metercap.procedure.description import procedure_from_json, procedure_to_json
from metercap.procedure.rule import RULES, RuleName
from metercap.sequence import relation
from metercap.sequence.budget import Part, made

HEAD = """
id = "test"
title = "Test"
version = "1"
"""
VOLTS = """
[[step]]
id = "{0}"
title = "t"
do = "d"
say = "s"
source = "this test"
quantity = "voltage"
mode = "ac"
expect = {{ below = "300 V" }}
start = "begin"
"""
OHMS = """
[[step]]
id = "{0}"
title = "t"
do = "d"
say = "s"
source = "this test"
quantity = "resistance"
mode = "none"
expect = {{ {1} }}
start = "begin"
"""
TRIANGLE = """
[[relation]]
id = "sides"
title = "The three voltages fit together"
rule = "triangle"
steps = { line-earth = "le", line-neutral = "ln", neutral-earth = "ne" }
given = { drift = "0.2 V" }
source = "this test"
"""
CABLE = """
[[act]]
id = "cable"
title = "Cable"
do = "d"
say = "s"
source = "this test"
[[act.ask]]
field = "length"
prompt = "How long is it?"
amount = "length"
[[act.ask]]
field = "size"
prompt = "Of what size?"
amount = "area"
"""
FROM_CABLE = (
    'rule = "conductor", given = { length = "act:cable.length", size = "act:cable.size", '
    'percent = "10 %", within = "0.05 Ohm" }'
)


def sides(more: str = "") -> Visit:
    steps = "".join(VOLTS.format(name) for name in ("le", "ln", "ne"))
    return Visit(written(f"{HEAD}{steps}{TRIANGLE}{more}"))


def measure(visit: Visit, *values: str, mode: str | None = "ac") -> None:
    for value in values:
        visit.begin(visit.asked[1])
        visit.show(value, 8, mode)


def relations(visit: Visit) -> list[object]:
    return [body["verdict"] for body in visit.of("relation")]


def test_a_relation_is_looked_at_once_its_last_step_is_decided() -> None:
    visit = sides()
    measure(visit, "243.1 V", "242.8 V")
    assert relations(visit) == []
    measure(visit, "0.2 V")
    assert relations(visit) == ["pass"]
    assert visit.asked == ("close", "")


def test_three_voltages_that_do_not_fit_stop_the_walk_and_are_measured_again() -> None:
    visit = sides()
    measure(visit, "243.1 V", "233.1 V", "0.2 V")
    assert relations(visit) == ["fail"]
    assert visit.asked == ("choose", "sides")
    visit.choose("again")
    assert visit.of("void")[0]["what"] == ["le", "ln", "ne"]
    measure(visit, "243.1 V", "242.9 V", "0.2 V")
    assert relations(visit) == ["fail", "pass"]
    visit.choose("finish")
    job = visit.of("job")[0]
    assert (job["result"], job["relations"]) == ("all steps hold", {"sides": {"verdict": "pass"}})


def test_a_relation_that_does_not_stop_still_counts_in_the_end() -> None:
    visit = sides('on_fail = "go-on"')
    measure(visit, "243.1 V", "233.1 V", "0.2 V")
    assert visit.asked == ("close", "")
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "steps fail"


def test_a_relation_that_failed_may_be_given_up_and_stays_failed() -> None:
    visit = sides()
    measure(visit, "243.1 V", "233.1 V", "0.2 V")
    visit.limit("sides")
    assert visit.asked == ("close", "")
    visit.choose("finish")
    assert visit.of("job")[0]["relations"] == {"sides": {"verdict": "fail", "why": "no access"}}


def test_a_claim_tells_both_sides_the_doubt_and_the_sentence() -> None:
    visit = sides()
    measure(visit, "243.1 V", "242.8 V", "0.2 V")
    first, second = visit.of("relation")[0]["checks"]  # type: ignore[misc, attr-defined]
    sentence = first["sentence"]
    assert first == {
        "what": "the difference of line to earth and line to neutral is no more than neutral to "
        "earth",
        "left": "0.3",
        "right": "0.2",
        "difference": "0.1",
        "standard": "0.53",
        "freedom": "infinite",
        "k": "2",
        "expanded": "1.1",
        "unit": "V",
        "limit": {"high": "0.0 V"},
        "rule": "agree",
        "verdict": "pass",
        "sentence": sentence,
    }
    assert "0.3 less 0.2 is 0.1 V, U = 1.1 V, k = 2; expected at most 0.0 V" in sentence
    assert second["verdict"] == "pass"


def test_the_gain_of_one_meter_falls_out_of_a_difference_and_that_of_two_does_not() -> None:
    """0.9 % of 243 V is 2.2 V; two readings of one meter share it, those of two meters do not."""

    def volts(value: str, meter: str) -> relation.Estimate:
        amount = Decimal(value)
        gain = amount * Decimal("0.009") / Decimal(3).sqrt()
        return made(amount, "V", (Part("limit of error", gain, shared=meter),), -1)

    one, two = (
        relation.propagate(
            lambda a: a["first"] - a["second"],
            {"first": volts("243.1", "a"), "second": volts("242.8", meter)},
            "V",
        )
        for meter in ("a", "b")
    )
    assert one.doubt < Decimal("0.002")
    assert Decimal("1.7") < two.doubt < Decimal("1.8")


def test_an_expectation_is_computed_from_what_the_person_states() -> None:
    step = OHMS.format("core", FROM_CABLE) + 'needs = ["cable"]'
    visit = Visit(written(f"{HEAD}{CABLE}{step}"))
    visit.act("cable", length="long", size="2.5 mm2")
    visit.act("cable", length="25 V", size="2.5 mm2")
    visit.act("cable", length="25 m", size="7 mm2")
    assert [str(body["why"]).partition(":")[0] for body in visit.of("refusal")] == [
        "length",
        "length",
        "conductor",
    ]
    visit.act("cable", length="25 m", size="2.5 mm2")
    measure(visit, "0.19 Ohm", mode=None)
    claim = visit.of("attempt")[0]
    # 25 m of 7.41 Ohm a kilometre is 0.18525 Ohm, and 0.05 Ohm is more than 10 % of that
    assert claim["limit"] == {"low": "0.13525 Ohm", "high": "0.23525 Ohm"}
    assert claim["verdict"] == "pass"


@pytest.mark.parametrize(
    ("expect", "found"),
    [
        ('rule = "element", given = { nominal = "100 Ohm", plus = "5 %" }', "minus: missing"),
        ('rule = "coil", given = { nominal = "100 V", percent = "5 %" }', "amount in Ohm"),
        ('rule = "coil", given = { nominal = "100 Ohm", percent = "-5 %" }', "below zero"),
        ('rule = "triangle"', "expected one of conductor"),
        ('below = "1 Ohm", given = { percent = "5 %" }', "without a rule"),
        ('rule = "capacitor", given = { nominal = "2 uF", percent = "5 %" }', "not one for"),
        (FROM_CABLE, "expected an act that asks for an amount"),
    ],
)
def test_a_rule_that_lacks_something_is_no_procedure(expect: str, found: str) -> None:
    with pytest.raises(ProcedureError, match=found):
        written(HEAD + OHMS.format("core", expect))


def test_what_a_rule_takes_from_an_act_must_be_needed() -> None:
    with pytest.raises(ProcedureError, match="needs: expected 'cable' in it"):
        written(HEAD + CABLE + OHMS.format("core", FROM_CABLE))


def test_nothing_is_computed_from_a_size_that_is_not_in_the_table() -> None:
    expect = 'rule = "conductor", given = { length = "5 m", size = "7 mm2", percent = "9 %" }'
    with pytest.raises(ProcedureError, match=r"found 7 mm2 of class 2, expected 0\.5"):
        Visit(written(HEAD + OHMS.format("core", expect)))


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (("neutral-earth =", "neutral ="), "not a part of triangle"),
        (('"ne" }', '"none" }'), "expected a known id"),
        (('drift = "0.2 V"', 'drift = "0.2 A"'), "amount in V"),
        ((', neutral-earth = "ne"', ""), "neutral-earth: missing"),
    ],
)
def test_a_relation_names_its_parts_and_amounts(change: tuple[str, str], found: str) -> None:
    steps = "".join(VOLTS.format(name) for name in ("le", "ln", "ne"))
    with pytest.raises(ProcedureError, match=found):
        written(HEAD + steps + TRIANGLE.replace(*change))


def test_what_cannot_be_computed_is_undecided_and_stops_nothing() -> None:
    ring = """
[[relation]]
id = "coil"
title = "t"
rule = "thermistor"
steps = { resistance = "r" }
given = { temperature = "95 Cel", percent = "5 %" }
table = { "0 Cel" = "33.9 kOhm", "80 Cel" = "1.25 kOhm" }
source = "this test"
"""
    visit = Visit(written(HEAD + OHMS.format("r", 'below = "9 kOhm"') + ring))
    measure(visit, "1.20 kOhm", mode=None)
    assert relations(visit) == ["undecided"]
    assert visit.of("relation")[0]["why"] == "thermistor: found 95 Cel, expected 0 to 80 Cel"
    visit.choose("finish")
    assert visit.of("job")[0]["result"] == "steps missing"


def test_a_procedure_with_relations_comes_back_from_its_record() -> None:
    procedure = sides().procedure
    assert procedure_from_json(procedure_to_json(procedure), "test") == procedure


def test_every_rule_has_its_row() -> None:
    assert set(get_args(RuleName)) == set(RULES) == {*relation._CHECKS, "thermistor"}
