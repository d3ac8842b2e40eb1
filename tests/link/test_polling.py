"""Meters that are asked: what is asked when, on a clock of the test's own and over both airs."""

from __future__ import annotations

import asyncio
import heapq
import itertools
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import pytest
from cli.command import metercap_
from fake_bluez import BluezProcess, FakeBluez, _path, private_bus
from hypothesis import given
from hypothesis import strategies as st
from meter.strategies import made, shipped

from metercap.daemon import Daemon, DeclaredMeter
from metercap.derive import Derivation, Shown
from metercap.errors import LinkError, LinkLost, LinkSilent
from metercap.journal.entry import CLAIM
from metercap.journal.store import Writer
from metercap.link.bluetooth import LIMITS, Radio, supervise
from metercap.link.bluetooth.bumble_radio import bumble_radio
from metercap.link.polling import GAP_S, MARK_TIMES, Polling
from metercap.link.responder import Responder
from metercap.link.virtual import Air, VirtualMeter
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import LineDriver, driver_from_json, driver_to_json
from metercap.meter.reply import Asked, find_asked
from metercap.model import Frame, Instant, LinkChange, Reading, Refusal
from metercap.procedure.description import parse_procedure
from metercap.visit import target_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
    from pathlib import Path

    from metercap.model import Outcome

METER = shipped("bench-scpi")
ONE = made("polled")
assert isinstance(METER, LineDriver)
assert isinstance(ONE, LineDriver)
AC, DC, HZ = METER.poll.queries
VOLTS = METER.function[0]
WHO = b"Invented,bench,7,1.0\n"
EVERY_S, TIME_OUT_S = 0.5, 2.0
GUARD_S = 30.0  # against hanging only


def polling(driver: LineDriver = METER) -> Polling:
    assert driver.poll is not None
    return Polling(driver, driver.poll)


def in_step() -> Polling:
    """A meter that has said at 0 s who it is."""
    one = polling()
    assert one.due(0.0) == b"*IDN?\n"
    assert one.heard(WHO, 0.0) == "1.1 *IDN?"
    return one


# ---- what is asked when ----


def test_a_meter_is_first_asked_who_it_is_then_in_turn_and_never_twice_at_once() -> None:
    one = in_step()
    now_s = one.wake_s
    assert now_s == GAP_S
    asked = []
    for number in range(2, 8):
        query = one.due(now_s)
        asked.append((query, round(now_s, 3)))
        assert one.due(now_s) is None  # the last is not answered
        assert one.heard(b"+1.5\n", now_s).startswith(f"{number}.1 ")
        assert one.due(now_s) is None  # it is not time
        now_s = one.wake_s
    texts = [f"{query}\n".encode() for query in (AC, DC, HZ)] * 2
    assert asked == [(text, round(GAP_S + n * EVERY_S, 3)) for n, text in enumerate(texts)]


def test_the_time_out_begins_when_the_query_has_been_written() -> None:
    one = in_step()
    one.due(1.0)
    one.sent(2.5)
    assert one.wake_s == 2.5 + TIME_OUT_S


def test_after_a_time_out_nothing_counts_until_the_meter_has_said_who_it_is() -> None:
    one = in_step()
    assert one.due(1.0) == b"MEAS:VOLT:AC?\n"
    assert one.due(1.0 + TIME_OUT_S) is None
    assert one.due(one.wake_s) == b"*IDN?\n"
    assert one.heard(b"+9.99\n", 3.2) == "3.1 *IDN?"
    assert one.due(3.3) is None
    assert one.heard(WHO, 3.4) == "3.2 *IDN?"
    assert one.due(one.wake_s) == b"SYST:ERR?\n"
    one.heard(b'-113,"Undefined header"\n', 3.6)
    assert one.due(one.wake_s) == b"SYST:ERR?\n"
    one.heard(b'0,"No error"\n', 3.8)
    assert one.due(one.wake_s) == b"MEAS:VOLT:DC?\n"


def test_what_is_no_answer_is_followed_by_the_same_questions() -> None:
    one = in_step()
    one.due(1.0)
    one.heard(b"nonsense\n", 1.1)
    assert one.due(one.wake_s) == b"*IDN?\n"
    one.heard(WHO, 2.0)
    assert one.due(one.wake_s) == b"SYST:ERR?\n"


def test_what_comes_unasked_is_known_for_it() -> None:
    one = in_step()
    assert one.heard(b"+1.5\n", 0.05) == ""
    assert one.due(one.wake_s) == b"*IDN?\n"


def test_a_meter_that_does_not_say_who_it_is_ends_the_link() -> None:
    one = polling()
    one.due(0.0)
    assert one.wake_s == MARK_TIMES * TIME_OUT_S
    with pytest.raises(LinkSilent, match=r"did not answer \*IDN\? within 6 s"):
        one.due(one.wake_s)


def test_an_error_query_without_answer_is_asked_once() -> None:
    one = in_step()
    asked = []
    for _ in range(20):
        query = one.due(one.wake_s)
        if query == b"*IDN?\n":
            one.heard(WHO, one.wake_s)
        asked += [query] if query else []
    assert asked.count(b"SYST:ERR?\n") == 1
    assert asked.count(b"MEAS:VOLT:AC?\n") > 1


def test_an_error_queue_without_end_does_not_stop_the_readings() -> None:
    one = in_step()
    one.due(1.0)
    one.heard(b"nonsense\n", 1.0)
    asked = []
    for _ in range(15):
        query = one.due(one.wake_s)
        asked.append(query)
        one.heard(WHO if query == b"*IDN?\n" else b'-113,"Undefined header"\n', one.wake_s)
        if query == b"MEAS:VOLT:DC?\n":
            break
    assert asked[-1] == b"MEAS:VOLT:DC?\n"


def test_without_that_question_a_time_out_ends_the_link() -> None:
    one = polling(ONE)
    assert one.due(0.0) == b"MEAS:VOLT:DC?\r\n"
    with pytest.raises(LinkSilent, match=r"did not answer MEAS:VOLT:DC\? within 1 s"):
        one.due(one.wake_s)


def test_without_that_question_it_waits_until_nothing_more_comes_unasked() -> None:
    one = polling(ONE)
    one.due(0.0)
    one.heard(b"+1.5\r\n", 0.5)
    assert one.heard(b"+1.5\r\n", 0.5) == ""
    assert one.wake_s == 1.5
    assert one.heard(b"+1.5\r\n", 1.4) == ""
    assert one.due(1.5) is None
    assert one.due(2.4) == b"MEAS:VOLT:DC?\r\n"


def test_without_that_question_what_is_no_answer_ends_the_link() -> None:
    one = polling(ONE)
    one.due(0.0)
    one.heard(b"?!\r\n", 0.5)
    with pytest.raises(LinkLost, match="its answer may yet come"):
        one.due(one.wake_s)


def test_without_that_question_half_a_line_ends_the_link() -> None:
    one = polling(ONE)
    one.due(0.0)
    one.heard(b"+1.5\r\n", 0.5)
    one.heard(b"+1.", 0.6)
    with pytest.raises(LinkSilent, match="stopped in the middle of a line"):
        one.due(one.wake_s)


# ---- whatever the meter does, no number is that of another query ----


class Instrument:
    """A meter that answers in order, but late, in parts, cut short, or not at all.

    `values` maps the number of each query to the value that is its answer; no two are alike.
    """

    def __init__(self, driver: LineDriver, deeds: Iterator[tuple[float, str, list[int]]]) -> None:
        assert driver.poll is not None
        self.values: dict[int, str] = {}
        self._asked = 0
        self.events: list[tuple[float, int, bytes]] = []
        self._poll = driver.poll
        self._end = bytes.fromhex(driver.line.terminator)
        self._deeds = deeds
        self._count = itertools.count()
        self._free_s = 0.0

    def ask(self, data: bytes, now_s: float) -> None:
        query = data.decode().rstrip("\r\n")
        self._asked += 1
        delay_s, deed, cuts = next(self._deeds, (0.0, "answer", []))
        self._free_s = max(self._free_s, now_s) + delay_s / 2
        if deed == "ignore":
            return
        text = self._text(query)
        if deed == "cut":
            text = text[: len(text) // 2]
        parts = [text[a:b] for a, b in itertools.pairwise([0, *sorted(cuts), len(text)])]
        for part in parts:
            self._free_s += delay_s / 2  # parts may lie further apart than a time-out
            self._send(part)
        if deed == "repeat":
            self._send(parts[-1])
        if deed == "junk":
            self._send(b"?!" + self._end)

    def _send(self, data: bytes) -> None:
        if data:
            heapq.heappush(self.events, (self._free_s, next(self._count), data))

    def _text(self, query: str) -> bytes:
        if query == self._poll.identify:
            return b"Invented,bench,7,1.0" + self._end
        if query == self._poll.error_query:
            return b'0,"No error"' + self._end
        number = 1000 * (1 + self._poll.queries.index(query)) + next(self._count)
        self.values[self._asked] = f"{number}.25"
        return f"+{number}.25".encode() + self._end


DEEDS = st.lists(
    st.tuples(
        st.sampled_from([0.0, 0.0, 0.03, 0.7, 1.9, 2.1, 3.0, 5.0]),
        st.sampled_from(["answer", "answer", "ignore", "cut", "repeat", "junk"]),
        st.lists(st.integers(1, 20), max_size=3),
    ),
    max_size=30,
)


def conversation(
    driver: LineDriver, deeds: list[tuple[float, str, list[int]]], rounds: int = 60
) -> tuple[list[tuple[str, bytes]], Instrument]:
    """The frames of one connection, as (source, data)."""
    one, meter, now_s = polling(driver), Instrument(driver, iter(deeds)), 0.0
    frames = []
    for _ in range(rounds):
        if meter.events and meter.events[0][0] <= max(now_s, one.wake_s):
            at_s, _, data = heapq.heappop(meter.events)
            now_s = max(now_s, at_s)
            frames.append((f"c1 {one.heard(data, now_s)}".strip(), data))
            continue
        now_s = max(now_s, one.wake_s)
        try:
            query = one.due(now_s)
        except LinkError:
            break
        if query is not None:
            meter.ask(query, now_s)
    return frames, meter


def read(
    driver: LineDriver, frames: list[tuple[str, bytes] | None]
) -> list[tuple[Asked | None, Outcome]]:
    """What the frames say, and what was asked; None is one that the journal lost."""
    decoder, pending, outcomes = build_decoder(driver), b"", []
    for frame in frames:
        if frame is None:
            pending = b""
            continue
        some, pending = decode_frame(decoder, *frame, pending)
        outcomes += [(find_asked(frame[0]), one) for one in some]
    return outcomes


def wrong(
    driver: LineDriver, meter: Instrument, outcomes: list[tuple[Asked | None, Outcome]]
) -> list[Reading]:
    """The readings that are not what the meter answered to the very query that they are kept with.

    A late value of the same function is one of them.
    """
    rows = {row.query: row.name for row in driver.function}
    return [
        one
        for asked, one in outcomes
        if isinstance(one, Reading)
        and (
            asked is None
            or one.value != meter.values.get(asked.number)
            or one.function != rows[asked.query]
        )
    ]


@pytest.mark.parametrize("driver", [METER, ONE], ids=lambda driver: driver.id)
@given(deeds=DEEDS)
def test_every_number_is_the_answer_to_the_query_that_it_is_kept_with(
    driver: LineDriver, deeds: list[tuple[float, str, list[int]]]
) -> None:
    frames, meter = conversation(driver, deeds)
    outcomes = read(driver, frames)
    assert wrong(driver, meter, outcomes) == []


@given(deeds=DEEDS, lost=st.sets(st.integers(0, 60)))
def test_nor_is_one_when_frames_are_missing_from_the_journal(
    deeds: list[tuple[float, str, list[int]]], lost: set[int]
) -> None:
    frames, meter = conversation(METER, deeds)
    kept = [None if place in lost else frame for place, frame in enumerate(frames)]
    assert wrong(METER, meter, read(METER, kept)) == []


def test_a_meter_in_good_order_is_read_whole() -> None:
    frames, meter = conversation(METER, [(0.03, "answer", [3, 5])] * 100, rounds=200)
    outcomes = read(METER, frames)
    assert len(outcomes) > 20
    assert all(isinstance(one, Reading) for _, one in outcomes)
    assert {one.function for _, one in outcomes} == {row.name for row in METER.function}
    assert wrong(METER, meter, outcomes) == []


def test_a_meter_comes_back_after_every_trouble() -> None:
    deeds = [
        "answer",
        "ignore",
        "answer",
        "answer",
        "cut",
        "answer",
        "answer",
        "repeat",
        "answer",
        "junk",
        "junk",
    ]
    frames, meter = conversation(METER, [(0.0, deed, []) for deed in deeds], rounds=100)
    outcomes = read(METER, frames)
    assert sum(isinstance(one, Refusal) for _, one in outcomes) >= 4
    assert all(isinstance(one, Reading) for _, one in outcomes[-5:])
    assert wrong(METER, meter, outcomes) == []


# ---- over the air ----


def run(scenario: Callable[[], Coroutine[Any, Any, None]]) -> None:
    async def guarded() -> None:
        async with asyncio.timeout(GUARD_S):
            await scenario()

    asyncio.run(guarded())


def quick(**changes: str) -> LineDriver:
    """The shipped meter, asked as fast as it answers."""
    table: Any = driver_to_json(METER)
    table["poll"] |= {"every": "0.001 s", **changes}
    driver = driver_from_json(table, "quick")
    assert isinstance(driver, LineDriver)
    return driver


class Heard:
    """Frames with what they say, and a way to wait for more."""

    def __init__(self, driver: LineDriver) -> None:
        self.frames: list[Frame] = []
        self.changes: list[LinkChange] = []
        self.outcomes: list[Outcome] = []
        self._decoder, self._pending = build_decoder(driver), b""
        self._more = asyncio.Event()

    def __call__(self, item: Frame | LinkChange) -> None:
        if isinstance(item, Frame):
            some, self._pending = decode_frame(self._decoder, item.source, item.data, self._pending)
            self.frames.append(item)
            self.outcomes += some
        else:
            self.changes.append(item)
            self._pending = b""
        self._more.set()

    async def until(self, is_enough: Callable[[Heard], bool]) -> None:
        while not is_enough(self):
            self._more.clear()
            await self._more.wait()


def ticks() -> Callable[[], Instant]:
    count = itertools.count(1)

    def now() -> Instant:
        tick = 1000 * next(count)
        return Instant(tick, tick, "boot", synced=True)

    return now


@asynccontextmanager
async def supervised(radio: Radio, driver: LineDriver, address: str) -> AsyncIterator[Heard]:
    heard = Heard(driver)
    target = target_of(DeclaredMeter("bench", address, driver))
    limits = LIMITS._replace(backoff_first_s=0.01)
    task = asyncio.create_task(supervise(radio, target, ticks(), heard, limits=limits))
    try:
        yield heard
    finally:
        task.cancel()
        await asyncio.wait({task})


@asynccontextmanager
async def on_air(driver: LineDriver, mtu: int = 23) -> AsyncIterator[tuple[VirtualMeter, Heard]]:
    address = "F0:00:00:00:00:01"
    async with Air(interval_ms=20) as air:
        meter = air.meter(driver, "BENCH-SCPI 1", address)
        meter._device.gatt_server.max_mtu = mtu
        await meter.on()
        async with (
            bumble_radio(await air.host()) as radio,
            supervised(radio, driver, address) as heard,
        ):
            yield meter, heard


def test_the_virtual_meter_answers_with_what_it_shows_in_parts_of_20_bytes() -> None:
    async def scenario() -> None:
        async with on_air(quick()) as (meter, heard):
            await meter.send_reading(VOLTS.reading("230.1450"))
            await heard.until(lambda box: len(box.outcomes) >= 3)
        who = [frame for frame in heard.frames if frame.source.endswith("*IDN?")]
        assert b"".join(frame.data for frame in who).startswith(b"metercap,bench meter,bench-f0")
        assert all(len(frame.data) <= 20 for frame in heard.frames)
        assert len(who) > 1
        assert heard.outcomes[0] == VOLTS.reading("230.1450")
        # Nothing has been measured yet in the other functions.
        assert [one.status for one in heard.outcomes[1:3]] == ["invalid", "invalid"]

    run(scenario)


def test_a_query_longer_than_the_link_carries_is_written_in_parts() -> None:
    long = "MEASURE:SCALAR:VOLTAGE:AC? MAXIMUM"
    table: Any = driver_to_json(quick())
    table["poll"]["send"][0] = table["function"][0]["query"] = long
    driver = driver_from_json(table, "long")
    assert isinstance(driver, LineDriver)

    async def scenario() -> None:
        async with on_air(driver) as (meter, heard):
            await meter.send_reading(driver.function[0].reading("1.5"))
            await heard.until(lambda box: bool(box.outcomes))
            assert heard.outcomes[0] == driver.function[0].reading("1.5")
            assert max(len(part) for part in meter.written) == 20
            assert b"".join(meter.written).startswith(f"*IDN?\n{long}\n".encode())

    run(scenario)


def test_half_an_answer_does_not_survive_the_link() -> None:
    async def scenario() -> None:
        async with on_air(quick()) as (meter, heard):
            await heard.until(lambda box: len(box.outcomes) >= 1)
            await meter.send(b"+12")
            await meter.drop()
            await heard.until(lambda box: sum(change.up for change in box.changes) == 2)
            told = len(heard.outcomes)
            await heard.until(lambda box: len(box.outcomes) >= told + 3)
        second = [frame for frame in heard.frames if frame.session == 2]
        assert second[0].source.endswith(" 1.1 *IDN?")
        assert all(isinstance(one, Reading) for one in heard.outcomes[told:])

    run(scenario)


PROCEDURE = """
id = "look"
title = "Look"
version = "1"
caution = ["none"]
[[step]]
id = "supply"
title = "Supply"
do = "Probes on the supply."
say = "Supply."
quantity = "voltage"
mode = "ac"
expect = { above = "200 V" }
source = "common practice"
start = "begin"
"""


def test_readings_come_from_the_journal_alone(tmp_path: Path) -> None:
    driver = quick()
    procedure = parse_procedure(PROCEDURE, "look.toml")

    async def scenario() -> None:
        shown: list[Shown] = []
        writer = await Writer.open(tmp_path / "journal.sqlite", "log")
        try:
            daemon = Daemon(
                writer,
                ticks(),
                lambda effect: shown.append(effect) if isinstance(effect, Shown) else None,
            )
            await daemon.start()
            meters = [DeclaredMeter("bench", "F0:00:00:00:00:01", driver)]
            job = await daemon.open_job(
                procedure, meters, who="A. Tester", where="bench", practice=True
            )
            async with on_air(driver) as (meter, heard):
                await meter.send_reading(VOLTS.reading("230.1450"))
                await heard.until(lambda box: len(box.outcomes) >= 6)
            items: list[Frame | LinkChange] = [heard.changes[0], *heard.frames]
            for item in items:
                daemon.put(item)
            await daemon.flush()
            entries = await writer.call(lambda journal: list(journal.entries(job)))
        finally:
            await writer.close()
        assert [one.outcome for one in shown] == heard.outcomes
        # An auditor has the entries and nothing else.
        derivation = Derivation()
        again = [
            effect.outcome
            for entry in entries
            if entry.kind != CLAIM
            for effect in derivation.feed(entry)
            if isinstance(effect, Shown)
        ]
        assert again == heard.outcomes
        assert derivation.frames == len(heard.frames)

    run(scenario)


# ---- over the played Bluetooth service, with the real client library ----

ADDRESS = "AA:BB:CC:00:00:01"
ON_BLUEZ = {
    "address": ADDRESS,
    "name": "BENCH-SCPI 1",
    "service": METER.match.service,
    "notify": METER.link.notify,
    "write": METER.link.write,
}


def test_the_real_client_library_asks_and_hears() -> None:
    driver = quick()

    async def scenario() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(**ON_BLUEZ)
            assert driver.poll is not None
            meter = Responder(driver, driver.poll, "7")
            meter.show(VOLTS.reading("230.1450"))
            bluez.responders[_path(ADDRESS)] = meter.take
            async with supervised(radio, driver, ADDRESS) as heard:
                await heard.until(lambda box: len(box.outcomes) >= 6)
        assert heard.outcomes[0] == heard.outcomes[3] == VOLTS.reading("230.1450")
        assert not any(isinstance(one, Refusal) for one in heard.outcomes)

    with private_bus():
        run(scenario)


def test_a_value_that_the_service_tells_twice_is_refused_the_second_time() -> None:
    driver = quick()

    async def scenario() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(**ON_BLUEZ)
            assert driver.poll is not None
            bluez.responders[_path(ADDRESS)] = Responder(driver, driver.poll, "7").take
            async with supervised(radio, driver, ADDRESS) as heard:
                await heard.until(lambda box: len(box.outcomes) >= 1)
                bluez.fault("duplicate", times=1)
                await heard.until(lambda box: any(isinstance(one, Refusal) for one in box.outcomes))
                told = len(heard.outcomes)
                await heard.until(lambda box: len(box.outcomes) >= told + 3)
        refused = [one.reason for one in heard.outcomes if isinstance(one, Refusal)]
        assert all("unasked" in one or "after the answer" in one for one in refused)
        assert all(isinstance(one, Reading) for one in heard.outcomes[-3:])

    with private_bus():
        run(scenario)


def test_a_meter_that_says_nothing_is_connected_anew_until_it_does() -> None:
    driver = quick(time_out="0.3 s")

    async def scenario() -> None:
        async with FakeBluez() as bluez, Radio() as radio:
            bluez.meter(**ON_BLUEZ)
            async with supervised(radio, driver, ADDRESS) as heard:
                await heard.until(lambda box: any(not change.up for change in box.changes))
                assert driver.poll is not None
                bluez.responders[_path(ADDRESS)] = Responder(driver, driver.poll, "7").take
                await heard.until(lambda box: len(box.outcomes) >= 1)
        downs = [change.reason for change in heard.changes if not change.up]
        assert downs[0] == "the meter did not answer *IDN? within 0.9 s"
        assert heard.frames[0].session == 2
        assert heard.frames[0].source == f"{METER.link.notify} 1.1 *IDN?"

    with private_bus():
        run(scenario)


def test_watch_prints_readings_and_the_words_of_the_meter(tmp_path: Path) -> None:
    answers = {
        "*IDN?": ["Invented,bench,7,1.0"],
        "MEAS:VOLT:AC?": ["+2.301450E+02"],
        "MEAS:VOLT:DC?": ["+9.9E37"],
        "MEAS:FREQ?": ["5 apples"],
        "SYST:ERR?": ['-113,"Undefined header"', '0,"No error"'],
    }
    with private_bus(), BluezProcess() as bluez:
        bluez.send({"do": "meter", **ON_BLUEZ})
        bluez.send({"do": "answer", "address": ADDRESS, "answers": answers})
        watched = metercap_("watch", ADDRESS, "--seconds", "4", "--data", tmp_path)
    assert watched.code == 0, watched
    said = [line.split("  ", 1)[1] for line in watched.lines]
    assert said[:2] == ["230.1450 V ac", "more than 1000.000 V dc"]
    assert said[2].startswith("refused: unknown pattern: found '5 apples'")
    assert said[3] == "refused: the meter reports error -113: Undefined header"
    assert said[4] == "230.1450 V ac"


def test_answers_are_decoded_by_hand_with_the_query_before_them() -> None:
    answers = [
        ("MEAS:VOLT:AC? ", b"+2.301450E+02\n"),
        ("MEAS:FREQ? ", b"50.01\n"),
        ("SYST:ERR? ", b'-113,"Undefined header"\n'),
        ("", b"50.01\n"),
    ]
    typed = "\n".join(query + line.hex(" ") for query, line in answers)
    told = metercap_("drivers", "decode", "bench-scpi", typed=typed)
    assert told.code == 1
    assert told.lines == [
        "230.1450 V ac",
        "50.01 Hz",
        "refused: the meter reports error -113: Undefined header",
        "refused: line: found '50.01', and nothing says what was asked",
    ]
