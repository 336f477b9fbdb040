"""The marks on the block: where the client's lengths lie on its dome, and how surely.

The front mark lies below the crown's middle line at the client's hairline height above the
widest level, the nape the client's front to nape behind it, the ears straight out from the
crown, the temples on the hairline (the plane through front and ears) where a tape round the
back at the widest level has the client's temple to temple. Lengths run along the middle
line and straight out from it, or straight from mark to mark as geodesics. Left and right
mirror each other. What the tapes leave open of the block's shape (block_shape.py), and the
tapes' own uncertainty, go into each mark's U95: the marks are placed once more for every
one of these changes, and the shifts' squares add up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from placecheck.dome import Dome
from placecheck.errors import UsageProblem
from placecheck.fitting.block_shape import Shape, block_dome, shape_spread
from placecheck.mid_plane import MidPlane
from placecheck.orders.order import Block, Measurements, Order
from placecheck.surface import geodesic_mm, onto
from placecheck.surface_map import Chart, fermi_chart
from placecheck.tapeline import MiddleLine, at_length, length_mm, middle_line, section
from placecheck.units import mm_and_inches

FloatArray = npt.NDArray[np.float64]

HAIRLINE_HEIGHT_MM, HAIRLINE_HEIGHT_SD_MM = 55.0, 7.0
"""Brow to hairline where it was not taken: Farkas' trichion to glabella, 53 mm women, 58 men, from memory."""
TAPE_U_MM = 3.0
"""Standard uncertainty of one tape reading on the block, as in block.py."""

COARSE_MM = 8.0
"""Chart step where only differences count."""
LOWEST_DEG = -70.0
"""How far down the middle line is followed: past any nape."""


@dataclass(frozen=True)
class Mark:
    """One mark on the block, on the wearer's right where it has two sides.

    `along_crown_mm` is the way along the middle line from the crown (forward positive), `along_front_mm` from the
    front mark (backward positive), `out_mm` straight out to the side from there; `straight_crown_mm` and
    `straight_front_mm` are the shortest lengths over the surface, None where the middle line is the way.
    `u95_mm` belongs to each of these names (k = 2).
    """

    name: str
    label: str
    point: FloatArray
    along_crown_mm: float
    along_front_mm: float
    out_mm: float
    straight_crown_mm: float | None
    straight_front_mm: float | None
    reason: str
    u95_mm: Mapping[str, float]

    @property
    def both_sides(self) -> bool:
        return self.out_mm > 0.5


@dataclass(frozen=True)
class Marks:
    """All marks on one block, its dome, middle line and chart, and a sentence for each mark that cannot be placed."""

    dome: Dome
    line: MiddleLine
    chart: Chart
    marks: Mapping[str, Mark]
    missing: Mapping[str, str]


WAYS: Mapping[str, str] = {
    "along_crown_mm": "along the middle line from crown",
    "along_front_mm": "along the middle line from front",
    "out_mm": "then straight out each side",
    "straight_crown_mm": "straight from crown",
    "straight_front_mm": "straight from front",
}


def whole_mm(mm: float) -> str:
    """How far a mark lies, without its sign; to a tenth first, so that one way found by two roads reads alike."""
    return f"{abs(round(mm, 1)):.0f}"


def ways_of(mark: Mark) -> dict[str, str]:
    """How far a mark lies along each of WAYS that leads to it, mm, with its U95: `101 forward ± 21`."""
    out = {}
    for key in WAYS:
        value = getattr(mark, key)
        if value is None or (key == "out_mm" and not mark.both_sides):
            continue
        if mark.name == "crown" and key == "along_crown_mm":
            text = "0"
        elif key == "along_crown_mm":
            text = f"{whole_mm(value)} {'forward' if value > 0.5 else 'back' if value < -0.5 else ''}"
        elif key == "along_front_mm":
            text = f"{whole_mm(value)} {'back' if value > 0.5 else 'forward' if value < -0.5 else ''}"
        else:
            text = whole_mm(value)
        u = mark.u95_mm.get(key, 0.0)
        out[key] = f"{text.strip()} ± {u:.0f}" if u >= 0.5 else text.strip()
    return out


def marks_table(marks: Marks) -> list[tuple[str, list[tuple[str, str]], str]]:
    """Every mark but the crown, where measuring starts, with its ways, how far each is, and the front's reason."""
    shown = [mark for mark in marks.marks.values() if mark.name != "crown"]
    ways = {mark.name: [(WAYS[key], text) for key, text in ways_of(mark).items()] for mark in shown}
    return [(mark.label, ways[mark.name], mark.reason if mark.name == "front" else "") for mark in shown]


@dataclass(frozen=True)
class _Placed:
    """Points of the marks that can be had on one dome, and their chart places (u, v) mm."""

    dome: Dome
    line: MiddleLine
    chart: Chart
    at: Mapping[str, FloatArray]
    uv: Mapping[str, tuple[float, float]]


def _places(dome: Dome, m: Measurements, hairline_mm: float, step_mm: float) -> _Placed:
    line = middle_line(dome, LOWEST_DEG, 721)
    chart = fermi_chart(dome, MidPlane(), 200.0, LOWEST_DEG, LOWEST_DEG, step_mm)
    front_v = line.front_level_v_mm - hairline_mm
    uv: dict[str, tuple[float, float]] = {"crown": (0.0, 0.0), "front": (0.0, front_v)}
    if m.front_to_nape_mm is not None:
        nape_v = front_v - m.front_to_nape_mm
        if nape_v > chart.v_mm[0]:
            uv["nape"] = (0.0, nape_v)
            if m.nape_width_mm is not None:
                uv["nape corner"] = (m.nape_width_mm / 2, nape_v)
    if m.ear_to_ear_mm is not None:
        uv["ear"] = (m.ear_to_ear_mm / 2, 0.0)
    at = {name: onto(dome, chart.to_points(np.array(place))) for name, place in uv.items()}
    if "ear" in at and m.temple_to_temple_mm is not None:
        temple = _temple(dome, line, at["front"], at["ear"], m.temple_to_temple_mm)
        if temple is not None:
            # beyond the side's widest place the chart covers what lies in front once more, straight out from the back
            ahead = chart.v_mm >= 0.0
            u, v = (float(x) for x in replace(chart, v_mm=chart.v_mm[ahead], points=chart.points[ahead]).to_uv(temple))
            if np.isfinite(u):
                at["temple"], uv["temple"] = temple, (u, v)
    return _Placed(dome, line, chart, at, uv)


def _temple(dome: Dome, line: MiddleLine, front: FloatArray, ear: FloatArray, around_mm: float) -> FloatArray | None:
    """Where on the hairline (plane through front and ears) the tape round the back has that length; None: nowhere."""
    mirror = np.array([-1.0, 1.0, 1.0])
    hairline = section(dome, ear * mirror, front, ear)
    half = hairline[len(hairline) // 2 :]
    back = line.at(line.back_level_v_mm)

    def around(p: FloatArray) -> float:
        return length_mm(section(dome, p * mirror, back, p, 181))

    walked = np.linspace(0.15, 1.0, 9) * length_mm(half)
    tape = np.array([around(p) for p in at_length(half, walked)])
    if not tape[-1] <= around_mm <= tape[0]:
        return None
    s = float(np.interp(-around_mm, -tape, walked))
    for _ in range(2):  # secant steps on the nearly straight curve
        slope = (around(at_length(half, s + 1.0)) - (f := around(at_length(half, s)))) / 1.0
        s += (around_mm - f) / slope
    return at_length(half, s)


def _lengths(placed: _Placed, step_mm: float = 4.0) -> dict[str, dict[str, float]]:
    """For every mark its way along the middle line, out to the side, and straight from crown and front, mm."""
    out: dict[str, dict[str, float]] = {}
    at = placed.at
    front_v = placed.uv["front"][1]
    for name, (u, v) in placed.uv.items():
        out[name] = {"along_crown_mm": v, "along_front_mm": front_v - v, "out_mm": u}
    near = [name for name in ("ear", "temple") if name in at]
    if near:
        ends = np.array([at[name] for name in near])
        for origin, key in (("crown", "straight_crown_mm"), ("front", "straight_front_mm")):
            start = np.broadcast_to(at[origin], ends.shape)
            for name, mm in zip(near, geodesic_mm(placed.dome, start, ends, step_mm), strict=True):
                out[name][key] = float(mm)
    return out


_WHY = {
    "crown": ("crown", "The highest point of the block's middle line, from where everything else is taped."),
    "front": ("front centre", "{hairline} above the block's widest level, where the brow would be."),
    "nape": ("nape", "The client's front to nape, along the middle line behind the front mark."),
    "nape corner": ("nape corners", "Half the nape width to either side of the nape mark."),
    "ear": ("ears", "Half of ear to ear, straight out from the crown to either side."),
    "temple": (
        "temples",
        "On the hairline from front to ear, where a tape round the back at the widest level has the client's temple "
        "to temple.",
    ),
}


def marks_for(order: Order) -> Marks:
    """Where each mark goes on the order's block, with U95 from what the tapes leave open of its shape (about 2 s)."""
    if order.block is None:
        raise UsageProblem(
            "order-no-block",
            f"Order {order.label} names no block: tape it round its widest level and add it to the order.",
        )
    return _marks(order.block, order.measurements)


@lru_cache(maxsize=8)
def _marks(block: Block, m: Measurements) -> Marks:
    dome = block_dome(block)
    taken = m.hairline_height_mm
    hairline = taken if taken is not None else HAIRLINE_HEIGHT_MM
    placed = _places(dome, m, hairline, 2.0)
    base = _lengths(_places(dome, m, hairline, COARSE_MM), 2 * COARSE_MM)
    variants: list[tuple[Block, Shape, float]] = [(block, shape, hairline) for _, shape in shape_spread()]
    variants += [
        (replace(block, **{name: mm + TAPE_U_MM}), Shape(), hairline)
        for name in ("circumference_mm", "over_mm", "across_mm")
        if (mm := getattr(block, name)) is not None
    ]
    variants.append((block, Shape(), hairline + (HAIRLINE_HEIGHT_SD_MM if taken is None else TAPE_U_MM)))
    square: dict[tuple[str, str], float] = {}
    for other_block, shape, height in variants:
        there = _lengths(_places(block_dome(other_block, shape), m, height, COARSE_MM), 2 * COARSE_MM)
        for name, row in base.items():
            for key, mm in row.items():
                # a mark that a variant cannot place at all is known to no better than a tape's width of 25 mm
                away = there[name][key] - mm if name in there else 25.0
                square[name, key] = square.get((name, key), 0.0) + away**2

    said = (
        f"The client's brow to hairline, {mm_and_inches(hairline)},"
        if taken is not None
        else f"{mm_and_inches(hairline)}, since the client's brow to hairline was not taken (a usual one, from memory),"
    )
    u95 = {key: 2.0 * float(np.sqrt(sum_of_squares)) for key, sum_of_squares in square.items()}
    return _as_marks(placed, m, said, u95)


def marks_on(dome: Dome, m: Measurements, hairline_mm: float) -> Marks:
    """The marks on a dome that is known already, such as a photo's.

    The front mark lies `hairline_mm` above its widest level along the middle line. The marks have no U95, which the
    dome's own fit would have to tell.
    """
    placed = _places(dome, m, hairline_mm, 2.0)
    return _as_marks(placed, m, f"{mm_and_inches(hairline_mm)}", {})


def _as_marks(placed: _Placed, m: Measurements, hairline: str, u95: Mapping[tuple[str, str], float]) -> Marks:
    marks: dict[str, Mark] = {}
    lengths = _lengths(placed)
    for name in _WHY:
        if name not in placed.at:
            continue
        label, why = _WHY[name]
        row = lengths[name]
        marks[name] = Mark(
            name,
            label,
            placed.at[name],
            row["along_crown_mm"],
            row["along_front_mm"],
            row["out_mm"],
            row.get("straight_crown_mm"),
            row.get("straight_front_mm"),
            why.format(hairline=hairline),
            {key: u95[name, key] for key in row if (name, key) in u95},
        )
    return Marks(placed.dome, placed.line, placed.chart, marks, _missing(m, placed.at))


def _missing(m: Measurements, at: Mapping[str, FloatArray]) -> dict[str, str]:
    """A sentence for each mark that is not there."""
    needs = {
        "nape": ("front_to_nape",),
        "nape corner": ("front_to_nape", "nape_width"),
        "ear": ("ear_to_ear",),
        "temple": ("ear_to_ear", "temple_to_temple"),
    }
    out: dict[str, str] = {}
    for name, names in needs.items():
        if name in at:
            continue
        label = _WHY[name][0]
        lacking = [n.replace("_", " ") for n in names if m.get(n) is None]
        if lacking:
            out[name] = f"The {label} cannot be placed without {' and '.join(lacking)}: measure the client."
        elif name == "temple":
            out[name] = (
                "The temples cannot be placed: on this block no tape round the back from the hairline has the client's "
                "temple to temple, so measure temple to temple and ear to ear again."
            )
        else:
            out[name] = f"The {label} would lie below this block: use one with a longer neck, or measure again."
    return out
