"""What follows from the measurements: cap, block, marks on the block, slack, the closure's place.

Every answer carries its reason in a sentence and says where it is common practice. The
marks are computed on the dome: the block's taped circumference, and if taken its tapes over
the crown and across, fix the shape of dome.py; what they leave open has the spread of
block.py's prior, and goes into each mark's U95. The front mark lies below the crown's
middle line at the client's hairline height above the widest level, the nape the client's
front to nape behind it, the ears straight out from the crown, the temples on the hairline
(the plane through front and ears) where a tape round the back at the widest level has the
client's temple to temple. Lengths run along the middle line and straight out from it, or
straight from mark to mark as geodesics. Left and right mirror each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.drape import NetLocked, drape
from placecheck.errors import Problem, UsageProblem
from placecheck.orders.order import Block, Cap, Measurements, Order
from placecheck.surface import Chart, MidPlane, fermi_chart, geodesic_mm, onto
from placecheck.tapeline import MiddleLine, at_length, length_mm, middle_line, section
from placecheck.tolerances import DEFAULTS, Tolerances
from placecheck.units import MM_PER_INCH, ClosureSize, mm_and_inches

FloatArray = npt.NDArray[np.float64]

COMMON = "common practice, no published source"
EXTRA_LARGE_FROM_MM = 23 * MM_PER_INCH
STANDARD_UP_TO_MM = 22.5 * MM_PER_INCH
CAP_FRONT_TO_NAPE_MM: Mapping[str, float] = {"standard": 14.5 * MM_PER_INCH, "extra-large": 15.5 * MM_PER_INCH}
"""Front to nape of dome caps as sold; size charts of the trade, common practice, no published source."""
STANDARD_TEMPLE_TO_TEMPLE_MM = 15.5 * MM_PER_INCH
ELASTIC_TAKES_MM = 6.35
"""Slack that the elastic at the nape takes up by itself, 1/4 in (common practice, no published source)."""
BLOCK_STEP_MM = 0.5 * MM_PER_INCH
BLOCK_SIZES_MM = (20 * MM_PER_INCH, 25 * MM_PER_INCH)
HAIRLINE_HEIGHT_MM, HAIRLINE_HEIGHT_SD_MM = 55.0, 7.0
"""Brow to hairline where it was not taken: Farkas' trichion to glabella, 53 mm women, 58 men, from memory."""
TAPE_U_MM = 3.0
"""Standard uncertainty of one tape reading on the block, as in block.py."""

COARSE_MM = 8.0
"""Chart step where only differences count."""
WIDEST_NET_MM = 180.0
"""Wider laces are cut to the hairline and do not lie as a flat net."""
LOWEST_DEG = -70.0
"""How far down the middle line is followed: past any nape."""

_PAIRS = (("temple left", "temple right"), ("side left", "side right"))


@dataclass(frozen=True)
class Shape:
    """What a tape does not tell of a block: the means of block.py's prior; `bumps` by name (both sides alike)."""

    log_ratio: float = float(np.log(1.27))
    height_mm: float = 103.0
    depth_mm: float = 200.0
    egg: float = 0.05
    bumps: tuple[tuple[str, float], ...] = tuple((bump.name, bump.mean) for bump in BUMPS)


def _spread() -> list[tuple[str, Shape]]:
    """The mean shape moved by one standard deviation in each direction of the prior, with the direction's name."""
    mean = Shape()
    moved = [
        ("length to breadth", replace(mean, log_ratio=mean.log_ratio + 0.08)),
        ("height", replace(mean, height_mm=mean.height_mm + 9.0)),
        ("neck", replace(mean, depth_mm=mean.depth_mm + 50.0)),
        ("egg", replace(mean, egg=mean.egg + 0.03)),
    ]
    for group in (("forehead",), ("occiput",), ("crown",), ("brow",), *_PAIRS):
        bumps = tuple((b.name, b.mean + (b.sd if b.name in group else 0.0)) for b in BUMPS)
        moved.append((group[0], replace(mean, bumps=bumps)))
    return moved


@dataclass(frozen=True)
class Advice:
    """An answer with its reason in a sentence; `common_practice` where no published source stands behind it."""

    what: str
    value: str
    reason: str
    common_practice: bool = True

    @property
    def sentence(self) -> str:
        """`reason`, marked where it is common practice."""
        return f"{self.reason} ({COMMON})" if self.common_practice else self.reason


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


# ----------------------------------------------------------------------------- cap, block, slack


def cap_size(m: Measurements) -> Advice:
    """The dome cap to take. Tapes are compared to 1/16 in, the finest line on them."""
    sixteenth = round(m.circumference_mm / MM_PER_INCH * 16)
    around = mm_and_inches(m.circumference_mm)
    if sixteenth <= round(STANDARD_UP_TO_MM / MM_PER_INCH * 16):
        return Advice("cap", "standard", f"The head is {around} round, and up to 22 1/2 in a standard dome cap fits.")
    if sixteenth < 23 * 16:
        return Advice(
            "cap",
            "standard",
            f"The head is {around} round, between 22 1/2 and 23 in: the standard dome cap, which stretches that far.",
        )
    if sixteenth == 23 * 16:
        nape, temples = m.front_to_nape_mm, m.temple_to_temple_mm
        if nape is None or temples is None:
            absent = " and ".join(
                label for label, v in (("front to nape", nape), ("temple to temple", temples)) if v is None
            )
            return Advice(
                "cap",
                "extra-large",
                f"The head is {around} round, from where an extra-large dome cap is taken; a short front to nape and "
                f"temple to temple would make it a standard one, so measure {absent} before you buy.",
            )
        if nape <= CAP_FRONT_TO_NAPE_MM["standard"] + 0.8 and temples <= STANDARD_TEMPLE_TO_TEMPLE_MM + 0.8:
            return Advice(
                "cap",
                "standard",
                f"The head is 23 in round, but short from front to nape ({mm_and_inches(nape)}) and from temple to "
                f"temple ({mm_and_inches(temples)}): a standard dome cap reaches, an extra-large one would bag.",
            )
    return Advice("cap", "extra-large", f"The head is {around} round, and from 23 in an extra-large dome cap is taken.")


def block_size(m: Measurements) -> Advice:
    """The block to take: blocks come in half inches; the head's size or the next above."""
    step = BLOCK_STEP_MM
    size = np.ceil((m.circumference_mm - 0.8) / step) * step
    around = mm_and_inches(m.circumference_mm)
    if not BLOCK_SIZES_MM[0] <= size <= BLOCK_SIZES_MM[1]:
        low, high = (f"{mm / MM_PER_INCH:g}" for mm in BLOCK_SIZES_MM)
        return Advice(
            "block",
            "made or padded",
            f"The head is {around} round, and blocks are sold from {low} to {high} in: pad a smaller one to size.",
        )
    return Advice(
        "block",
        f"{size / MM_PER_INCH:g} in",
        f"The head is {around} round, and blocks come in half inches: its size or the next above, since a wig made on "
        "a smaller block is tight.",
    )


@dataclass(frozen=True)
class Slack:
    """Cap left over at the nape: `slack_mm` (negative: the cap is short), `take_in_mm`, and why."""

    slack_mm: float
    take_in_mm: float
    advice: Advice


def nape_slack(m: Measurements, cap: Cap, clearance_mm: float = DEFAULTS.clearance_aim_mm) -> Slack | None:
    """How much cap is left over at the client's nape; None where front to nape was not taken.

    The rim lies `clearance_mm` behind the hairline, so the cap has that much less to cover.
    """
    if m.front_to_nape_mm is None:
        return None
    size = cap.size or cap_size(m).value
    own = cap.front_to_nape_mm
    length = own if own is not None else CAP_FRONT_TO_NAPE_MM[size]
    whose = "the cap's own" if own is not None else f"the {size} cap's usual (measure yours)"
    needed = m.front_to_nape_mm - clearance_mm
    slack = length - needed
    sums = (
        f"Front to nape is {mm_and_inches(m.front_to_nape_mm)}, the rim lies {clearance_mm:.0f} mm behind the "
        f"hairline, and {whose} length is {mm_and_inches(length)}: "
    )
    if slack < -ELASTIC_TAKES_MM:
        reason = f"{sums}the cap is {mm_and_inches(slack)} short at the nape, take a longer one."
        return Slack(slack, 0.0, Advice("nape", "too short", reason, own is None))
    if slack <= ELASTIC_TAKES_MM:
        reason = f"{sums}nothing to take in, the elastic does the rest."
        return Slack(slack, 0.0, Advice("nape", "fits", reason))
    reason = (
        f"{sums}{mm_and_inches(slack)} is left over. Take it in across the nape with a tuck {slack / 2:.1f} mm deep "
        "when folded, pinned before the first row is sewn."
    )
    return Slack(slack, slack, Advice("nape", f"take in {mm_and_inches(slack)}", reason))


# ----------------------------------------------------------------------------- the block's dome


def block_dome(block: Block, shape: Shape | None = None) -> Dome:
    """The block's dome from its tapes, mm; what they do not tell is `shape`.

    Raises UsageProblem where the tapes over and across the crown are those of no block.
    """
    shape = shape or Shape()
    bumps = tuple(amplitude for _, amplitude in shape.bumps)

    def build(log_ratio: float, height: float) -> Dome:
        a, b = half_axes_for(block.circumference_mm, float(np.exp(log_ratio)))
        dome = Dome(a, b, height, shape.depth_mm, shape.egg, bumps)
        k = block.circumference_mm / dome.circumference_mm()
        return Dome(a * k, b * k, height, shape.depth_mm, shape.egg, bumps)

    def misfit(x: FloatArray) -> FloatArray:
        dome = build(x[0], x[1])
        out = []
        if block.over_mm is not None:
            line = middle_line(dome, -10.0, 361)
            out.append(line.front_level_v_mm - line.back_level_v_mm - block.over_mm)
        if block.across_mm is not None:
            out.append(2.0 * _quarter_across_mm(dome) - block.across_mm)
        return np.array(out)

    x = np.array([shape.log_ratio, shape.height_mm])
    free = [i for i, tape in ((1, block.over_mm), (0, block.across_mm)) if tape is not None]
    if len(free) == 1:
        free = [1]  # one tape over the crown tells the height; the length to breadth stays the prior's
    for _ in range(12 if free else 0):
        f = misfit(x)
        if float(np.max(np.abs(f))) < 0.01:
            break
        jac = np.empty((len(f), len(free)))
        for j, i in enumerate(free):
            h = 1e-3 if i == 0 else 0.1
            step = np.zeros(2)
            step[i] = h
            jac[:, j] = (misfit(x + step) - f) / h
        move = np.linalg.lstsq(jac, -f, rcond=None)[0]
        limit = np.array([0.15, 25.0])[free]
        x[free] += np.clip(move, -limit, limit)
    if free and (not 0.0 <= x[0] <= 0.47 or not 70.0 <= x[1] <= 140.0 or np.max(np.abs(misfit(x))) > 0.5):
        raise UsageProblem(
            "block-tapes-disagree",
            "The block's tapes do not make a head's shape: tape again from the widest level in front over the crown to "
            "the widest level behind, and the same from side to side.",
        )
    return build(float(x[0]), float(x[1]))


def _quarter_across_mm(dome: Dome) -> float:
    """From the crown straight down to the widest level at the side, along the cut through the crown, mm."""
    side = np.array([1.0, 0.0, 0.0])
    side = side * dome.radius(side)
    top = np.array([0.0, 0.0, 1.0])
    top = top * dome.radius(top)
    return length_mm(section(dome, side, top, side * [-1.0, 1.0, 1.0])) / 2.0


# ----------------------------------------------------------------------------- the marks


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
            u, v = (float(x) for x in chart.to_uv(temple))
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
    variants: list[tuple[Block, Shape, float]] = [(block, shape, hairline) for _, shape in _spread()]
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
    """The marks on a dome that is known already, such as a photo's, with the front mark `hairline_mm` above its widest

    level along the middle line; no U95, which the dome's own fit has to tell.
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


# ----------------------------------------------------------------------------- the closure


@dataclass(frozen=True)
class ClosurePlace:
    """Where the closure goes. `corners` (4, 3) are those of the ventilated rectangle as block points: front left, front

    right, back right, back left; of a lace too wide to lie as a net only the front ones (2, 3), or none without an ear
    mark (0, 3). The cap's rim, the hairline and the back edge along the middle line from the crown (mm); how far the
    hairline reaches beyond the temple marks on either side (negative: short of them; None where they are missing);
    `side_length_mm` from front to back corner straight over the block; `outline` (n, 3) is the rectangle's edge
    as it lies.
    """

    corners: FloatArray
    outline: FloatArray
    rim_v_mm: float
    hairline_v_mm: float
    back_edge_v_mm: float
    beyond_temples_mm: float | None
    side_length_mm: float | None
    advice: tuple[Advice, ...]


def closure_place(order: Order, placed: Marks, tolerances: Tolerances = DEFAULTS) -> ClosurePlace:
    """The closure's place on the block. Raises UsageProblem without a closure."""
    if order.closure is None:
        raise UsageProblem(
            "order-no-closure", f"Order {order.label} names no closure: add its size, such as 5x5, to the order."
        )
    width, length = order.closure.width_mm, order.closure.length_mm
    front_v = placed.marks["front"].along_crown_mm
    aim = tolerances.clearance_aim_mm
    low, high = tolerances.limits["clearance_centre_mm"]
    corners, outline, side = _corners(order.closure, placed, front_v)
    advice = [
        Advice(
            "hairline",
            f"{mm_and_inches(aim)} in front of the rim",
            f"The hairline lies on the front mark, and the cap's rim {aim:.0f} mm behind it ({low:g} to {high:g} mm), "
            "about the head of a T-pin, so that the rim stays hidden under the lace.",
        )
    ]
    temple = placed.marks.get("temple")
    beyond = None
    if temple is not None and temple.straight_front_mm is not None:
        beyond = width / 2 - temple.straight_front_mm
        if beyond >= 0:
            advice.append(
                Advice(
                    "temples",
                    f"lace {mm_and_inches(beyond)} beyond",
                    "The lace must lie beyond the cap's rim all the way to the temples; this one reaches past the "
                    "temple marks.",
                )
            )
        else:
            advice.append(
                Advice(
                    "temples",
                    f"hair ends {mm_and_inches(beyond)} short",
                    f"The lace must lie beyond the cap's rim all the way to the temples; hair {mm_and_inches(width)} "
                    "wide ends that much short of the temple marks on either side: let bare lace and weft cover the "
                    "rim there, or take a wider closure.",
                )
            )
    if side is None:
        advice.append(
            Advice(
                "corners",
                "front edge along the hairline",
                "Lace this wide is cut to the hairline: lay its front edge along the line from the front mark over the "
                "temples to the ears, half its width to either side.",
            )
        )
    else:
        advice.append(
            Advice(
                "corners",
                f"{side:.0f} mm front to back",
                f"Laid without pulling, the front and back corners lie about {side:.0f} mm apart over the block, "
                f"though the lace is {length:.0f} mm long: a net keeps its threads' lengths and shears (computed on "
                "this dome), so its sides run in a bow; do not pull them straight.",
                False,
            )
        )
    return ClosurePlace(corners, outline, front_v - aim, front_v, front_v - length, beyond, side, tuple(advice))


def _corners(closure: ClosureSize, placed: Marks, front_v: float) -> tuple[FloatArray, FloatArray, float | None]:
    """Corners, outline and side length as in ClosurePlace."""
    mirror = np.array([-1.0, 1.0, 1.0])
    if closure.width_mm <= WIDEST_NET_MM:
        try:
            net = drape(placed.dome, placed.chart, front_v, closure.width_mm, closure.length_mm)
        except NetLocked:
            raise UsageProblem(
                "closure-beyond-block",
                f"A closure of {closure.label} does not lie on this block without folds: check its size and the "
                "block's circumference.",
            ) from None
        front, back = net[0, -1], net[-1, -1]
        half = np.concatenate([net[0], net[1:-1, -1], net[-1, ::-1]])
        outline = np.concatenate([half, half[::-1] * mirror])
        corners = np.array([front * mirror, front, back, back * mirror])
        return corners, outline, float(geodesic_mm(placed.dome, front, back))
    if "ear" not in placed.marks:
        return np.empty((0, 3)), np.empty((0, 3)), None
    ear = placed.marks["ear"].point
    hairline = section(placed.dome, ear * mirror, placed.marks["front"].point, ear)
    half = hairline[len(hairline) // 2 :]
    walked = np.linspace(0.0, min(closure.width_mm / 2, length_mm(half)), 60)
    edge = at_length(half, walked)
    return np.array([edge[-1] * mirror, edge[-1]]), np.concatenate([edge[::-1] * mirror, edge]), None


@dataclass(frozen=True)
class Fitting:
    """Everything that follows from an order; `marks`, `slack` and `closure` are None where data for them is missing."""

    cap: Advice
    block: Advice
    slack: Slack | None
    marks: Marks | None
    closure: ClosurePlace | None
    notes: tuple[Problem, ...]


def fit(order: Order, tolerances: Tolerances = DEFAULTS) -> Fitting:
    """All of it; what is missing is told in `notes`, a sentence each."""
    notes: list[Problem] = []
    m = order.measurements
    wanted = cap_size(m)
    if order.cap.size and order.cap.size != wanted.value:
        said = f"The order has a {order.cap.size} cap where a {wanted.value} one follows: {wanted.reason}"
        notes.append(Problem("order-other-cap", said))
    slack = nape_slack(m, order.cap, tolerances.clearance_aim_mm)
    if slack is None:
        said = "Slack at the nape cannot be told without front to nape: measure the client."
        notes.append(Problem("order-no-front-to-nape", said))
    marks = place = None
    if order.block is None:
        said = "Marks need the block: tape it round its widest level and add it to the order."
        notes.append(Problem("order-no-block", said))
    else:
        marks = marks_for(order)
        notes += [Problem("order-mark-missing", said) for said in marks.missing.values()]
        if order.closure is None:
            said = "The closure's place needs its size: add it, such as 5x5, to the order."
            notes.append(Problem("order-no-closure", said))
        else:
            place = closure_place(order, marks, tolerances)
    return Fitting(wanted, block_size(m), slack, marks, place, tuple(notes))
