"""The shipped procedures hold, and a broken one is answered with one line that names the place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from metercap import shelf
from metercap.errors import ProcedureError
from metercap.procedure.description import (
    MOST_BYTES,
    MOST_STEPS,
    Procedure,
    join,
    parse_procedure,
    procedure_from_json,
    procedure_to_json,
)
from metercap.sequence.rehearse import check_procedure

NOWHERE = Path("/nonexistent")
LIBRARY = sorted(shelf.load_procedures(NOWHERE))

GOOD = """
id = "good"
title = "A good procedure"
version = "1.0"

[[step]]
id = "leads"
title = "Leads"
do = "Touch."
say = "Touch."
source = "common practice"
quantity = "resistance"
mode = "none"
expect = { below = "0.5 Ohm" }

[[step]]
id = "earth"
title = "Earth"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "resistance"
mode = "none"
expect = { below = "1 Ohm" }
subtract = "leads"
needs = ["proved", "leads"]

[[step]]
id = "open"
title = "Open"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "resistance"
mode = "none"
expect = { overload = "1 MOhm" }
start = "begin"
touch = "1 Ohm"

[[step]]
id = "volts"
title = "Volts"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { between = ["216.2 V", "253.0 V"] }
start = "begin"

[[step]]
id = "again"
title = "Volts again"
do = "Probe."
say = "Probe."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { near = { step = "volts", within = "5 V", percent = "3" } }
start = "begin"

[[step]]
id = "lamp"
title = "Lamp"
do = "Look."
say = "Look."
source = "common practice"
answers = ["lit", "dark"]
accept = ["lit"]

[[act]]
id = "off"
title = "Off"
do = "Switch off."
say = "Switch off."
source = "common practice"

[[act]]
id = "proved"
title = "Proved"
do = "Prove."
say = "Prove."
source = "common practice"
needs = ["off"]
void_on = ["restart"]
stands = "30 min"
[[act.ask]]
field = "indicator"
prompt = "Which?"
[[act.ask]]
field = "result"
prompt = "What did it do?"
answers = ["yes", "no"]
accept = ["yes"]

[[act]]
id = "proved-again"
title = "Proved again"
do = "Prove."
say = "Prove."
source = "common practice"
needs = ["proved"]
fail_voids = ["proved"]
[[act.ask]]
field = "indicator"
prompt = "Which?"
same_as = "proved"

[[act]]
id = "mended"
title = "Mended"
do = "Mend."
say = "Mend."
source = "common practice"
offered_after = ["earth"]
voids = ["earth"]

[[guard]]
id = "volts-again"
while = "proved-again"
quantity = "voltage"
mode = "ac"
above = "50 V"
voids = ["off"]
say = "Stop."
source = "this test"

[[example]]
title = "a lamp"
events = [{ observe = { lamp = "lit" } }]
gives = { lamp = [] }
"""


def read(text: str) -> Procedure:
    return join(parse_procedure(text, "good.toml"), {}, "good.toml")


def broken(*pairs: tuple[str, str]) -> str:
    text = GOOD
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return text


STEP = '[[step]]\nid = "lamp"'

# name -> (what is replaced, by what, what the one line must say)
DEFECTS: dict[str, tuple[str, str, str]] = {
    "not toml": ("title = ", "title ", "not TOML: .*line 3"),
    "no value": ('version = "1.0"\n', "", "version: missing, expected a value"),
    "unknown key": (STEP, f'{STEP}\ncolour = "red"', r"step\[5\].colour: found a key that is not"),
    "unknown key on top": ('id = "good"', 'id = "good"\nkind = "x"', "kind: found a key that"),
    "key with a line break": ('id = "good"', 'id = "good"\n"a\\nb" = 1', "a.nb': found a key"),
    "repeated key": (STEP, f'{STEP}\nid = "lamp"', "not TOML: .*line"),
    "other type": ('version = "1.0"', "version = 1.0", "version: found 1.0, expected"),
    "a date": ('version = "1.0"', "version = [2026-01-01]", "version: found .*, expected"),
    "empty text": ('title = "Lamp"', 'title = ""', r"step\[5\].title: found '', expected"),
    "shouted id": ('id = "lamp"', 'id = "Lamp"', r"step\[5\].id: found 'Lamp', expected"),
    "id of another file": ('id = "good"', 'id = "other"', "id: found 'other', expected the file"),
    "id twice": ('id = "lamp"', 'id = "earth"', "id: found 'earth' twice, expected each id once"),
    "act and step of one id": ('id = "lamp"', 'id = "off"', "id: found 'off' twice"),
    "no source": (
        'say = "Look."\nsource = "common practice"\n',
        'say = "Look."\n',
        r"step\[5\].source: missing",
    ),
    "unknown quantity": (
        'quantity = "resistance"',
        'quantity = "ohms"',
        r"step\[0\]: step leads: quantity: found 'ohms', expected one of",
    ),
    "unit of another quantity": (
        'below = "1 Ohm"',
        'below = "1 V"',
        r"step\[1\]: step earth: found '1 V', expected a unit of resistance",
    ),
    "touch in another unit": (
        'touch = "1 Ohm"',
        'touch = "1 V"',
        r"step\[2\]: step open: found '1 V', expected a unit of resistance",
    ),
    "unknown unit": (
        'below = "1 Ohm"',
        'below = "1 ohms"',
        r"step\[1\].expect: unit: found 'ohms', expected one of the UCUM codes",
    ),
    "no unit": (
        'below = "1 Ohm"',
        'below = "1Ohm"',
        r"step\[1\].expect: amount: found '1Ohm', expected a number, a space and a unit",
    ),
    "endless number": (
        'below = "1 Ohm"',
        f'below = "{"9" * 40} Ohm"',
        r"step\[1\].expect: amount: found",
    ),
    "number for text": ('{ below = "1 Ohm" }', "{ below = 1 }", r"expect.below: found 1, expected"),
    "two expectations": (
        '{ below = "1 Ohm" }',
        '{ below = "1 Ohm", above = "0 Ohm" }',
        r"expect: found 2 expectations \(below, above\), expected one of",
    ),
    "no expectation": ('{ below = "1 Ohm" }', "{ }", r"found 0 expectations \(none\)"),
    "limits the wrong way round": (
        '["216.2 V", "253.0 V"]',
        '["253.0 V", "216.2 V"]',
        r"step\[3\].expect: between: found 253.0 V to 216.2 V, expected the lower limit first",
    ),
    "one limit of two": ('["216.2 V", "253.0 V"]', '["216.2 V"]', r"step\[3\].expect.between.1"),
    "contact with overload": (
        'start = "begin"\ntouch',
        'start = "contact"\ntouch',
        r"step\[2\]: step open: start: found contact, expected begin",
    ),
    "no accept": (
        'accept = ["lit"]\n',
        "",
        r"step\[5\]: step lamp: accept: missing, expected at least one of the answers",
    ),
    "accept of no answer": (
        'accept = ["lit"]',
        'accept = ["on"]',
        r"step\[5\]: step lamp: accept: found 'on', expected one of the answers",
    ),
    "answers and a quantity": (
        'accept = ["lit"]',
        'accept = ["lit"]\nquantity = "voltage"',
        r"step\[5\]: step lamp: found both answers and a quantity",
    ),
    "neither answers nor a quantity": (
        'answers = ["lit", "dark"]\naccept = ["lit"]\n',
        "",
        r"step\[5\]: step lamp: expected quantity, mode and expect, or a list of answers",
    ),
    "accept without answers": (
        'prompt = "Which?"',
        'prompt = "Which?"\naccept = ["x"]',
        r"act\[1\].ask\[0\]: field indicator: found accept without answers",
    ),
    "accept of no answer in an act": (
        'accept = ["yes"]',
        'accept = ["perhaps"]',
        r"act\[1\].ask\[1\]: field result: accept: found 'perhaps', expected one",
    ),
    "field asked twice": (
        'field = "result"',
        'field = "indicator"',
        r"act\[1\]: act proved: found a field asked twice",
    ),
    "no duration": ('stands = "30 min"', 'stands = "long"', r"act\[1\]: duration: found 'long'"),
    "duration without unit": ('stands = "30 min"', 'stands = "30"', "duration: found '30'"),
    "no time at all": (
        'subtract = "leads"',
        'subtract = "leads"\nsettle = { window = "0 s" }',
        r"step\[1\].settle: found '0 s', expected more than no time",
    ),
    "window without measure": (
        'subtract = "leads"',
        'subtract = "leads"\nsettle = { window = "1 h", slowest = "1 ms" }',
        r"step\[1\].settle: window: found '1 h', expected at most 100 times slowest",
    ),
    "percent of nothing": (
        'percent = "3"',
        'percent = "some"',
        r"step\[4\].expect.near: amount: found 'some %'",
    ),
    "guard in another unit": (
        'above = "50 V"',
        'above = "50 A"',
        r"guard\[0\]: guard volts-again: found '50 A', expected a voltage",
    ),
    "unknown id in needs": (
        '"proved", "leads"',
        '"proved", "leds"',
        "step earth: needs: found 'leds', expected a known id",
    ),
    "unknown id in voids": (
        'voids = ["earth"]',
        'voids = ["erth"]',
        "act mended: voids: found 'erth', expected a known id",
    ),
    "unknown id in fail_voids": (
        'fail_voids = ["proved"]',
        'fail_voids = ["x"]',
        "act proved-again: fail_voids: found 'x', expected a known id",
    ),
    "unknown id in offered_after": (
        'offered_after = ["earth"]',
        'offered_after = ["off"]',
        "act mended: offered_after: found 'off', expected a known id",
    ),
    "unknown id in ended_by": (
        'needs = ["off"]',
        'needs = ["off"]\nended_by = ["lamp"]',
        "act proved: ended_by: found 'lamp', expected a known id",
    ),
    "unknown id in same_as": (
        'same_as = "proved"',
        'same_as = "earth"',
        "act proved-again: same_as: found 'earth', expected a known id",
    ),
    "same_as of an act that does not ask": (
        'same_as = "proved"',
        'same_as = "off"',
        "act proved-again: same_as: found 'off', expected an act that asks for indicator",
    ),
    "unknown id in while": (
        'while = "proved-again"',
        'while = "lamp"',
        "guard volts-again: while: found 'lamp', expected a known id",
    ),
    "unknown id in subtract": (
        'subtract = "leads"',
        'subtract = "lead"',
        "step earth: subtract: found 'lead', expected a known id",
    ),
    "subtract of an overload": (
        'subtract = "leads"',
        'subtract = "open"',
        "step earth: subtract: found 'open', expected a step that always gives a resistance",
    ),
    "subtract of another quantity": (
        'subtract = "leads"',
        'subtract = "volts"',
        "step earth: subtract: found 'volts', expected a step that always gives a resistance",
    ),
    "near to an answer": (
        'step = "volts"',
        'step = "lamp"',
        "step again: near.step: found 'lamp', expected a step that always gives a voltage",
    ),
    "circle of needs": (
        'needs = ["off"]',
        'needs = ["off", "earth"]',
        "needs: found a circle, (proved -> earth -> proved|earth -> proved -> earth)",
    ),
    "circle through subtract": (
        'subtract = "leads"',
        'subtract = "earth"',
        "needs: found a circle, earth -> earth",
    ),
    "circle through near": (
        'step = "volts"',
        'step = "again"',
        "needs: found a circle, again -> again",
    ),
    "an act that ends itself": (
        'fail_voids = ["proved"]',
        'voids = ["off"]',
        "act proved-again: voids: found what it needs itself, expected other ids",
    ),
    "unknown include": (
        'version = "1.0"',
        'version = "1.0"\ninclude = ["else"]',
        "include: found 'else', expected a known procedure",
    ),
    "two events in one": (
        '{ observe = { lamp = "lit" } }',
        '{ observe = { lamp = "lit" }, choose = "again" }',
        r"example\[0\].events\[0\]: found 2 events \(observe, choose\), expected one of",
    ),
    "example without unit": (
        '{ observe = { lamp = "lit" } }',
        '{ shows = "12.5V", for = "2 s" }',
        r"example\[0\].events\[0\]: amount: found '12.5V'",
    ),
    "example without end": (
        '{ observe = { lamp = "lit" } }',
        '{ shows = "12.5 V", for = "ever" }',
        r"example\[0\].events\[0\]: duration: found 'ever'",
    ),
}


@pytest.mark.parametrize("name", LIBRARY)
def test_every_shipped_procedure_is_proved_by_its_examples(name: str) -> None:
    assert check_procedure(*shelf.load_procedure(NOWHERE, name)) == []


def test_the_procedures_of_the_visit_are_shipped() -> None:
    assert {"safe-isolation", "spur-dead-tests", "spur-fuse", "spur-live-no-demand"} < set(LIBRARY)


@pytest.mark.parametrize("name", LIBRARY)
def test_every_limit_of_a_shipped_procedure_names_its_source(name: str) -> None:
    whole = shelf.load_procedure(NOWHERE, name)[1]
    assert all(len(item.source) > 10 for item in (*whole.step, *whole.act, *whole.guard))


@pytest.mark.parametrize("name", LIBRARY)
def test_a_procedure_comes_back_from_json_as_it_was(name: str) -> None:
    whole = shelf.load_procedure(NOWHERE, name)[1]
    again = procedure_from_json(procedure_to_json(whole), "test")
    assert again == whole.model_copy(update={"example": ()})


def test_the_good_procedure_is_good() -> None:
    assert [step.id for step in read(GOOD).step][:2] == ["leads", "earth"]


@pytest.mark.parametrize("name", DEFECTS)
def test_a_defect_is_answered_in_one_line(name: str) -> None:
    old, new, said = DEFECTS[name]
    with pytest.raises(ProcedureError) as caught:
        read(broken((old, new)))
    line = str(caught.value)
    assert line.startswith("good.toml: ")
    assert "\n" not in line
    assert len(line) < 600
    assert re.search(said, line), line


def test_a_file_too_large_is_not_read() -> None:
    with pytest.raises(ProcedureError, match=r"^good.toml: found \d+ bytes, expected at most"):
        read(GOOD + "#" * MOST_BYTES)


def test_a_procedure_without_anything_is_none() -> None:
    with pytest.raises(ProcedureError, match="step: found none, expected at least one step or act"):
        read('id = "good"\ntitle = "t"\nversion = "1"\n')


def test_more_steps_than_anybody_walks_are_refused() -> None:
    whole = read(GOOD)
    many = [
        whole.step[-1].model_copy(update={"id": f"s{n}"}).model_dump(mode="json", exclude_none=True)
        for n in range(MOST_STEPS + 1)
    ]
    table = {"id": "good", "title": "t", "version": "1", "step": many}
    with pytest.raises(ProcedureError, match="step: found 5001, expected at most 5000"):
        procedure_from_json(table, "good.toml")


def included(name: str, *others: str) -> Procedure:
    include = ", ".join(f'"{other}"' for other in others)
    text = broken(
        ('id = "good"', f'id = "{name}"\ninclude = [{include}]'),
    )
    text = re.sub(r'(id|while|step|same_as|subtract) = "', rf'\1 = "{name}-', text)
    text = text.replace(f'id = "{name}-{name}"', f'id = "{name}"')
    keys = "needs|voids|fail_voids|offered_after"
    text = re.sub(
        rf"^({keys}) = (.*)$",
        lambda m: (
            f"{m[1]} = {re.sub(chr(34) + '([a-z])', chr(34) + name + r'-' + chr(92) + '1', m[2])}"
        ),
        text,
        flags=re.MULTILINE,
    )
    text = text.replace("observe = { lamp", f"observe = {{ {name}-lamp")
    return parse_procedure(text.replace("gives = { lamp", f"gives = {{ {name}-lamp"), "test")


def test_what_is_included_comes_first_and_once() -> None:
    a, b, c = included("a"), included("b", "a"), included("c", "a", "b", "a")
    whole = join(c, {"a": a, "b": b}, "test")
    starts = [step.id[0] for step in whole.step]
    assert starts == sorted(starts)
    assert len(starts) == 3 * len(a.step)
    assert whole.include == ()


def test_a_circle_of_includes_is_named() -> None:
    a, b = included("a", "b"), included("b", "a")
    with pytest.raises(ProcedureError, match="include: found 'a' inside itself"):
        join(a, {"a": a, "b": b}, "test")


def test_includes_upon_includes_are_each_looked_at_once() -> None:
    """Two to the power of forty paths lead to the last of these."""
    base = included("p0")
    known = {"p0": base}
    for n in range(1, 41):
        empty = {"id": f"p{n}", "title": "t", "version": "1", "include": [f"p{n - 1}"] * 2}
        known[f"p{n}"] = Procedure.model_validate(empty, strict=False)
    assert len(join(known["p40"], known, "test").step) == len(base.step)


# Examples


def checked(events: str, gives: str = "{ lamp = [] }", asks: str = "") -> list[str]:
    text = broken(
        ('events = [{ observe = { lamp = "lit" } }]', f"events = [{events}]"),
        ("gives = { lamp = [] }", f"gives = {gives}{asks}"),
    )
    own = parse_procedure(text, "good.toml")
    return [line for line in check_procedure(own, read(text)) if line.startswith("example")]


def test_an_example_that_comes_out_otherwise_says_what_came_out() -> None:
    leads = '{ shows = "overload", for = "2 s" }, { shows = "0.20 Ohm", for = "8 s" }'
    assert checked(leads, '{ leads = "pass" }') == []
    assert checked(leads, '{ leads = "fail" }') == [
        "example 'a lamp': leads: found pass, expected fail"
    ]
    assert checked(leads, '{ leads = ["pass", "pass"] }') == [
        "example 'a lamp': leads: found pass, expected pass, pass"
    ]
    assert checked(leads, '{ leads = "pass" }', '\nasks = "lamp"') == [
        "example 'a lamp': found off asked at the end, expected lamp"
    ]
    assert checked(leads, '{ lead = "pass" }') == [
        "example 'a lamp': found 'lead', expected a step"
    ]


def test_a_step_that_no_example_shows_is_named() -> None:
    text = broken()
    problems = check_procedure(parse_procedure(text, "good.toml"), read(text))
    assert "step earth: found no example that gives it a verdict" in problems
    bare = text[: text.index("[[example]]")]
    assert check_procedure(parse_procedure(bare, "good.toml"), read(bare)) == [
        "example: found none, expected at least one"
    ]


def test_an_example_may_do_what_makes_no_sense() -> None:
    """An act before the one whose answer it repeats, and acts that void each other."""
    assert checked('{ act = "proved-again" }, { act = "no-such" }, { acts = "as asked" }') == []
    assert checked('{ choose = "x" }, { begin = "earth" }, { happens = "link lost" }') == []
