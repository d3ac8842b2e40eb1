"""Which instrument was used: the register, its papers, its serial number, and several meters."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import pytest

from metercap.daemon import DeclaredMeter, _check_meters
from metercap.derive import Derivation
from metercap.errors import OperatorError
from metercap.journal import canonical
from metercap.journal.entry import Entry
from metercap.meter.decode import build_decoder
from metercap.meter.description import Driver, driver_to_json, parse_driver
from metercap.meter.display import show
from metercap.meter.register import Papers, instrument_to_json, parse_register
from metercap.model import NS_PER_S, Instant, Reading, find_stranger
from metercap.procedure.description import parse_procedure, procedure_to_json
from metercap.sequence.effect import Claim, Progress
from metercap.shelf import load_register

ROOT = Path(__file__).parent.parent
SEGMENTS = parse_driver(
    (ROOT / "drivers" / "bench-segments.toml").read_text("utf-8"), "bench-segments.toml"
)
REGISTER = """
[[instrument]]
name = "meter 4"
address = "f0:f1:f2:f3:f4:01"
serial = "0042"
calibrated = "2026-01-10"
due = "2026-11-24"
certificate = "C-1188"
category = "CAT III 600 V"
[instrument.accuracy.ohms-60]
percent = "0.5"
counts = "1"
"""
TWO = """
id = "two-meters"
title = "Volts and clamp"
version = "1"
[[step]]
id = "volts"
title = "Volts"
do = "Volts."
say = "Volts."
source = "common practice"
quantity = "voltage"
mode = "ac"
expect = { above = "200 V" }
start = "begin"
[[step]]
id = "second"
title = "The other meter"
do = "The other meter."
say = "Other."
source = "common practice"
quantity = "voltage"
mode = "ac"
meter = "clamp"
expect = { below = "50 V" }
start = "begin"
"""


def _at(seconds: int, day: str = "2026-11-25") -> Instant:
    days = {"2026-11-25": 1_795_564_800, "2026-11-24": 1_795_478_400}
    ns = (days[day] + seconds) * NS_PER_S
    return Instant(ns, seconds * NS_PER_S, "boot", synced=True)


@dataclass
class Job:
    """A job as its entries, fed one by one."""

    derivation: Derivation
    seq: int = 0
    number: int = 0
    t_ns: int = 0

    def feed(self, kind: str, body: dict[str, object]) -> list[object]:
        self.seq += 1
        self.t_ns += NS_PER_S // 4
        at = Instant(_at(0).utc_ns + self.t_ns, self.t_ns, "boot", synced=True)
        return list(self.derivation.feed(Entry(self.seq, 1, self.seq, kind, at, body)))

    def show(self, meter: str, volts: str, session: int = 1) -> list[object]:
        self.number += 1
        shown = show(SEGMENTS, "voltage", "ac", Decimal(volts), "V")
        raw = build_decoder(SEGMENTS).encode(shown).hex()
        body: dict[str, object] = {"meter": meter, "source": "s", "session": session}
        return self.feed("frame", body | {"number": self.number, "raw": raw})

    def link(self, meter: str, session: int, **facts: str) -> list[object]:
        body: dict[str, object] = {"meter": meter, "session": session, "up": True}
        return self.feed("link", body | {"reason": "subscribed", "facts": facts})


def _pin(definition: dict[str, object]) -> dict[str, object]:
    return {"id": "x", "sha256": canonical.digest(canonical.dumps(definition))}


def _job(meters: list[dict[str, object]], driver: Driver = SEGMENTS) -> Job:
    procedure = procedure_to_json(parse_procedure(TWO, "two-meters.toml"))
    definition = driver_to_json(driver)
    job = Job(Derivation())
    job.feed(
        "job.open",
        {
            "who": "A",
            "procedure": _pin(procedure),
            "drivers": [_pin(definition)],
            "meters": meters,
        },
    )
    job.feed("definition", {"definition": procedure})
    job.feed("definition", {"definition": definition})
    return job


def _two_meters() -> Job:
    rows = [{"name": name, "driver": "bench-segments"} for name in ("meter-1", "clamp")]
    return _job([dict(row) for row in rows])


def _claims(effects: list[object], kind: str) -> list[dict[str, object]]:
    bodies = [effect.body for effect in effects if isinstance(effect, Claim)]
    return [body for body in bodies if body["claim"] == kind]


def test_an_instrument_is_found_by_name_and_by_address_in_any_case() -> None:
    register = parse_register(REGISTER, "instruments.toml")
    assert register.find("F0:F1:F2:F3:F4:01") is register.find("f0:f1:f2:f3:f4:01") is not None
    assert register.find("meter 4") is register.find("F0:F1:F2:F3:F4:01")
    assert register.find("meter 5") is None


@pytest.mark.parametrize(
    ("day", "papers"), [("2026-11-24", Papers.IN_DATE), ("2026-11-25", Papers.OVERDUE)]
)
def test_the_last_day_still_counts(day: str, papers: Papers) -> None:
    instrument = parse_register(REGISTER, "instruments.toml").instrument[0]
    assert instrument.papers(_at(60, day)) is papers
    bare = instrument.model_copy(update={"due": None})
    assert bare.papers(_at(60, day)) is Papers.NOT_STATED


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('due = "2026-11-24"', 'due = "2025-11-24"', "due: found 2025-11-24"),
        ('category = "CAT III 600 V"', 'category = "III"', "category"),
        ('address = "f0:f1:f2:f3:f4:01"', 'address = "over there"', "address"),
        ('name = "meter 4"', 'name = "meter 4"\nnick = "x"', "nick"),
    ],
)
def test_a_bad_register_gives_one_line(old: str, new: str, told: str) -> None:
    with pytest.raises(OperatorError) as caught:
        parse_register(REGISTER.replace(old, new), "instruments.toml")
    line = str(caught.value)
    assert line.startswith("instruments.toml: ")
    assert told in line
    assert "\n" not in line


def test_no_register_is_an_empty_one(tmp_path: Path) -> None:
    assert load_register(tmp_path).instrument == ()
    (tmp_path / "instruments.toml").write_text(REGISTER, "utf-8")
    assert load_register(tmp_path).find("meter 4") is not None


def test_an_overdue_meter_needs_a_reason_that_the_job_shows() -> None:
    instrument = parse_register(REGISTER, "instruments.toml").instrument[0]
    procedure = parse_procedure(TWO, "two-meters.toml")
    meters = [
        DeclaredMeter("meter-1", instrument.address, SEGMENTS, instrument),
        DeclaredMeter("clamp", "other", SEGMENTS),
    ]
    with pytest.raises(OperatorError, match="meter 4: calibration was due on 2026-11-24"):
        _check_meters(procedure, meters, _at(60))
    _check_meters(procedure, meters, _at(60, "2026-11-24"))
    _check_meters(procedure, [meters[0]._replace(override="no other here"), meters[1]], _at(60))
    with pytest.raises(OperatorError, match=r"step second: meter clamp: found meter-1"):
        _check_meters(procedure, [meters[0]._replace(override="no other here")], _at(60))


def test_the_papers_are_claimed_and_the_certificate_replaces_the_drivers_accuracy() -> None:
    instrument = parse_register(REGISTER, "instruments.toml").instrument[0]
    row: dict[str, object] = {"name": "meter-1", "driver": "bench-segments"}
    row |= {"instrument": instrument_to_json(instrument), "override": "no other here"}
    job = _job([row, {"name": "clamp", "driver": "bench-segments"}])
    (claim,) = [body for body in job.derivation.claims if body["claim"] == "instrument"]
    assert claim["papers"] == "overdue"
    assert claim["override"] == "no other here"
    reading = Reading("resistance", "0.35", "Ohm", function="ohms-60")
    corrected = instrument.correct(reading).accuracy
    assert corrected is not None
    assert (corrected.percent, corrected.counts) == (Decimal("0.5"), Decimal(1))
    assert instrument.correct(reading._replace(function="volts-ac")).accuracy is None


def test_another_meter_at_the_same_address_is_claimed_and_its_readings_count_for_nothing() -> None:
    job = _two_meters()
    job.link("meter-1", 1, **{"serial number": "0042", "battery": "90 %"})
    assert (
        _claims(job.link("meter-1", 2, **{"serial number": "0042", "battery": "80 %"}), "x") == []
    )
    effects = job.link("meter-1", 3, **{"serial number": "0077"})
    (claim,) = _claims(effects, "stranger")
    assert claim["why"] == "serial number: found '0077', expected '0042'"
    job.feed("begin", {"by": "A", "step": "volts"})
    told = [effect for _ in range(60) for effect in job.show("meter-1", "231.0", session=3)]
    assert _claims(told, "attempt") == []
    assert {effect.signal for effect in told if isinstance(effect, Progress)} == {"late or doubled"}


def test_a_serial_number_that_the_register_knows_is_expected_from_the_start() -> None:
    known = (("serial number", "0042"),)
    assert find_stranger(known, (("serial number", "0042"), ("battery", "3 %"))) == ""
    assert find_stranger(known, ()) == ""
    assert find_stranger(known, (("serial number", "9"),)) != ""


def test_each_step_takes_only_its_own_meter() -> None:
    job = _two_meters()
    job.feed("begin", {"by": "A", "step": "volts"})
    aside = [effect for _ in range(60) for effect in job.show("clamp", "2.0")]
    assert _claims(aside, "attempt") == []
    job.number = 0
    own = [effect for _ in range(60) for effect in job.show("meter-1", "231.0")]
    assert [body["verdict"] for body in _claims(own, "attempt")] == ["pass"]
    job.feed("begin", {"by": "A", "step": "second"})
    job.number = 100
    other = [effect for _ in range(60) for effect in job.show("clamp", "2.0")]
    assert [body["step"] for body in _claims(other, "attempt")] == ["second"]
