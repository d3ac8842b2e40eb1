"""Readings of one attempt to a picture of them against time: SVG text, and a sentence for its alt.

The window that the value was taken from is shaded, and so is what lies within the limits. It draws
what it is given and judges nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

_WIDTH, _HEIGHT = 500, 108
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 34, 12, 16
_INK, _GREY, _BLUE, _WINDOW, _WITHIN = "#1a1a1a", "#6b6b6b", "#0b4f8a", "#d5dbe3", "#e3f0dc"
_PLAIN = 0.06  # of the height is left free above and below
_TICKS_Y, _TICKS_X = 4, 8
_LINE = 10  # of text
_MARKED_POINTS = 90  # more than these would run into each other
_NS_PER_S = 1e9
_SCALES = ((259_200, 86_400, "d"), (7200, 3600, "h"), (300, 60, "min"), (0, 1, "s"))
"""From how many seconds on the time is told in units of how many, and their name."""

_LEAST_GAP_NS, _GAP_INTERVALS = 3_000_000_000, 5  # a longer silence breaks the line

_Scale = Callable[[float], float]


class Point(NamedTuple):
    """One reading: seconds on the recorder's clock as ns; `value` is None where over the range."""

    t_ns: int
    value: float | None


class Plot(NamedTuple):
    """What is to be drawn; `window` are two times, `low` and `high` limits in the same unit."""

    points: Sequence[Point]
    unit: str
    low: float | None = None
    high: float | None = None
    window: tuple[int, int] | None = None
    top: float | None = None


def thin(points: Sequence[Point], parts: int) -> list[Point]:
    """Of each of so many equal parts of the time at most three: least, most, over the range."""
    begin_ns = points[0].t_ns
    grain_ns = (points[-1].t_ns - begin_ns) // parts + 1
    kept: list[Point] = []
    for _, group in groupby(points, lambda point: (point.t_ns - begin_ns) // grain_ns):
        held = list(group)
        shown = [(point.value, n) for n, point in enumerate(held) if point.value is not None]
        places = {min(shown)[1], max(shown)[1]} if shown else set()
        over = next((n for n, point in enumerate(held) if point.value is None), None)
        places |= set() if over is None else {over}
        kept += [held[n] for n in sorted(places)]
    return kept


def alt_text(plot: Plot, count: int) -> str:
    """The picture in one sentence, for who cannot see it; `count` readings were seen."""
    shown = [point.value for point in plot.points if point.value is not None]
    size, name = _scale(plot)
    text = f"{count} readings over {_time(plot, plot.points[-1].t_ns) / size:.1f} {name}"
    if shown:
        text += f", from {min(shown):.4g} to {max(shown):.4g} {plot.unit}"
    over = len(plot.points) - len(shown)
    if over:
        text += ", all over the range" if not shown else ", some of them over the range"
    if plot.window is not None:
        begin, end = (_time(plot, t_ns) / size for t_ns in plot.window)
        text += f"; the value is taken from {begin:.1f} to {end:.1f} {name}, which is shaded"
    return f"Value against time: {text}."


def draw(plot: Plot) -> str:
    """The picture as SVG; it holds numbers and the unit, and no other text from outside."""
    bottom, top = _range(plot)
    last_s = max(_time(plot, plot.points[-1].t_ns), 0.5)

    def x(t_s: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * t_s / last_s

    def y(value: float) -> float:
        share = (value - bottom) / (top - bottom)
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * min(max(share, 0.0), 1.0)

    ends = (bottom, top, last_s)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{_HEIGHT}" '
        f'viewBox="0 0 {_WIDTH} {_HEIGHT}" font-family="Libertinus Serif" font-size="9">'
    )
    parts = [_ground(plot, ends, x, y), _axes(plot, ends, x, y), _curve(plot, x, y)]
    return "".join([head, *(text for part in parts for text in part), "</svg>"])


def _ground(plot: Plot, ends: tuple[float, float, float], x: _Scale, y: _Scale) -> Iterator[str]:
    """What lies behind the readings: the band within the limits, the window."""
    bottom, top, last_s = ends
    if plot.low is not None or plot.high is not None:
        upper = y(top if plot.high is None else plot.high)
        lower = y(bottom if plot.low is None else plot.low)
        yield _box(x(0), upper, x(last_s), lower, _WITHIN)
    if plot.window is not None:
        begin, end = (x(_time(plot, t_ns)) for t_ns in plot.window)
        yield _box(begin, y(top), end, y(bottom), _WINDOW, 0.75)
        yield from (_line(at, y(top), at, y(bottom), _GREY, "1 2") for at in (begin, end))
        yield _text((begin + end) / 2, 8, "window of the value", "middle")
    for limit, name in ((plot.low, "lower limit"), (plot.high, "upper limit")):
        if limit is not None:
            yield _line(x(0), y(limit), x(last_s), y(limit), _INK, "5 3")
            above = y(limit) - 3 if y(limit) - _LINE > _TOP else y(limit) + _LINE - 1
            yield _text(x(last_s) - 4, above, name, "end")


def _curve(plot: Plot, x: _Scale, y: _Scale) -> Iterator[str]:
    """The readings: joined where they follow each other, at the top where over the range."""
    for run in _runs(plot):
        drawn = " ".join(f"{x(_time(plot, p.t_ns)):.1f},{y(p.value or 0):.1f}" for p in run)
        yield f'<polyline points="{drawn}" fill="none" stroke="{_BLUE}" stroke-width="1.1"/>'
    is_marked = len(plot.points) <= _MARKED_POINTS
    for point in plot.points:
        at = x(_time(plot, point.t_ns))
        if point.value is None:
            yield (
                f'<path d="M{at - 2.5:.1f} {_TOP + 5} L{at:.1f} {_TOP} L{at + 2.5:.1f} {_TOP + 5} '
                f'Z" fill="{_BLUE}"/>'
            )
        elif is_marked:
            yield f'<circle cx="{at:.1f}" cy="{y(point.value):.1f}" r="1.6" fill="{_BLUE}"/>'


def _axes(plot: Plot, ends: tuple[float, float, float], x: _Scale, y: _Scale) -> Iterator[str]:
    bottom, top, last_s = ends
    floor, ceiling = _HEIGHT - _BOTTOM, _TOP
    yield _line(_LEFT, ceiling, _LEFT, floor, _GREY)
    yield _line(_LEFT, floor, _WIDTH - _RIGHT, floor, _GREY)
    for value in _ticks(bottom, top, _TICKS_Y):
        yield _line(_LEFT - 3, y(value), _LEFT, y(value), _GREY)
        yield _text(_LEFT - 5, y(value) + 3, f"{value:.6g}", "end")
    size, name = _scale(plot)
    for value in _ticks(0, last_s / size, _TICKS_X):
        at = x(value * size)
        yield _line(at, floor, at, floor + 3, _GREY)
        yield _text(at, floor + 12, f"{value:.6g}", "middle")
    yield _text(_WIDTH - _RIGHT + 6, floor + 3, name, "start")
    yield _text(_LEFT - 5, 8, plot.unit, "end")


def _range(plot: Plot) -> tuple[float, float]:
    """Bottom and top of the drawing: all values and limits, with some room."""
    held = [point.value for point in plot.points if point.value is not None]
    held += [limit for limit in (plot.low, plot.high, plot.top) if limit is not None]
    if not held:
        return 0.0, 1.0
    low, high = min(held), max(held)
    if low >= 0 and (low < high / 3 or low == high):
        low = 0.0
    room = (high - low or abs(high) or 1.0) * _PLAIN
    return (low if low == 0 else low - room), high + room * 2


def _runs(plot: Plot) -> Iterator[list[Point]]:
    """Readings that a line may join: no gap and no overload between them."""
    apart = sorted(after.t_ns - before.t_ns for before, after in pairwise(plot.points))
    usual_ns = apart[len(apart) // 2] if apart else 0
    gap_ns = max(_LEAST_GAP_NS, _GAP_INTERVALS * usual_ns)
    run: list[Point] = []
    for point in plot.points:
        is_far = bool(run) and point.t_ns - run[-1].t_ns > gap_ns
        if point.value is None or is_far:
            if len(run) > 1:
                yield run
            run = []
        if point.value is not None:
            run.append(point)
    if len(run) > 1:
        yield run


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between two ends, at most about so many."""
    rough = (high - low) / most
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * n for n in (1, 2, 5, 10) if size * n >= rough)
    first = math.ceil(low / step)
    return [n * step for n in range(first, math.floor(high / step) + 1)]


def _scale(plot: Plot) -> tuple[int, str]:
    """How many seconds one unit of the time axis has, and its name."""
    lasted_s = _time(plot, plot.points[-1].t_ns)
    return next((size, name) for least, size, name in _SCALES if lasted_s >= least)


def _time(plot: Plot, t_ns: int) -> float:
    return (t_ns - plot.points[0].t_ns) / _NS_PER_S


def _box(x1: float, y1: float, x2: float, y2: float, colour: str, opacity: float = 1) -> str:
    return (
        f'<rect x="{x1:.1f}" y="{y1:.1f}" width="{max(x2 - x1, 0.5):.1f}" '
        f'height="{max(y2 - y1, 0):.1f}" fill="{colour}" fill-opacity="{opacity}"/>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
        f'stroke-width="0.7"{dashed}/>'
    )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{_INK}">{escaped}</text>'
