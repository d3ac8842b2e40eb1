"""Two displays in one frame: what each shows, what a step takes, and what a file may not say."""

from __future__ import annotations

import pytest
from meter.strategies import DRIVERS, made, shipped
from sequence.jobs import PERSON, at, pin
from sequence.walking import written

from metercap.derive import Derivation, Shown
from metercap.errors import DisplayError, DriverError
from metercap.journal.entry import Entry
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder, encode_all
from metercap.meter.description import driver_to_json, parse_driver
from metercap.model import NS_PER_S, Refusal, Status
from metercap.procedure.description import procedure_to_json
from metercap.sequence.effect import Progress, Signal

DUAL = shipped("bench-dual")
DECODER = build_decoder(DUAL)
ROWS = {row.name: row for row in DUAL.rows}
VOLTS = ROWS["volts-ac"].reading("230.1")
HERTZ = ROWS["hertz"].reading("50.0")
TEXT = (DRIVERS / "bench-dual.toml").read_text("utf-8")

STEP = """
id = "one"
title = "One"
version = "1"
[[step]]
id = "one"
title = "One"
do = "Measure."
say = "Measure."
source = "a test"
start = "begin"
"""
SECOND_STEP = (
    STEP
    + """
quantity = "frequency"
mode = "none"
channel = "second"
expect = { between = ["49.5 Hz", "50.5 Hz"] }
"""
)
MAIN_STEP = (
    STEP
    + """
quantity = "voltage"
mode = "ac"
expect = { between = ["207.0 V", "253.0 V"] }
"""
)


def job(step: str, frames: list[bytes], driver: str = "bench-dual") -> tuple[Derivation, list]:
    """A job of this one step, begun, and then these frames, four a second."""
    procedure, meter = procedure_to_json(written(step)), driver_to_json(shipped(driver))
    opening = {
        "who": PERSON,
        "where": "the bench",
        "procedure": pin("one", procedure),
        "drivers": [pin(driver, meter)],
        "meters": [{"name": "meter", "address": "00:00:00:00:00:01", "driver": driver}],
        "practice": False,
        "software": "test",
    }
    bodies = [
        ("job.open", opening),
        ("definition", {"what": "procedure", "id": "one", "definition": procedure}),
        ("definition", {"what": "driver", "id": driver, "definition": meter}),
        ("begin", {"by": PERSON, "step": "one"}),
    ]
    for number, raw in enumerate(frames, 1):
        body = {"meter": "meter", "source": "-", "session": 1, "number": number, "raw": raw.hex()}
        bodies.append(("frame", body))
    derivation, effects = Derivation(), []
    for n, (kind, body) in enumerate(bodies, 1):
        now = at(NS_PER_S + n * NS_PER_S // 4)
        effects += derivation.feed(Entry(n, 1, n, kind, now, body))
    return derivation, effects


def verdicts(derivation: Derivation) -> list[tuple[object, object]]:
    return [
        (body["verdict"], body.get("value"))
        for body in derivation.claims
        if body["claim"] == "attempt"
    ]


@pytest.mark.parametrize(("step", "value"), [(MAIN_STEP, "230.1"), (SECOND_STEP, "50.00")])
def test_a_step_takes_the_display_that_it_wants_and_no_other(step: str, value: str) -> None:
    derivation, effects = job(step, [encode_all(DECODER, (VOLTS, HERTZ))] * 60)
    signals = {effect.signal for effect in effects if isinstance(effect, Progress)}

    ((verdict, found),) = verdicts(derivation)
    assert (verdict, found) == ("pass", value)
    assert not signals & {Signal.WRONG_FUNCTION, Signal.NO_VALUE}
    assert sum(isinstance(effect, Shown) for effect in effects) == 120


def test_what_the_other_display_cannot_show_hinders_no_step() -> None:
    good = encode_all(DECODER, (VOLTS, HERTZ))
    no_row = DECODER._seal(int.from_bytes(good, "little") ^ 0x90 << 56)
    main, second = DECODER.decode(no_row)[0]
    assert main == VOLTS
    assert second == Refusal(
        "second display: unknown pattern: no function has just the bits 7.0 7.4 7.7"
    )

    assert verdicts(job(MAIN_STEP, [no_row] * 60)[0]) == [("pass", "230.1")]
    derivation, effects = job(SECOND_STEP, [no_row] * 60)
    assert verdicts(derivation) == []
    said = {effect.signal for effect in effects[1:] if isinstance(effect, Progress)}
    assert Signal.NO_VALUE in said
    assert Signal.WRONG_FUNCTION not in said


def test_a_meter_with_one_display_says_that_it_is_the_wrong_one() -> None:
    one = shipped("bench-count")
    volts = next(row for row in one.function if row.name == "volts-ac").reading("230.1")
    frames = [build_decoder(one).encode(volts)] * 20
    derivation, effects = job(SECOND_STEP, frames, "bench-count")

    assert verdicts(derivation) == []
    assert "the meter shows voltage ac, this step wants frequency on a second display" in {
        effect.note for effect in effects if isinstance(effect, Progress)
    }


def test_hold_stands_for_both_displays() -> None:
    held = [reading._replace(marks=("hold",)) for reading in (VOLTS, HERTZ)]

    assert DECODER.decode(encode_all(DECODER, tuple(held)))[0] == tuple(held)
    with pytest.raises(DisplayError, match="which no frame here shows"):
        encode_all(DECODER, (VOLTS, held[1]))


def test_a_lone_reading_is_sent_beside_a_blank_second_display() -> None:
    main, second = DECODER.decode(DECODER.encode(VOLTS))[0]

    assert main == VOLTS
    assert (second.channel, second.status) == ("second", Status.BLANK)


def test_more_readings_than_displays_are_refused() -> None:
    one = build_decoder(shipped("bench-count"))
    with pytest.raises(DisplayError, match="found 2 readings, expected one for each display"):
        encode_all(one, (VOLTS, HERTZ))
    with pytest.raises(DisplayError, match="found 2 readings, expected one in a notification"):
        encode_all(build_decoder(shipped("bench-line")), (VOLTS, HERTZ))
    with pytest.raises(DisplayError, match="function: found 'hertz'"):
        DECODER.encode(HERTZ)


def test_a_count_that_the_file_does_not_call_blank_is_none() -> None:
    text = TEXT.replace("blank = [65534]", "blank = [65533]")
    blank = ROWS["hertz"].reading(None, Status.BLANK)
    frame = encode_all(DECODER, (VOLTS, blank))

    assert DECODER.decode(frame)[0][1] == blank
    (_, second), _ = build_decoder(parse_driver(text, "x")).decode(frame)
    assert (second.status, second.value) == (Status.OK, "65534")


def test_without_a_checksum_what_one_display_cannot_show_refuses_the_frame() -> None:
    text = TEXT.replace("checksum =", "#").replace(
        "reserved = [",
        "reserved = [" + "".join(f'"{byte}.{bit}", ' for byte in (12, 13) for bit in range(8)),
    )
    decoder = build_decoder(parse_driver(text, "x"))
    good = encode_all(decoder, (VOLTS, HERTZ))
    assert decoder.decode(good)[0] == (VOLTS, HERTZ)
    wrong = bytearray(good)
    wrong[7] = 9

    assert decoder.decode(bytes(wrong))[0] == (
        Refusal("second display: unknown pattern: no function has just the bits 7.0 7.3"),
    )


def test_dark_digits_and_a_dark_row_are_blank() -> None:
    driver = made("dual")
    decoder, rows = build_decoder(driver), {row.name: row for row in driver.rows}
    volts = rows["volts"].reading("1.20")
    for name in ("least", "dark"):
        blank = rows[name].reading(None, Status.BLANK)
        assert decoder.decode(encode_all(decoder, (volts, blank)))[0] == (volts, blank)
    least = rows["least"].reading("0.5")
    assert least.marks == ("low input impedance", "minimum")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('count = "second-count"', 'count = "count"', "field.count: found 2 uses of it"),
        ('count = "second-count"', 'count = "hold"', "second.value.count: found 'hold' of type"),
        ('name = "hertz"', 'name = "volts-ac"', "second.function[0].name: found 'volts-ac'"),
        ("second-function = 2", "second-function = 1", "second.function[1].when: found the same"),
        ("second-function = 2", "nothing = 1", "second.function[1].when: found 'nothing'"),
        ("blank = [65534]", "blank = [65535]", "second.value.blank: found 65535, which value.over"),
        ("blank = [65534]", 'blank = ["-"]', "second.value.blank: found '-', expected a text"),
        ('\nsecond = { function = "hertz"', "\n# { ", "example[0].second: missing"),
        ('second = { function = "hertz"', 'second = { function = "volts-ac"',
         "example[0].second.function: found 'volts-ac', expected one of hertz"),
        ('"11.7",', "", "frame: found no user for bit 11.7"),
    ],
)  # fmt: skip
def test_what_a_file_may_not_say_of_a_second_display(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(DriverError) as caught:
        parse_driver(TEXT.replace(old, new, 1), "x")
    assert said in str(caught.value)


def test_a_driver_with_one_display_has_no_second_example() -> None:
    text = (DRIVERS / "bench-count.toml").read_text("utf-8")
    text += 'second = { function = "ohms", quantity = "resistance", value = "1", unit = "Ohm" }\n'
    with pytest.raises(DriverError, match=r"example\[11\]\.second: found, but no display shows"):
        parse_driver(text, "x")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('value = "50.0"', 'value = "50.1"', "example[0]: second.value: found '50.0', expected"),
        ('frequency", unit = "kHz", status = "over"', 'frequency", unit = "kHz", value = "1"',
         "example[4]: second.value: found None"),
        ("2 = 2, 3 = 3", "3 = 3", "example[1]: refused: second display: hertz: unknown code for"),
    ],
)  # fmt: skip
def test_an_example_proves_both_displays(old: str, new: str, said: str) -> None:
    assert old in TEXT
    assert said in "\n".join(check_driver(parse_driver(TEXT.replace(old, new, 1), "x")))


def test_every_second_row_and_its_overload_have_an_example() -> None:
    head, *examples = TEXT.split("[[example]]")
    some = [example for example in examples if '"hertz"' in example]
    problems = check_driver(parse_driver("[[example]]".join([head, *some]), "x"))

    assert "second.function[1]: found no example for 'kilohertz', expected at least one" in problems
    assert "example: found no second with status 'over', expected at least one" in problems
