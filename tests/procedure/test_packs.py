"""The country packs: limits against the sources' own numbers, colours, and one-line refusals.

Sources beside each row; "from memory" where the pack says so too.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from metercap.errors import ProcedureError
from metercap.procedure import pack as packs
from metercap.procedure.pack import Pack, parse_pack

PACKS = Path(packs.__file__).parent / "packs"
NAMES = sorted(path.stem for path in PACKS.glob("*.toml"))


def text_of(name: str) -> str:
    return (PACKS / f"{name}.toml").read_text("utf-8")


def load(name: str) -> Pack:
    return parse_pack(text_of(name), f"{name}.toml")


def test_the_countries_that_have_a_pack() -> None:
    assert NAMES == [
        "australia",
        "europe",
        "great-britain",
        "new-zealand",
        "united-states-and-canada",
    ]


@pytest.mark.parametrize(
    ("name", "supply", "band", "low", "high"),
    [
        # ESQCR 2002 reg. 27: 230 V, +10 % and -6 %.
        ("great-britain", "single-phase", "statutory", "216.2", "253.0"),
        # EN 60038: 230 V, plus or minus 10 %.
        ("great-britain", "single-phase", "standard-voltage", "207", "253"),
        ("europe", "single-phase", "standard-voltage", "207", "253"),
        # EN 50160: all 10-minute means within +10 % and -15 %.
        ("europe", "single-phase", "weekly-all", "195.5", "253"),
        # AS 60038: 230 V, +10 % and -6 %.
        ("australia", "single-phase", "standard-voltage", "216.2", "253"),
        # New Zealand: 230 V, plus or minus 6 %.
        ("new-zealand", "single-phase", "statutory", "216.2", "243.8"),
        # ANSI C84.1: range A is plus or minus 5 % of 120 V and 240 V at the service.
        ("united-states-and-canada", "line-neutral", "range-a-service", "114", "126"),
        ("united-states-and-canada", "line-line", "range-a-service", "228", "252"),
        ("united-states-and-canada", "line-neutral", "range-b-service", "110", "127"),
        # 24 V, plus or minus 10 %: common practice.
        ("united-states-and-canada", "control", "nominal", "21.6", "26.4"),
    ],
)
def test_a_band_in_volts(name: str, supply: str, band: str, low: str, high: str) -> None:
    (found,) = [one for one in load(name).supply if one.id == supply]

    assert found.limits(band) == (Decimal(low), Decimal(high))


def test_a_band_that_is_not_there_is_an_error() -> None:
    with pytest.raises(KeyError, match="fortnightly"):
        load("europe").supply[0].limits("fortnightly")


@pytest.mark.parametrize(
    ("name", "colour", "meanings"),
    [
        # BS 7671: old single-phase black is neutral, new three-phase black is a line.
        ("great-britain", "black", ("neutral", "line")),
        ("great-britain", "blue", ("neutral", "line")),
        ("great-britain", "brown", ("line",)),
        ("europe", "blue", ("neutral",)),
        ("australia", "black", ("neutral",)),
        ("united-states-and-canada", "black", ("line",)),
        ("united-states-and-canada", "white", ("neutral",)),
        ("united-states-and-canada", "blue", ()),
    ],
)
def test_what_a_colour_has_meant(name: str, colour: str, meanings: tuple[str, ...]) -> None:
    assert load(name).meanings(colour) == meanings


@pytest.mark.parametrize("name", NAMES)
def test_green_and_yellow_is_earth_everywhere_and_live_on_it_is_a_hard_stop(name: str) -> None:
    pack = load(name)

    assert pack.meanings("green-yellow") == ("earth",)
    assert any("green-yellow" in rule.text and "hard stop" in rule.text for rule in pack.cautions)


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        (
            'id = "new-zealand"',
            'id = "elsewhere"',
            "new-zealand.toml: id: found 'elsewhere', expected the file's own name",
        ),
        (
            'above_percent = "6"',
            "",
            "band statutory: expected below_percent and above_percent, or between alone",
        ),
        (
            'above_percent = "6"',
            'above_percent = "-7"',
            "band statutory: found 216.2 to 213.9 V, expected 230 V inside",
        ),
        ('nominal = "230 V"', 'nominal = "230 Hz"', "found '230 Hz', expected a voltage"),
        ('neutral = ["black", "blue"]', 'neutral = ["red"]', "found red for two functions"),
        ('neutral = ["black", "blue"]', 'neutral = ["purple"]', "colours[0].neutral[0]: found"),
        ('countries = ["NZ"]', 'countries = ["new zealand"]', "countries[0]: found"),
        ('title = "New Zealand"', "", "title: missing, expected a value"),
    ],
)
def test_a_mistake_in_a_pack_is_one_line(before: str, after: str, line: str) -> None:
    text = text_of("new-zealand")
    assert before in text

    with pytest.raises(ProcedureError) as caught:
        parse_pack(text.replace(before, after, 1), "new-zealand.toml")

    assert line in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_band_may_not_speak_of_a_country_outside_the_pack() -> None:
    text = text_of("united-states-and-canada").replace(
        'countries = ["CA"]', 'countries = ["MX"]', 1
    )

    with pytest.raises(ProcedureError, match="found 'MX', expected one of US, CA"):
        parse_pack(text, "united-states-and-canada.toml")
