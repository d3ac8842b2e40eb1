import asyncio
import io
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import LinkError
from metercap.link.capture import (
    CaptureSink,
    Item,
    read_capture,
    read_header,
    replay,
    write_header,
    write_line,
)
from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.model import Frame, Instant, LinkChange, Reading

ROOT = Path(__file__).parents[2]

COUNT = 2**63 - 1
# Surrogates are no text: UTF-8 cannot carry them to a file.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
INSTANTS = st.builds(
    Instant,
    utc_ns=st.integers(0, COUNT),
    boot_ns=st.integers(0, COUNT),
    boot=TEXT,
    synced=st.booleans(),
)
FRAMES = st.builds(
    Frame,
    at=INSTANTS,
    meter=TEXT,
    source=TEXT,
    session=st.integers(0, COUNT),
    number=st.integers(0, COUNT),
    data=st.binary(max_size=40),
)
CHANGES = st.builds(
    LinkChange,
    at=INSTANTS,
    meter=TEXT,
    session=st.integers(0, COUNT),
    up=st.booleans(),
    reason=TEXT,
    facts=st.lists(st.tuples(TEXT, TEXT), max_size=3).map(tuple),
)
ITEMS = st.lists(FRAMES | CHANGES, max_size=8)


def instant(boot_ns: int, boot: str = "b1") -> Instant:
    return Instant(
        utc_ns=1_700_000_000_000_000_000 + boot_ns, boot_ns=boot_ns, boot=boot, synced=True
    )


def frame(number: int, boot_ns: int, boot: str = "b1") -> Frame:
    return Frame(instant(boot_ns, boot), "dmm", "2b18", 1, number, bytes([number]))


def text_of(items: list[Item]) -> str:
    return "\n".join([write_header(), *map(write_line, items), ""])


def played(items: list[Item], **how: object) -> list[Item]:
    out: list[Item] = []
    asyncio.run(replay(items, out.append, **how))
    return out


@given(ITEMS)
def test_a_capture_gives_back_what_was_written(items: list[Item]) -> None:
    assert list(read_capture(text_of(items))) == items


@given(ITEMS)
def test_every_item_is_one_line(items: list[Item]) -> None:
    for item in items:
        assert "\n" not in write_line(item)


@given(ITEMS)
def test_a_replay_with_its_own_instants_equals_the_original(items: list[Item]) -> None:
    assert played(items) == items


@given(ITEMS)
def test_a_restamped_replay_changes_nothing_but_the_instant(items: list[Item]) -> None:
    ticks = iter(range(len(items)))
    again = played(items, now=lambda: instant(next(ticks)))
    assert [item.at.boot_ns for item in again] == list(range(len(items)))
    assert [item._replace(at=was.at) for item, was in zip(again, items, strict=True)] == items


def test_a_frame_is_a_line_that_a_person_can_read() -> None:
    at = Instant(1_768_210_200_000_000_001, 4_200_000_000_000, "5f0c", synced=True)
    line = write_line(Frame(at, "tester", "2b18", 1, 7, b"\xa5\x01"))
    assert line == (
        '{"kind":"frame","utc":"2026-01-12T09:30:00.000000001Z","boot_ns":"4200000000000",'
        '"boot":"5f0c","synced":true,"meter":"tester","source":"2b18","session":1,"number":7,'
        '"raw":"a501"}'
    )


def test_a_header_gives_back_its_facts() -> None:
    facts = {"note": "bench", "driver of tester": "bench-count"}
    assert read_header(write_header(**facts)) == facts
    with pytest.raises(LinkError, match="capture line 1: note: 1 found, text expected"):
        read_header('{"metercap":"capture","v":1,"note":1}')


FIXTURES = {
    "spur-volts-with-a-drop.jsonl": {
        "tester": ["241.3", "241.2", "241.3", "241.4", "0.3", "0.2", "0.2", "0.2", "over", "0.40"]
    },
    "two-meters-cut-lines.jsonl": {
        "coil": ["118.2", "118.3", "118.3", "118.2", "118.2", "over"],
        "earth": ["0.42", "0.41", "over"],
    },
}


@pytest.mark.parametrize(("name", "shown"), FIXTURES.items())
def test_a_kept_capture_still_plays_and_reads_the_same(
    name: str, shown: dict[str, list[str]]
) -> None:
    text = (ROOT / "fixtures" / "captures" / name).read_text(encoding="utf-8")
    header = read_header(text)
    decoders = {}
    for meter in shown:
        path = ROOT / "drivers" / f"{header[f'driver of {meter}']}.toml"
        decoders[meter] = build_decoder(parse_driver(path.read_text(encoding="utf-8"), path.name))
    pending: dict[tuple[str, int], bytes] = {}
    got: dict[str, list[str]] = {meter: [] for meter in shown}
    for item in played(list(read_capture(text))):
        if isinstance(item, Frame):
            link = (item.meter, item.session)
            outcomes, pending[link] = decoders[item.meter].decode(item.data, pending.get(link, b""))
            for outcome in outcomes:
                assert isinstance(outcome, Reading)
                got[item.meter].append(outcome.value or outcome.status)
    assert got == shown


def waits(items: list[Item], speed: float = 1.0) -> list[float]:
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)

    played(items, sleep=sleep, speed=speed)
    return slept


def test_a_paced_replay_waits_out_the_gaps_of_the_boot_clock() -> None:
    items: list[Item] = [frame(1, 0), frame(2, 100_000_000), frame(3, 2_100_000_000)]
    assert waits(items) == [0.1, 2.0]
    assert waits(items, speed=10) == [0.01, 0.2]


def test_a_paced_replay_does_not_wait_between_boots_nor_backwards() -> None:
    items: list[Item] = [frame(1, 5_000_000_000), frame(2, 9_000_000_000, "b2"), frame(3, 1, "b2")]
    assert waits(items) == []


def test_the_sink_writes_an_item_before_it_hands_it_on() -> None:
    file = io.StringIO()
    seen: list[int] = []
    sink = CaptureSink(file, lambda _: seen.append(file.getvalue().count("\n")), note="bench")
    items: list[Item] = [frame(1, 1), LinkChange(instant(2), "dmm", 1, up=False, reason="dropped")]
    for item in items:
        sink(item)
    assert seen == [2, 3]
    assert list(read_capture(file.getvalue())) == items
    assert json.loads(file.getvalue().split("\n")[0])["note"] == "bench"


BAD_LINES = {
    "not JSON": "{",
    "expected a JSON object": "[1]",
    'kind: "beep" found, "frame" or "link" expected': {"kind": "beep"},
    "utc: 12 found, YYYY-MM-DDThh:mm:ss.nnnnnnnnnZ expected": {"utc": 12},
    'utc: "2026-02-30T00:00:00.000000000Z" found, a date and time that exist expected': {
        "utc": "2026-02-30T00:00:00.000000000Z"
    },
    'boot_ns: "1_0" found, nanoseconds as text expected': {"boot_ns": "1_0"},
    "synced: 1 found, true or false expected": {"synced": 1},
    "meter: null found, text expected": {"meter": None},
    "session: true found, a whole number expected": {"session": True},
    "number: -1 found, a whole number expected": {"number": -1},
    'raw: "abc" found, hex expected': {"raw": "abc"},
    'raw: "AB" found, lower-case hex without spaces expected': {"raw": "AB"},
    "facts: nothing found, pairs of text expected": {"kind": "link", "up": True, "reason": ""},
}


@pytest.mark.parametrize(("message", "bad"), BAD_LINES.items())
def test_a_bad_line_is_named_in_one_line_after_the_good_ones(message: str, bad: object) -> None:
    good = write_line(frame(1, 1))
    line = bad if isinstance(bad, str) else json.dumps(json.loads(good) | bad)
    items = read_capture(f"{write_header()}\n{good}\n\n{line}\n{good}")
    assert next(items) == frame(1, 1)
    with pytest.raises(LinkError) as caught:
        next(items)
    assert str(caught.value).startswith(f"capture line 4: {message}")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "capture line 1: not JSON"),
        ("{}", 'capture line 1: expected a header with "metercap": "capture"'),
        ('{"metercap":"capture","v":2}', "capture line 1: version 2 found, 1 expected"),
    ],
)
def test_a_file_that_is_no_capture_is_refused(text: str, message: str) -> None:
    with pytest.raises(LinkError, match=message.replace("(", "\\(")):
        list(read_capture(text))


@given(ITEMS.filter(bool), st.data())
def test_a_capture_cut_anywhere_gives_whole_items_or_one_clear_line(
    items: list[Item], data: st.DataObject
) -> None:
    text = text_of(items)
    cut = data.draw(st.integers(0, len(text)))
    got: list[Item] = []
    said = "capture line "
    try:
        for item in read_capture(text[:cut]):
            got.append(item)  # noqa: PERF402  what came before the error counts
    except LinkError as error:
        said = str(error)
    assert said.startswith("capture line ")
    assert got == items[: len(got)]
    assert len(got) >= text[:cut].count("\n") - 1
