"""The study as one SVG picture: for a phone held upright, and for eyes that do not tell red from green.

The picture is 360 units wide, a phone's width, with no lettering below 12 units. Each
measure has a panel: its name and verdict; every reading, by block, each maker with a shape
and a colour of his own (shapes alone would do; colours from Okabe and Ito's palette, chosen
to stay apart for all common kinds of colour blindness), limits as dashed lines; and bars of
what part of the tolerance repeatability, makers and both together take, with the marks of
10 % and 30 %. Plain text, no script, no font of its own; drawn from the numbers alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from placecheck.study.anova import GaugeStudy
from placecheck.study.verdict import GOOD, USABLE, label_of, limits_words, sentence

WIDTH = 360
LEFT, RIGHT = 46, 12
TEXT, SMALL = 14, 12
CHARACTER = 0.56
"""Mean width of a character in units of the letter size, common sans-serif faces (measured generously)."""
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00")
SHAPES = ("circle", "square", "triangle", "diamond", "cross", "ring")
INK, FAINT = "#1a1a1a", "#8a8a8a"
PLOT_HEIGHT = 170


def study_svg(studies: Sequence[GaugeStudy], title: str, headline: str | None = None) -> str:
    """The whole picture as SVG text; `headline` is the bench's own sentence."""
    parts: list[str] = []
    y = 14.0
    y = _paragraph(parts, title, y, TEXT + 4, bold=True)
    if headline:
        y = _paragraph(parts, headline, y + 2, TEXT)
    y = _legend(parts, studies[0].makers, y + 8)
    for study in studies:
        y = _panel(parts, study, y + 22)
    height = round(y + 16)
    body = "\n".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="100%" role="img" '
        f'font-family="system-ui, sans-serif" fill="{INK}">\n<title>{escape(title)}</title>\n'
        f"<desc>{escape(headline or sentence(studies[0]))}</desc>\n"
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>\n{body}\n</svg>\n'
    )


# ----------------------------------------------------------------------------- pieces


def _text(x: float, y: float, text: str, size: float, anchor: str = "start", bold: bool = False) -> str:
    look = ' font-weight="700"' if bold else ""
    look += "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}"{look}>{escape(text)}</text>'


def _patch(x: float, y: float, text: str, size: float) -> str:
    """A white patch behind a text that would stand on lines."""
    width = len(text) * CHARACTER * size + 4
    return f'<rect x="{x - 2:.1f}" y="{y - size:.1f}" width="{width:.1f}" height="{1.25 * size:.1f}" fill="#ffffff"/>'


def wrapped(text: str, size: float, width: float) -> list[str]:
    """`text` in lines that fit into `width` units."""
    most = max(8, int(width / (CHARACTER * size)))
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def fitted(text: str, size: float, width: float) -> str:
    """`text`, cut with an ellipsis where it is wider than `width` units."""
    most = max(1, int(width / (CHARACTER * size)))
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _paragraph(parts: list[str], text: str, y: float, size: float, bold: bool = False) -> float:
    """Wrapped text from y downward; returns the y below it."""
    for line in wrapped(text, size * (1.08 if bold else 1.0), WIDTH - 2 * RIGHT):
        y += size * 1.3
        parts.append(_text(RIGHT, y - size * 0.3, line, size, bold=bold))
    return y


def marker(shape: str, x: float, y: float, colour: str, r: float = 4.5) -> str:
    """One reading's mark, centred on (x, y), with a thin white rim that keeps neighbours apart."""
    rim = 'stroke="#ffffff" stroke-width="0.8"'
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="{colour}" {rim}/>'
    if shape == "ring":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r - 1}" fill="#ffffff" stroke="{colour}" stroke-width="2"/>'
    if shape == "cross":
        d = f"M{x - r:.1f} {y - r:.1f}L{x + r:.1f} {y + r:.1f}M{x - r:.1f} {y + r:.1f}L{x + r:.1f} {y - r:.1f}"
        return f'<path d="{d}" stroke="{colour}" stroke-width="2.2" fill="none"/>'
    corners = {
        "square": ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)),
        "triangle": ((0, -1.15), (1.05, 0.8), (-1.05, 0.8)),
        "diamond": ((0, -1.2), (1.0, 0), (0, 1.2), (-1.0, 0)),
    }[shape]
    points = " ".join(f"{x + r * a:.1f},{y + r * b:.1f}" for a, b in corners)
    return f'<polygon points="{points}" fill="{colour}" {rim}/>'


def look_of(maker: int) -> tuple[str, str]:
    """Shape and colour of the maker of that index; no two of the first 30 are alike in both."""
    return SHAPES[maker % len(SHAPES)], COLOURS[(maker + maker // len(SHAPES)) % len(COLOURS)]


def _legend(parts: list[str], makers: Sequence[str], y: float) -> float:
    x = float(RIGHT)
    y += 14
    for i, name in enumerate(makers):
        shown = fitted(name, SMALL, 130)
        needed = 16 + len(shown) * CHARACTER * SMALL + 14
        if x > RIGHT and x + needed > WIDTH - RIGHT:
            x, y = float(RIGHT), y + 20
        shape, colour = look_of(i)
        parts.append(marker(shape, x + 5, y - 4, colour))
        parts.append(_text(x + 14, y, shown, SMALL))
        x += needed
    return y


def _panel(parts: list[str], study: GaugeStudy, y: float) -> float:
    parts.append(f'<line x1="0" x2="{WIDTH}" y1="{y - 8:.1f}" y2="{y - 8:.1f}" stroke="#d0d0d0"/>')
    y = _paragraph(parts, f"{label_of(study)}, {study.unit}".rstrip(", "), y, TEXT + 1, bold=True)
    y = _paragraph(parts, sentence(study), y + 1, TEXT)
    y = _readings(parts, study, y + 12)
    return _bars(parts, study, y + 14)


def _ticks(low: float, high: float) -> list[float]:
    """Three to six round numbers from low to high."""
    span = high - low
    step = 10.0 ** _floor_log10(span / 4)
    step = next(s for s in (step, 2 * step, 5 * step, 10 * step) if span / s <= 5.5)
    first = -int(-low // step) if low < 0 else int(low // step) + (0 if low % step == 0 else 1)
    out = []
    n = first
    while n * step <= high + 1e-9 * span:
        if n * step >= low - 1e-9 * span:
            out.append(round(n * step, 10))
        n += 1
    return out


def _floor_log10(x: float) -> int:
    from math import floor, log10

    return floor(log10(x))


def _readings(parts: list[str], study: GaugeStudy, y: float) -> float:
    """Every reading by block and maker, with the limits where they are near."""
    low, high = float(study.values.min()), float(study.values.max())
    limits = list(study.tolerance or ())
    span = max(high - low, 1e-6 * max(abs(low), abs(high), 1.0))
    shown = [t for t in limits if low - 2 * span <= t <= high + 2 * span]
    low, high = min([low, *shown]), max([high, *shown])
    pad = 0.08 * max(high - low, span)
    low, high = low - pad, high + pad

    def at(value: float) -> float:
        return y + PLOT_HEIGHT * (high - value) / (high - low)

    for tick in _ticks(low, high):
        parts.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at(tick):.1f}" y2="{at(tick):.1f}" stroke="#e4e4e4"/>'
        )
        parts.append(_text(LEFT - 6, at(tick) + 4, f"{tick:g}", SMALL, "end"))
    for limit in shown:
        parts.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at(limit):.1f}" y2="{at(limit):.1f}" stroke="{INK}" '
            'stroke-width="1.5" stroke-dasharray="6 4"/>'
        )
    blocks, makers = len(study.blocks), len(study.makers)
    column = (WIDTH - LEFT - RIGHT) / blocks
    for b, block in enumerate(study.blocks):
        middle = LEFT + (b + 0.5) * column
        if b:
            x = LEFT + b * column
            parts.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{y:.1f}" y2="{y + PLOT_HEIGHT:.1f}" stroke="#eeeeee"/>')
        label = block if len(block) * CHARACTER * SMALL <= column else _short(block, b)
        parts.append(_text(middle, y + PLOT_HEIGHT + 15, fitted(label, SMALL, column), SMALL, "middle"))
        for m in range(makers):
            shape, colour = look_of(m)
            x = middle + (m - (makers - 1) / 2) * 0.8 * column / makers
            for value in study.values[b, m]:
                parts.append(marker(shape, x, at(float(value)), colour, min(4.5, max(2.5, 0.42 * column / makers))))
    bottom = y + PLOT_HEIGHT + 15
    if limits:
        words = f"dashed: {limits_words(limits[0], limits[1], study.unit)}"
        if len(shown) < len(limits):
            words = f"limits {limits_words(limits[0], limits[1], study.unit)}, partly outside the picture"
        bottom += 17
        parts.append(_text(LEFT, bottom, words, SMALL))
    return bottom


def _short(name: str, index: int) -> str:
    """A block's label where its name is too long: the number in it, or its place."""
    digits = "".join(c for c in name if c.isdigit())
    return digits or str(index + 1)


def _bars(parts: list[str], study: GaugeStudy, y: float) -> float:
    """Bars in % of the tolerance, or of the total variation where there is none."""
    of_tolerance = study.tolerance is not None
    rows = [("repeatability", study.ev), ("between makers", study.av)]
    if not study.pooled:
        rows.append(("maker x block", study.interaction))
    rows.append(("all measuring", study.grr))
    y += 12
    parts.append(_text(RIGHT, y, f"in % of the {'tolerance' if of_tolerance else 'total variation'}", SMALL))
    left, right = 126.0, WIDTH - 52.0
    percent = [(study.percent_of_tolerance(sd) if of_tolerance else study.percent_of_tv(sd)) or 0.0 for _, sd in rows]
    top = max(40.0, 1.1 * max(percent))
    scale = (right - left) / top
    start = y + 6
    figures: list[str] = []
    for i, ((words, _), value) in enumerate(zip(rows, percent, strict=True)):
        y += 22
        last = i == len(rows) - 1
        parts.append(_text(RIGHT, y, words, SMALL, bold=last))
        colour = "#0072B2" if last else "#56B4E9"
        width = max(1.0, value * scale)
        parts.append(f'<rect x="{left:.1f}" y="{y - 11:.1f}" width="{width:.1f}" height="14" fill="{colour}"/>')
        figure = f"{value:.0f} %" if value >= 1 else f"{value:.1g} %"
        figures += [
            _patch(left + width + 5, y, figure, SMALL),
            _text(left + width + 5, y, figure, SMALL),
        ]
    end = y + 8
    for mark in (GOOD, USABLE):
        x = left + mark * scale
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{start:.1f}" y2="{end:.1f}" stroke="{INK}" stroke-width="1.2" '
            'stroke-dasharray="2 3"/>'
        )
        parts.append(_text(x, end + 12, f"{mark:.0f} %", SMALL, "middle"))
    parts.extend(figures)  # over the marks' lines
    return end + 12
