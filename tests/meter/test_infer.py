"""Labelled frames become a driver file that reads what was never labelled, or none at all."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from meter.layouts import FAMILIES, Display, Labelled, Meter
from meter.strategies import shipped

from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder
from metercap.meter.description import Driver, FrameDriver, parse_driver
from metercap.meter.infer import Inference, infer, parse_samples
from metercap.model import Reading, Refusal, Status

NOTIFY = "5e6d0002-9a1c-4b57-8f2e-6b1d3c7a9f10"


def inferred(labelled: list[Labelled]) -> Inference:
    lines = "".join(f"{sample.frame.hex()},{sample.shown}\n" for sample in labelled)
    return infer(parse_samples(f"hex,shown\n{lines}", "samples.csv"), "bench", NOTIFY)


def driver_of(inference: Inference) -> Driver:
    assert inference.driver_text is not None, inference.reason
    return parse_driver(inference.driver_text, "bench.toml")


def differences(meter: Meter, driver: Driver, displays: list[Display]) -> list[str]:
    """Fresh displays that are not read as they were shown."""
    decoder = build_decoder(driver)
    wrong = []
    for display in displays:
        (outcome,), _ = decoder.decode(meter.frame(display))
        status = Status.OVER if display.count is None else Status.OK
        wanted = (display.value, status, *display.row.function)
        if isinstance(outcome, Refusal):
            wrong.append(f"{display.shown}: {outcome.reason}")
        elif (
            outcome.value,
            outcome.status,
            *outcome[0:1],
            *outcome[2:3],
            outcome.coupling,
        ) != wanted:
            wrong.append(f"{display.shown}: {outcome}")
    return wrong


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", [1, 2, 4])
def test_every_family_is_found_without_being_told_which(family: str, seed: int) -> None:
    meter = Meter(family, seed)
    labelled = meter.labels(25, guided=True)
    driver = driver_of(inferred(labelled))

    assert check_driver(driver) == []
    assert differences(meter, driver, meter.fresh(50, labelled)) == []


@pytest.mark.parametrize("family", FAMILIES)
def test_late_labels_and_frames_of_other_kinds_are_left_out_and_named(family: str) -> None:
    meter = Meter(family, 5)
    labelled = meter.labels(25, guided=True, wrong=2, others=2)
    inference = inferred(labelled)
    driver = driver_of(inference)

    bad = {
        f"line {n + 2}"
        for n, sample in enumerate(labelled)
        if sample.true is None or sample.true.shown != sample.shown
    }
    assert bad <= {text.split(":")[0] for text in inference.left_out}
    assert check_driver(driver) == []
    assert differences(meter, driver, meter.fresh(50, labelled)) == []


def test_the_same_samples_give_the_same_file() -> None:
    labelled = Meter("seg7", 1).labels(25, guided=True)

    assert inferred(labelled) == inferred(labelled)


def test_the_link_is_what_the_caller_knows() -> None:
    driver = driver_of(inferred(Meter("count", 1).labels(25, guided=True)))

    assert (driver.link.notify, driver.id, driver.match.name) == (NOTIFY, "bench", "bench")


def test_too_few_samples_give_none_and_ask_for_more() -> None:
    inference = inferred(by_hand(COUNTS[:7]))

    assert inference.driver_text is None
    assert inference.reason == "found 7 labelled frames, expected at least 8"
    assert inference.next_states


def plain(count: int, *, over: bool = False, spare: int = 0) -> bytes:
    """A frame made here by hand: header, count with a high bit for overload, one spare byte."""
    return bytes([0xC5, count & 0xFF, count >> 8 | (0x80 if over else 0), spare])


def by_hand(counts: list[int], *, overs: int = 0) -> list[Labelled]:
    samples = [Labelled(plain(n), f"{n / 10:.1f} V DC", None) for n in counts]
    return samples + [Labelled(plain(0, over=True), "OL V DC", None)] * overs


COUNTS = [1234, 77, 905, 2301, 3999, 1500, 2048, 3333, 12, 640, 1023, 2999, 3071, 511, 258, 1792]


def test_a_missing_overload_is_asked_for() -> None:
    inference = inferred(by_hand(COUNTS))

    assert inference.driver_text is None
    assert "an overload (OL) in a function that has also shown a number" in inference.next_states


def test_an_overload_seen_once_is_taken_where_the_label_cannot_be_late() -> None:
    driver = driver_of(inferred(by_hand(COUNTS, overs=1)))
    decode = build_decoder(driver).decode

    (number,), _ = decode(plain(2222))
    (over,), _ = decode(plain(3, over=True))
    assert isinstance(number, Reading)
    assert isinstance(over, Reading)
    assert (number.value, over.status) == ("222.2", Status.OVER)


def test_what_was_never_seen_is_refused_not_guessed() -> None:
    inference = inferred(by_hand(COUNTS, overs=1))
    decode = build_decoder(driver_of(inference)).decode

    # The count's thirteenth bit, the header and the spare byte never moved in any sample.
    for frame in (plain(4096), b"\xc4" + plain(77)[1:], plain(77, spare=1)):
        (outcome,), _ = decode(frame)
        assert isinstance(outcome, Refusal)
    assert any("above 4095" in asked for asked in inference.next_states)


def test_an_overload_means_more_than_the_highest_number_seen() -> None:
    driver = driver_of(inferred(by_hand(COUNTS, overs=1)))

    assert [row.ceiling for row in driver.function] == ["399.9"]


def test_functions_that_no_bit_tells_apart_give_none() -> None:
    samples = by_hand(COUNTS, overs=1)
    mixed = [
        s._replace(shown=s.shown.replace("DC", "AC")) if n % 2 else s for n, s in enumerate(samples)
    ]
    inference = inferred(mixed)

    assert inference.driver_text is None
    assert (
        inference.reason == "function: no bit tells V dc with 1 decimals from V ac with 1 decimals"
    )


def test_labels_that_have_nothing_to_do_with_the_frames_give_none() -> None:
    counts = COUNTS[1:] + COUNTS[:1]
    samples = [Labelled(plain(n * 7919 % 4001), f"{n / 10:.1f} V DC", None) for n in counts]

    assert inferred(samples).driver_text is None


@pytest.mark.parametrize("name", ["bench-segments", "bench-count", "bench-line"])
def test_a_shipped_driver_is_found_again_from_its_frames(name: str) -> None:
    """Frames are the engine's here; the labels, and what is found, are not."""
    known = shipped(name)
    coder = build_decoder(known)
    rows = [row for row in known.function if not getattr(row, "marks", ())][:7]
    counts = [1234, 5678, 9012, 3456, 7890, 2345, 6789, 123, 4567, 8901, 975, 8642, 2009, 1357]
    labelled: list[Labelled] = []
    for turn, count in enumerate([*counts, *reversed(counts)]):
        row = rows[turn % len(rows)]
        places = len(row.ceiling.partition(".")[2])
        digits = str(count).zfill(places + 1)
        value = f"{digits[:-places]}.{digits[-places:]}" if places else digits
        if row.coupling == "dc" and turn % 3 == 0:
            value = f"-{value}"
        labelled.append(said(coder, row.reading(value)))
    for row in rows[:3]:
        labelled.insert(7, said(coder, row.reading(None, Status.OVER)))
    again = build_decoder(driver_of(inferred(labelled)))

    for row in rows:
        places = len(row.ceiling.partition(".")[2])
        frame = coder.encode(row.reading(f"{'2468'[:-places]}.{'2468'[-places:]}"))
        (outcome,), _ = again.decode(frame)
        assert isinstance(outcome, Reading), outcome
        assert (outcome.quantity, outcome.unit, outcome.coupling) == (
            row.quantity,
            row.unit,
            None if row.coupling == "none" else row.coupling,
        )
        assert outcome.value == f"{'2468'[:-places]}.{'2468'[-places:]}"


def said(coder: object, reading: Reading) -> Labelled:
    """A reading as its frame and the words for it."""
    what = reading.value if reading.value is not None else "OL"
    shown = f"{what} {reading.unit} {(reading.coupling or '').upper()}".strip()
    return Labelled(coder.encode(reading), shown, None)  # type: ignore[attr-defined]


def test_segments_that_no_digit_told_are_asked_for_and_refused() -> None:
    """Without a 2 in the last place its lower right stroke never goes dark there."""
    for seed in range(40):
        meter = Meter("seg7", seed)
        labelled = [
            sample
            for sample in meter.labels(60, guided=True)
            if sample.true is None or sample.true.count is None or abs(sample.true.count) % 10 != 2
        ]
        inference = inferred(labelled)
        if not any(
            " 2 " in asked and f"digit {meter.digits} " in asked for asked in inference.next_states
        ):
            continue  # an overload's L told it
        decode = build_decoder(driver_of(inference)).decode
        row, places = meter.rows[0], meter.rows[0].decimals[0]
        (outcome,), _ = decode(meter.frame(Display(row, 112, places)))
        assert isinstance(outcome, Refusal)
        return
    raise AssertionError("expected one of the meters to lack the stroke")


FRAMES = st.binary(min_size=1, max_size=12)
SHOWN = st.builds(
    lambda what, unit: f"{what} {unit}",
    st.one_of(st.decimals(-9999, 9999, places=1).map(str), st.just("OL")),
    st.sampled_from(["V DC", "V AC", "kOhm"]),
)


@given(st.lists(st.tuples(st.binary(min_size=6, max_size=6) | FRAMES, SHOWN), max_size=30))
@settings(max_examples=60, deadline=None)
def test_random_samples_never_raise_and_never_give_a_file_that_fails(
    pairs: list[tuple[bytes, str]],
) -> None:
    text = "".join(f"{frame.hex()},{shown}\n" for frame, shown in pairs)
    if not text:
        return
    inference = infer(parse_samples(f"hex,shown\n{text}", "s.csv"), "bench")

    if inference.driver_text is None:
        assert inference.reason
    else:
        assert check_driver(parse_driver(inference.driver_text, "bench")) == []


# The same meters each time: how seldom a search by chance may err is for tests/bench to measure.
@given(st.sampled_from(FAMILIES), st.integers(0, 10**9), st.integers(8, 40), st.data())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_meter_is_ever_read_as_another_number(
    family: str, seed: int, count: int, data: st.DataObject
) -> None:
    meter = Meter(family, seed)
    late = data.draw(st.integers(0, count // 8))
    labelled = meter.labels(count, guided=data.draw(st.booleans()), wrong=late, others=1)
    inference = inferred(labelled)
    if inference.driver_text is None:
        return
    driver = driver_of(inference)
    assert check_driver(driver) == []
    assert not isinstance(driver, FrameDriver) or driver.frame.length > 0
    wrong = differences(meter, driver, meter.fresh(40, labelled))
    assert [text for text in wrong if "Reading(" in text] == []
