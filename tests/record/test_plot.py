"""The picture of an attempt: nothing that stands out is lost, and nothing leaves its frame."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from metercap.record.plot import Plot, Point, alt_text, draw, thin

values = st.none() | st.floats(-1e6, 1e6, allow_nan=False)
points = st.lists(values, min_size=1, max_size=60).map(
    lambda found: [Point(n * 250_000_000, value) for n, value in enumerate(found)]
)
limits = st.none() | st.floats(-1e6, 1e6, allow_nan=False)


@given(points, st.integers(1, 9))
def test_thinning_keeps_the_least_the_most_and_every_overload_in_sight(
    found: list[Point], parts: int
) -> None:
    kept = thin(found, parts)
    shown = [point.value for point in found if point.value is not None]
    left = [point.value for point in kept]
    if shown:
        assert min(shown) in left
        assert max(shown) in left
    assert (None in left) == (len(shown) < len(found))
    assert kept == sorted(kept, key=lambda point: point.t_ns)
    assert len(kept) <= min(len(found), 3 * parts)


@given(points, limits, limits)
def test_everything_is_drawn_within_the_picture(
    found: list[Point], low: float | None, high: float | None
) -> None:
    svg = draw(Plot(found, "V", low, high, (found[0].t_ns, found[-1].t_ns)))
    root = ET.fromstring(svg)  # noqa: S314  made a line ago
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for element in root:
        for name in ("x", "x1", "x2", "cx"):
            assert 0 <= float(element.attrib.get(name, 0)) <= width
        for name in ("y", "y1", "y2", "cy"):
            assert 0 <= float(element.attrib.get(name, 0)) <= height
        for x, y in re.findall(r"([\d.-]+),([\d.-]+)", element.attrib.get("points", "")):
            assert 0 <= float(x) <= width
            assert 0 <= float(y) <= height


def test_a_unit_is_text_and_not_markup() -> None:
    svg = draw(Plot([Point(0, 1.0)], "<&V>"))
    assert "&lt;&amp;V&gt;" in svg


def test_silence_breaks_the_line_and_so_does_an_overload() -> None:
    even = [Point(n * 10**9, 1.0) for n in range(10)]
    assert draw(Plot(even, "V")).count("<polyline") == 1
    late = [*even[:4], Point(9 * 10**9, 1.0), Point(10 * 10**9, 1.0)]
    assert draw(Plot(late, "V")).count("<polyline") == 2
    over = [*even[:4], Point(4 * 10**9, None), *even[5:]]
    assert draw(Plot(over, "V")).count("<polyline") == 2


def test_the_sentence_tells_what_the_picture_shows() -> None:
    found = [Point(0, None), Point(10**9, 2.0), Point(3 * 10**9, 0.5)]
    assert alt_text(Plot(found, "Ω", window=(10**9, 3 * 10**9)), 3) == (
        "Value against time: 3 readings over 3.0 s, from 0.5 to 2 Ω, some of them over the range; "
        "the value is taken from 1.0 to 3.0 s, which is shaded."
    )
    week = [Point(0, 230.0), Point(7 * 86_400 * 10**9, 231.0)]
    assert "2 readings over 7.0 d, from 230 to 231 V" in alt_text(Plot(week, "V"), 2)
