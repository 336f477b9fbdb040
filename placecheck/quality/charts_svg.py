"""Charts as inline SVG: readable at the width of a phone, in light and dark, without colours.

Drawn by hand into a viewBox 360 units wide, the narrowest phone, so that the letters (12
units) are letters there too; on a desktop the same picture is simply larger. Ink is currentColor, so
it follows the page; colour (blue 0072B2 and vermilion D55E00 of the Okabe-Ito set, which
the colour-blind tell apart) never carries meaning alone: control limits (the usual spread) are dashed,
the shop's limits dotted, both with their words and numbers; a point that signals is a larger hollow diamond,
one outside the shop's limits a cross. Below LEAST_FOR_LIMITS values the points stand alone, with how many are
wanted. All is set by attributes, no style sheet and no script, so the strictest content policy lets it pass.
Every chart has a title and a description for screen readers.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import accumulate
from unicodedata import east_asian_width

from placecheck.answer import MEASURE_BY_NAME
from placecheck.quality.control_chart import ENOUGH_FOR_LIMITS, LEAST_FOR_LIMITS
from placecheck.quality.gauge import GaugeShare
from placecheck.quality.stream import Stream, noun_of

WIDTH = 360
LEFT, RIGHT = 38, 80
BLUE, VERMILION = "#0072B2", "#D55E00"
FONT = 'font-family="system-ui, sans-serif" font-size="12" fill="currentColor"'
KEY = ((14, "point", ""), (104, "signal", "signals"), (176, "outside", "outside tolerance"))
"""Where each sign stands below the chart, and its word; a point's is what it is of."""
BOLD = 1.35
"""How much wider than others bold letters may be."""
LEAST_GAP = 13
"""Distance of labels beside the plot, so that none covers another."""


def _sign(unit: str) -> str:
    return " mm" if unit == "mm" else "°"


def _nice_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """About `count` round values that span [low, high]."""
    span = high - low
    raw = span / max(1, count)
    scale = 10.0 ** int(f"{raw:e}".split("e")[1])
    step = next(s * scale for s in (1, 2, 2.5, 5, 10) if s * scale >= raw * 0.999)
    first = -int(-low // step) * step if low % step else low
    ticks = []
    value = first
    while value <= high + 1e-9 * span:
        ticks.append(round(value, 10) + 0.0)
        value += step
    return ticks


def _spread(wanted: Sequence[float], least: float, top: float, bottom: float) -> list[float]:
    """Heights near the wanted ones (ascending), at least `least` apart, inside [top, bottom] where there is room."""
    out: list[float] = []
    for y in wanted:
        out.append(max(y, out[-1] + least) if out else max(y, top))
    for i in range(len(out) - 1, -1, -1):
        limit = bottom if i == len(out) - 1 else out[i + 1] - least
        out[i] = min(out[i], limit)
    return out


class _Plot:
    """One plot area: values to heights, positions to widths, and the elements drawn so far."""

    def __init__(self, top: float, height: float, low: float, high: float, n: int) -> None:
        pad = 0.06 * (high - low) or 1.0
        self.top, self.bottom = top, top + height
        self.low, self.high, self.n = low - pad, high + pad, n
        self.parts: list[str] = []
        self.labels: list[tuple[float, str, str]] = []

    def y(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)

    def x(self, i: float) -> float:
        inset = 6.0
        room = WIDTH - LEFT - RIGHT - 2 * inset
        return LEFT + inset + (room / 2 if self.n == 1 else i * room / (self.n - 1))

    def frame(self) -> None:
        self.parts.append(
            f'<path d="M{LEFT} {self.top:.1f}V{self.bottom:.1f}H{WIDTH - RIGHT}" fill="none" stroke="currentColor"/>'
        )
        for tick in _nice_ticks(self.low, self.high, 4):
            y = self.y(tick)
            self.parts.append(f'<path d="M{LEFT - 4} {y:.1f}H{LEFT}" stroke="currentColor"/>')
            self.parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" {FONT}>{tick:g}</text>')

    def line(self, value: float, label: str, dashes: str, width: float = 1.2) -> None:
        y = self.y(value)
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        self.parts.append(
            f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="currentColor" stroke-width="{width}"{dash}/>'
        )
        self.labels.append((y, label, "currentColor"))

    def put_labels(self) -> None:
        ordered = sorted(self.labels)
        for (_, label, _), y in zip(
            ordered, _spread([y for y, _, _ in ordered], LEAST_GAP, self.top, self.bottom), strict=True
        ):
            self.parts.append(f'<text x="{WIDTH - RIGHT + 4}" y="{y + 4:.1f}" {FONT}>{escape(label)}</text>')

    def trace(self, values: Sequence[float], first: int = 0) -> None:
        path = " ".join(
            f"{'M' if i == 0 else 'L'}{self.x(i + first):.1f} {self.y(v):.1f}" for i, v in enumerate(values)
        )
        self.parts.append(f'<path d="{path}" fill="none" stroke="{BLUE}" stroke-width="1"/>')

    def mark(self, i: int, value: float, shape: str, title: str) -> None:
        body = _symbol(self.x(i), self.y(value), shape, 3.0 if self.n <= 45 else 2.2)
        self.parts.append(f"<g><title>{escape(title)}</title>{body}</g>")


def _symbol(x: float, y: float, shape: str, radius: float = 3.0) -> str:
    """A disc, for a signal a hollow diamond around a dot, for a value outside the tolerance a cross."""
    if shape == "signal":
        return (
            f'<path d="M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z" fill="none" stroke="{VERMILION}" stroke-width="2"/>'
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.6" fill="{VERMILION}"/>'
        )
    if shape == "outside":
        d = f"M{x - 3.5:.1f} {y - 3.5:.1f}l7 7m0 -7l-7 7"
        return f'<path d="{d}" fill="none" stroke="currentColor" stroke-width="1.8"/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{BLUE}"/>'


def _svg(height: float, title: str, description: str, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:g}" width="100%" role="img" '
        f'aria-label="{escape(title, quote=True)}"><title>{escape(title)}</title><desc>{escape(description)}</desc>'
        f"{''.join(parts)}</svg>"
    )


def _text(x: float, y: float, text: str, anchor: str = "start", weight: str = "normal") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-weight="{weight}" {FONT}>{escape(text)}</text>'


def _short(text: str, room: float) -> str:
    """The text, cut with an ellipsis where it is wider than `room` units, as wide as letters mostly are."""
    widths = [12.0 if east_asian_width(c) in "WF" else 8.0 if c.isupper() else 6.2 for c in text]
    if sum(widths) <= room:
        return text
    kept = sum(1 for end in accumulate(widths) if end <= room - 12.0)
    return text[:kept].rstrip() + "…"


def _range_of(values: Sequence[float | None]) -> tuple[float, float]:
    known = [v for v in values if v is not None]
    return min(known), max(known)


def individuals_svg(stream: Stream) -> str:
    """Individuals chart above, moving ranges below, with limits, tolerance and marked signals."""
    chart, unit = stream.chart, _sign(stream.unit)
    spec = MEASURE_BY_NAME[stream.measure]
    n, one = len(chart.values), noun_of(stream.measure)
    title = f"{spec.label[0].upper()}{spec.label[1:]}{': ' + stream.group if stream.group else ''}"
    low, high = _range_of([*chart.values.tolist(), chart.lower, chart.upper, stream.low, stream.high])
    upper = _Plot(40, 180, low, high, n)
    upper.frame()
    upper.line(stream.low, f"limit {stream.low:g}", "1 3")
    upper.line(stream.high, f"limit {stream.high:g}", "1 3")
    few = n < LEAST_FOR_LIMITS
    if not few:
        upper.line(chart.mean, f"mean {chart.mean:.2f}", "", 0.9)
    if chart.lower is not None and chart.upper is not None:
        upper.line(chart.lower, f"usual {chart.lower:.1f}", "7 4")
        upper.line(chart.upper, f"usual {chart.upper:.1f}", "7 4")
    upper.put_labels()
    upper.trace(chart.values.tolist())
    signalled = set(chart.signals)
    for i, point in enumerate(stream.points):
        outside = not stream.low <= point.value <= stream.high
        words = f"record {point.record}, {point.at[:10]}: {point.value:.2f}{unit}, U95 {2 * point.u:.2f}"
        if i in signalled or not outside:
            upper.mark(i, point.value, "signal" if i in signalled else "point", words)
        if outside:
            upper.mark(i, point.value, "outside", f"{words}, outside the tolerance")
    parts = [
        _text(4, 14, _short(title, (WIDTH - 8) / BOLD), weight="bold"),
        _text(4, 31, f"each {one}, {unit.strip()}"),
        *upper.parts,
    ]
    bottom = upper.bottom
    if not few:
        top = _range_of([0.0, *chart.moving_ranges.tolist(), chart.range_upper])[1]
        lower = _Plot(bottom + 32, 76, 0.0, top, n)
        lower.frame()
        lower.line(chart.mean_moving_range, f"mean {chart.mean_moving_range:.2f}", "", 0.9)
        if chart.range_upper is not None:
            lower.line(chart.range_upper, f"usual {chart.range_upper:.1f}", "7 4")
        lower.put_labels()
        lower.trace(chart.moving_ranges.tolist(), 1)
        for i, value in enumerate(chart.moving_ranges.tolist(), 1):
            lower.mark(i, value, "signal" if i in chart.range_signals else "point", f"record {stream.points[i].record}")
        parts += [_text(4, bottom + 24, f"from one to the next, {unit.strip()}"), *lower.parts]
        bottom = lower.bottom
    first, last = stream.points[0].at[:10], stream.points[-1].at[:10]
    parts += [_text(LEFT, bottom + 17, first), _text(WIDTH - RIGHT, bottom + 17, last, "end")]
    key_y = bottom + 37
    for x, shape, label in KEY:
        parts += [_symbol(x, key_y - 4, shape), _text(x + 9, key_y, label or one)]
    dashed = "dashed: the usual spread"
    if few:
        dashed = f"dashed, from {LEAST_FOR_LIMITS} {one}s on: the usual spread"
    elif chart.provisional:
        dashed += f" (provisional: {n} of {ENOUGH_FOR_LIMITS})"
    for line in ("dotted: the limits", dashed):
        key_y += 17
        parts.append(_text(14, key_y, line))
    bottom = key_y + 9
    if stream.gauge is not None:
        bars, bottom = _spread_bars(stream, stream.gauge, key_y + 22)
        parts += bars
    described = " ".join(stream.sentences)
    return _svg(bottom, f"{title}, {n} {one}s from {first} to {last}", described, parts)


def _spread_bars(stream: Stream, gauge: GaugeShare, top: float) -> tuple[list[str], float]:
    """How wide the tolerance, the placing and the photo's uncertainty are, one under the other; and where that ends.

    Each bar holds about 95 % of what it stands for: 4 s of the placements, twice the expanded uncertainty.
    """
    unit = _sign(stream.unit)
    rows = (
        ("tolerance", stream.high - stream.low, None),
        (f"{noun_of(stream.measure)}s, 95 %", 4 * gauge.seen, BLUE),
        ("photo alone, 95 %", 4 * gauge.gauge, VERMILION),
    )
    left, room = 190, WIDTH - 190 - 8
    widest = max(width for _, width, _ in rows)
    parts = []
    for i, (name, width, colour) in enumerate(rows):
        y = top + 18 * i
        drawn = max(1.0, room * width / widest)
        look = f'fill="{colour}"' if colour else 'fill="none" stroke="currentColor"'
        parts.append(_text(4, y + 4, f"{name}: {width:.1f}{unit}"))
        parts.append(f'<rect x="{left}" y="{y - 5:g}" width="{drawn:.1f}" height="9" {look}/>')
    return parts, top + 18 * len(rows) - 6


def bars_svg(title: str, rows: Sequence[tuple[str, float, str, tuple[float, float] | None]]) -> str:
    """Horizontal bars of shares 0..1: (name, share, words at its side, interval drawn as a whisker or None)."""
    row_height, top = 40, 24
    room = WIDTH - 16
    parts = [_text(4, 14, title, weight="bold")]
    for i, (name, share, words, interval) in enumerate(rows):
        y = top + i * row_height
        parts.append(_text(8, y + 12, _short(name, room - 8 - 6.2 * len(words))))
        parts.append(_text(WIDTH - 8, y + 12, words, "end"))
        parts.append(
            f'<rect x="8" y="{y + 17}" width="{room}" height="13" fill="none" stroke="currentColor" '
            'stroke-width="0.8"/>'
            f'<rect x="8" y="{y + 17}" width="{max(0.0, share) * room:.1f}" height="13" fill="{BLUE}"/>'
        )
        if interval is not None:
            a, b = (8 + v * room for v in interval)
            parts.append(
                f'<path d="M{a:.1f} {y + 23.5:g}H{b:.1f}M{a:.1f} {y + 19:g}v9M{b:.1f} {y + 19:g}v9" '
                f'stroke="{VERMILION}" stroke-width="2" fill="none"/>'
            )
    said = "; ".join(f"{name}: {words}" for name, _, words, _ in rows)
    return _svg(top + row_height * len(rows) + 2, title, said, parts)
