"""Values of a claim in the words of the report."""

from __future__ import annotations

import pytest

from metercap.model import NS_PER_S
from metercap.record.wording import limit_text, plain, signs, span_text, value_text


@pytest.mark.parametrize(
    ("claim", "said"),
    [
        ({"value": "2.03", "expanded": "0.12", "unit": "Ohm"}, "2.03 ± 0.12 Ω"),
        ({"value": ">60.00", "unit": "MOhm"}, "more than 60.00 MΩ"),
        ({"value": "1.20", "unit": "uA"}, "1.20 µA"),
        ({"value": "65.0", "unit": "Cel"}, "65.0 °C"),
        ({"answer": "13 A"}, "13 A"),
        ({"value": ">999", "unit": "MOhm", "entered": {}}, "more than 999 MΩ, entered"),
        ({"value": "0.07", "unit": "Ohm", "indicative": "x"}, "0.07 Ω, indicative"),
        ({}, ""),
    ],
)
def test_values(claim: dict[str, object], said: str) -> None:
    assert value_text(claim) == said


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ({"high": "1 Ohm"}, "up to 1 Ω"),
        ({"low": "10 Ohm"}, "from 10 Ω"),
        ({"low": "216.2 V", "high": "253.0 V"}, "216.2 to 253.0 V"),
        ({"low": "235.9104 V", "high": "250.496 V"}, "235.91 to 250.50 V"),
        ({"overload": "1 MOhm"}, "more than 1 MΩ"),
        ({"accept": ["3 A", "5 A"]}, "3 A or 5 A"),
        (None, ""),
    ],
)
def test_limits(limit: object, said: str) -> None:
    assert limit_text(limit) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(8, "8.0 s"), (319, "5 min 19 s"), (7800, "2 h 10 min"), (187_200, "2 days 4 h")],
)
def test_spans(seconds: int, said: str) -> None:
    assert span_text(seconds * NS_PER_S) == said


def test_what_cannot_be_seen_is_written_out() -> None:
    assert plain("a\u202eb\u0000\u0301\ue000") == "a\\u{202e}b\\u{0}\\u{301}\\u{e000}"
    assert plain("e\u0301") == "é"  # one letter in two parts
    assert signs("an Ohm or 5 kOhm, Ohmic") == "an Ω or 5 kΩ, Ohmic"
