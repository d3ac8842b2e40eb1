"""A step that is left running: marks, gaps, restarts, clocks, events and the verdict on a week."""

from __future__ import annotations

import sys
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from sequence.walking import PERSON, library, reading, written

from metercap.errors import ProcedureError
from metercap.model import NS_PER_S, Instant
from metercap.sequence.effect import Claim, Progress, Signal
from metercap.sequence.event import Begun, Chosen, Linked, Measured, Restarted, TakenOver
from metercap.sequence.walk import FINISH_LOG, Walk

if TYPE_CHECKING:
    from metercap.sequence.effect import Effect
    from metercap.sequence.event import Event

STEP = """
id = "log"
title = "Log"
version = "1"
[[step]]
id = "volts"
title = "Volts"
do = "Leave it."
say = "Log."
source = "a test"
quantity = "voltage"
mode = "ac"
expect = { between = ["207.0 V", "253.0 V"] }
start = "begin"
on_fail = "go-on"
log = { LOG }
"""
HOUR = 'lasting = "1 h", event = ["207.0 V", "253.0 V"], gone = "11.5 V"'
MARK_NS = 1_795_392_000 * NS_PER_S  # a ten-minute mark, and midnight
MINUTE_NS = 60 * NS_PER_S


class Log:
    """A log, read every ten seconds unless told otherwise, beginning at a mark."""

    def __init__(self, table: str = HOUR, rule: str = "guarded") -> None:
        text = STEP.replace("LOG", table) + f'rule = "{rule}"\n'
        self.walk = Walk(written(text), PERSON, {"meter": 10 * NS_PER_S})
        self.effects: list[Effect] = list(self.walk.start())
        self.utc_ns, self.boot_ns, self.boot, self.synced = MARK_NS, 1000 * NS_PER_S, "a", True
        self.seq = 0
        self.by = PERSON
        self.feed(Begun(*self.when(), PERSON, "volts"))

    def when(self) -> tuple[Instant, int]:
        self.seq += 1
        return Instant(self.utc_ns, self.boot_ns, self.boot, self.synced), self.seq

    def feed(self, event: Event) -> None:
        self.effects += self.walk.feed(event)

    def wait(self, seconds: float) -> None:
        self.utc_ns += int(seconds * NS_PER_S)
        self.boot_ns += int(seconds * NS_PER_S)

    def show(self, text: str, minutes: float, every_s: float = 10, mode: str | None = "ac") -> None:
        shown = reading(text, mode)
        for _ in range(round(minutes * 60 / every_s)):
            self.feed(Measured(*self.when(), "meter", shown))
            self.wait(every_s)

    def restart(self, boot: str = "b", *, synced: bool = True) -> None:
        if boot != self.boot:
            self.boot, self.boot_ns = boot, NS_PER_S
        self.synced = synced
        self.feed(Restarted(*self.when()))

    def finish(self) -> None:
        self.feed(Chosen(*self.when(), self.by, FINISH_LOG))

    def of(self, kind: str) -> list[dict[str, object]]:
        claims = (effect.body for effect in self.effects if isinstance(effect, Claim))
        return [body for body in claims if body["claim"] == kind]

    @property
    def attempt(self) -> dict[str, object]:
        (found,) = self.of("attempt")
        return found

    def count(self, *names: str) -> tuple[object, ...]:
        log = self.attempt["log"]
        assert isinstance(log, dict)
        return tuple(log[name] for name in names)

    @property
    def verdict(self) -> object:
        return self.attempt["verdict"]


MEANS = ("means", "flagged", "empty")


def test_an_hour_has_six_means_and_ends_by_itself_at_its_last_mark() -> None:
    log = Log()
    log.show("230.0 V", 10)  # the first mark begins the first mean
    log.show("230.0 V", 60)
    assert log.of("attempt") == []
    log.show("230.0 V", 1)
    assert (log.verdict, log.count(*MEANS)) == ("pass", (6, 0, 0))
    assert log.count("covered", "gaps") == ("100.00 %", 0)
    assert log.walk.asked.what == "close"


def test_a_mean_is_the_root_of_the_mean_of_squares() -> None:
    log = Log()
    log.show("230.0 V", 10)
    for _ in range(6):
        log.show("210.0 V", 5)
        log.show("250.0 V", 5)
    log.show("230.0 V", 1)
    ((least, most),) = [log.count("least-mean", "most-mean")]
    # sqrt((210^2 + 250^2) / 2) = 230.867..., where the mean would be 230.
    assert least == most | {"at": least["at"]}  # type: ignore[index, operator]
    assert least["value"] == "230.87"  # type: ignore[index]


def test_every_claim_says_that_it_is_indicative() -> None:
    log = Log('lasting = "2 days"')
    log.show("230.0 V", 10 + 2 * 1440 + 1, every_s=30)
    days = log.of("log")
    assert [day["day"] for day in days] == ["2026-11-23", "2026-11-24", "2026-11-25"]
    assert [(day["means"], day["of"]) for day in days] == [(143, 143), (144, 144), (1, 1)]
    for body in (*days, log.attempt):
        assert "not the gapless measurement of a class A instrument" in str(body["caution"])


@pytest.mark.parametrize(
    ("shown", "guarded", "simple"),
    [
        # volts; U of 0.9 % + 2 counts is about 2.4 V at 207 V and 2.9 V at 253 V
        ("204.0 V", "fail", "fail"),
        ("205.0 V", "conditional fail", "fail"),
        ("206.9 V", "conditional fail", "fail"),
        ("207.0 V", "conditional pass", "pass"),
        ("209.0 V", "conditional pass", "pass"),
        ("210.0 V", "pass", "pass"),
        ("250.0 V", "pass", "pass"),
        ("251.0 V", "conditional pass", "pass"),
        ("253.0 V", "conditional pass", "pass"),
        ("253.1 V", "conditional fail", "fail"),
        ("256.5 V", "fail", "fail"),
    ],
)
def test_a_limit_is_inside_and_the_doubt_of_the_meter_makes_four_verdicts(
    shown: str, guarded: str, simple: str
) -> None:
    for rule, verdict in (("guarded", guarded), ("simple", simple)):
        log = Log(rule=rule)
        log.show(shown, 71)
        assert log.verdict == verdict


def test_the_share_is_held_to_the_last_mean() -> None:
    table = 'lasting = "200 min", share = "95 %"'
    for bad, verdict in ((1, "pass"), (2, "fail")):  # of twenty
        log = Log(table)
        log.show("230.0 V", 10)
        log.show("190.0 V", 10 * bad)
        log.show("230.0 V", 201 - 10 * bad)
        assert log.verdict == verdict
        (week,) = log.attempt["weeks"]  # type: ignore[misc]  # a list of rows
        assert week["within"] == f"{100 - 5 * bad}.00 %"


def test_one_mean_beyond_what_is_always_wanted_is_one_too_many() -> None:
    log = Log('lasting = "200 min", share = "95 %", always = ["195.5 V", "253.0 V"]')
    log.show("230.0 V", 10)
    log.show("190.0 V", 10)
    log.show("230.0 V", 191)
    assert log.verdict == "fail"


def test_a_gap_is_flagged_and_counts_for_nothing() -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.wait(150)  # a quarter of a mean
    log.show("230.0 V", 60)
    assert log.count(*MEANS, "gaps", "longest-gap") == (5, 1, 0, 1, "160.00 s")
    # Five means of six are fewer than nine in ten.
    assert log.verdict == "undecided"
    assert log.attempt["why"] == "5 of 6 means have enough readings"


def test_marks_without_readings_are_counted_too() -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.wait(35 * 60)
    log.show("230.0 V", 20)
    assert log.count(*MEANS) == (2, 1, 3)


def test_what_is_shown_of_a_fault_holds_though_the_rest_is_missing() -> None:
    log = Log()
    log.show("270.0 V", 30)
    log.finish()
    assert log.count(*MEANS) == (1, 0, 0)
    assert (log.verdict, log.attempt["why"]) == (
        "fail",
        f"ended by {PERSON}; ended after 1 of 6 means",
    )


def test_ended_early_it_shows_what_there_is_and_decides_nothing() -> None:
    log = Log()
    log.show("230.0 V", 35)
    assert log.walk.asked.options == (FINISH_LOG,)
    log.finish()
    assert (log.verdict, log.count("means", "of")) == ("undecided", (2, 6))
    assert log.walk.asked.what == "measure"


def test_a_log_that_has_not_begun_cannot_be_ended() -> None:
    walk = Walk(written(STEP.replace("LOG", HOUR)), PERSON)
    walk.start()
    at = Instant(MARK_NS, 1, "a", synced=True)
    claims = [e.body for e in walk.feed(Chosen(at, 1, PERSON, FINISH_LOG)) if isinstance(e, Claim)]
    assert [body["claim"] for body in claims] == ["refusal"]
    progress = [
        effect
        for effect in walk.feed(Measured(at, 2, "meter", reading("230.0 V", "ac")))
        if isinstance(effect, Progress)
    ]
    assert [effect.signal for effect in progress] == [Signal.PROBES_OFF]


def test_a_restart_a_lost_link_and_another_person_leave_it_running() -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.feed(Linked(*log.when(), "meter", up=False, reason="radio"))
    log.feed(Linked(*log.when(), "meter", up=True, reason=""))
    log.wait(20)
    log.restart("a")
    log.feed(TakenOver(*log.when(), "B. Other"))
    log.show("230.0 V", 51)
    assert log.count(*MEANS, "gaps", "restarts", "link-losses") == (6, 0, 0, 0, 1, 1)
    assert (log.verdict, log.attempt["by"]) == ("pass", "B. Other")


def test_a_new_boot_is_a_gap_as_long_as_the_wall_clock_says() -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.wait(25 * 60)
    log.restart("b")
    log.show("230.0 V", 30)
    assert log.count(*MEANS, "gaps", "longest-gap") == (3, 1, 2, 1, "1510.00 s")


def test_a_recorder_without_a_clock_learns_later_how_long_it_was_away() -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.restart("b", synced=False)  # for half an hour, which nobody knows yet
    log.show("230.0 V", 5)
    log.utc_ns += 30 * MINUTE_NS
    log.synced = True
    log.show("230.0 V", 30)
    # Spoilt are the mean of the restart, and the one in whose middle the clock was set.
    assert log.count(*MEANS, "clock-steps") == (2, 2, 2, 1)


def test_a_clock_that_is_put_on_wrongly_makes_no_marks_go_by() -> None:
    log = Log()
    log.show("230.0 V", 25)
    log.utc_ns += 3000 * MINUTE_NS
    log.show("230.0 V", 46)
    # Spoilt are the mean that the step ended, and the one in whose middle it led.
    assert log.count(*MEANS, "clock-steps") == (4, 2, 0, 1)


def test_a_clock_that_is_put_back_counts_no_mark_twice() -> None:
    log = Log()
    log.show("230.0 V", 45)
    log.utc_ns -= 20 * MINUTE_NS
    log.show("230.0 V", 46)
    assert log.count(*MEANS, "clock-steps") == (5, 1, 0, 1)


def test_an_event_has_a_beginning_a_length_and_an_extreme() -> None:
    log = Log('lasting = "1 h", share = "50 %", event = ["207.0 V", "253.0 V"], gone = "11.5 V"')
    log.show("230.0 V", 10)
    log.show("200.0 V", 1)
    log.show("208.0 V", 1)  # not yet 2 % inside
    log.show("199.5 V", 1)
    log.show("230.0 V", 10)
    log.show("254.0 V", 2)
    log.show("230.0 V", 10)
    log.show("0.0 V", 3)
    log.show("230.0 V", 34)
    assert log.count("events", "interruptions", *MEANS) == (3, 1, 5, 1, 0)
    (day,) = log.of("log")
    told = day["told"]
    assert told == [
        {
            "at": "2026-11-23T00:10:00.000000Z",
            "kind": "below",
            "extreme": "199.5",
            "lasted": "180.00 s",
        },
        {
            "at": "2026-11-23T00:23:00.000000Z",
            "kind": "above",
            "extreme": "254.0",
            "lasted": "120.00 s",
        },
        {
            "at": "2026-11-23T00:35:00.000000Z",
            "kind": "interruption",
            "extreme": "0.0",
            "lasted": "180.00 s",
        },
    ]


def test_an_event_into_a_gap_has_no_end() -> None:
    log = Log()
    log.show("230.0 V", 15)
    log.show("200.0 V", 1)
    log.wait(120)
    log.show("230.0 V", 53)
    (event,) = log.of("log")[0]["told"]  # type: ignore[misc]  # a list of rows
    assert (event["lasted"], event["end"]) == ("50.00 s", "not seen")


@pytest.mark.parametrize(
    ("shown", "mode"), [("12.1 MOhm", None), ("OL V", "ac"), ("230.0 V", "dc")]
)
def test_what_is_no_voltage_leaves_a_gap(shown: str, mode: str | None) -> None:
    log = Log()
    log.show("230.0 V", 20)
    log.show(shown, 20, mode=mode)
    log.show("230.0 V", 31)
    assert log.count(*MEANS, "gaps") == (4, 0, 2, 1)


def test_ranges_and_prefixes_are_of_one_amount() -> None:
    log = Log('lasting = "1 h"')
    log.show("230.0 V", 10)
    for text in ("230.0 V", "230000 mV", "0.2300 kV"):
        log.show(text, 20)
    log.show("230.0 V", 1)
    assert log.count("least-mean")[0]["value"] == "230.00"  # type: ignore[index]
    assert log.verdict == "pass"


def test_memory_does_not_grow_with_the_readings() -> None:
    def size(days: int) -> int:
        log = Log('lasting = "300 days"')
        log.show("230.0 V", 10 + 1440 * days, every_s=300)
        held = log.walk._attempt
        return sum(map(sys.getsizeof, vars(held).values()))

    assert size(9) == size(12)  # both in their second week


def test_a_progress_tells_how_far_it_has_come() -> None:
    log = Log()
    log.show("230.0 V", 21)
    progress = log.effects[-1]
    assert isinstance(progress, Progress)
    assert progress.signal is Signal.LOGGING
    assert progress.note == "last mean 230.00 V; 1 of 6 means"


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        ('lasting = "7 weeks"', "duration"),
        ('lasting = "65 min"', "lasting"),
        ('lasting = "400 days"', "lasting"),
        ('lasting = "5 min"', "lasting"),
        ('lasting = "1 h", mean = "7 min"', "mean"),
        ('lasting = "1 h", mean = "0 min"', "mean"),
        ('lasting = "1 h", share = "101 %"', "percent"),
        ('lasting = "1 h", least = "0 %"', "percent"),
        ('lasting = "1 h", share = "1 V"', "percent"),
        ('lasting = "1 h", always = ["253 V", "195.5 V"]', "lower limit first"),
        ('lasting = "1 h", event = ["1 A", "2 A"]', "unit of voltage"),
        ('lasting = "1 h", gone = "nothing"', "amount"),
    ],
)
def test_a_log_that_cannot_be_is_refused(table: str, problem: str) -> None:
    with pytest.raises(ProcedureError, match=problem):
        written(STEP.replace("LOG", table))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('mode = "ac"', 'mode = "dc"'),
        ('start = "begin"', 'start = "contact"'),
        ('expect = { between = ["207.0 V", "253.0 V"] }', 'expect = { overload = "600 V" }'),
        ('start = "begin"', 'start = "begin"\ntouch = "1 V"'),
    ],
)
def test_a_log_wants_a_voltage_or_current_and_limits_of_its_own(old: str, new: str) -> None:
    with pytest.raises(ProcedureError, match="log: expected mode ac, start begin, and limits"):
        written(STEP.replace("LOG", HOUR).replace(old, new))


def test_the_shipped_logs_say_what_they_are_not() -> None:
    for name in ("log-supply-voltage", "log-neutral-earth"):
        procedure = library(name)
        assert "indicative" in " ".join(procedure.caution)
        assert all(step.caution for step in procedure.step)
    neutral = library("log-neutral-earth").step[0]
    assert neutral.expect is not None
    assert neutral.expect.limits() == (None, Decimal(5), "V")
