"""The closure's place on the block: its corners and edge, the cap's rim, and what to tell the maker.

The hairline lies on the front mark, the rim the aimed clearance behind it, the back edge the
lace's length behind the hairline, all along the middle line. The lace is laid as a net whose
threads keep their lengths (drape.py), from the front mark backward; so its corners come
nearer to each other than on a table, and its sides bow. Lace too wide to lie so is cut to
the hairline, and its front edge runs along the plane through front and ears. Whether the
lace reaches the temple marks is told from the straight length between front and temple.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.drape import NetLocked, drape
from placecheck.errors import UsageProblem
from placecheck.fitting.block_marks import Marks
from placecheck.fitting.sizes import Advice
from placecheck.orders.order import Order
from placecheck.surface import geodesic_mm
from placecheck.tapeline import at_length, length_mm, section
from placecheck.tolerances import DEFAULTS, Tolerances
from placecheck.units import ClosureSize, mm_and_inches

FloatArray = npt.NDArray[np.float64]

WIDEST_NET_MM = 180.0
"""Wider laces are cut to the hairline and do not lie as a flat net."""


@dataclass(frozen=True)
class ClosurePlace:
    """Where the closure goes; places along the middle line are mm from the crown, positive forward.

    `corners` (4, 3) are those of the ventilated rectangle as block points: front left, front right, back right, back
    left; of a lace too wide to lie as a net only the front ones (2, 3), or none without an ear mark (0, 3). `outline`
    (n, 3) is the rectangle's edge as it lies. `rim_v_mm`, `hairline_v_mm` and `back_edge_v_mm` lie along the middle
    line. `beyond_temples_mm` is how far the hairline reaches beyond the temple marks on either side (negative: short of
    them; None where they are missing), `side_length_mm` the way from front to back corner straight over the block.
    """

    corners: FloatArray
    outline: FloatArray
    rim_v_mm: float
    hairline_v_mm: float
    back_edge_v_mm: float
    beyond_temples_mm: float | None
    side_length_mm: float | None
    advice: tuple[Advice, ...]

    @property
    def cut(self) -> bool:
        """Whether the lace is too wide for a net and is cut to the hairline: only its front is known."""
        return len(self.corners) != 4

    @property
    def edge_round(self) -> FloatArray | None:
        """The outline where it goes once round, else None."""
        return None if self.cut else self.outline


def closure_place(order: Order, placed: Marks, tolerances: Tolerances = DEFAULTS) -> ClosurePlace:
    """The closure's place on the block. Raises UsageProblem without a closure."""
    if order.closure is None:
        raise UsageProblem(
            "order-no-closure", f"Order {order.label} names no closure: add its size, such as 5x5, to the order."
        )
    width, length = order.closure.width_mm, order.closure.length_mm
    front_v = placed.marks["front"].along_crown_mm
    aim = tolerances.clearance_aim_mm
    low, high = tolerances.clearance_limits_mm
    corners, outline, side = _corners(order.closure, placed, front_v)
    advice = [
        Advice(
            "hairline",
            f"{mm_and_inches(aim)} in front of the rim",
            f"The hairline lies on the front mark, and the cap's rim {aim:g} mm behind it ({low:g} to {high:g} mm), "
            f"{'about the head of a T-pin, ' if aim == DEFAULTS.clearance_aim_mm else ''}so that the rim stays hidden "
            "under the lace.",
        )
    ]
    temple = placed.marks.get("temple")
    beyond = None
    if temple is not None and temple.straight_front_mm is not None:
        beyond = width / 2 - temple.straight_front_mm
        advice.append(_temples_advice(beyond, width))
    advice.append(_corners_advice(side, length))
    return ClosurePlace(corners, outline, front_v - aim, front_v, front_v - length, beyond, side, tuple(advice))


def _temples_advice(beyond_mm: float, width_mm: float) -> Advice:
    """What to do at the temples with hair `width_mm` wide that reaches `beyond_mm` past their marks, or ends short."""
    if beyond_mm >= 0:
        return Advice(
            "temples",
            f"lace {mm_and_inches(beyond_mm)} beyond",
            "The lace must lie beyond the cap's rim all the way to the temples; this one reaches past the temple "
            "marks.",
        )
    return Advice(
        "temples",
        f"hair ends {mm_and_inches(beyond_mm)} short",
        f"The lace must lie beyond the cap's rim all the way to the temples; hair {mm_and_inches(width_mm)} wide ends "
        "that much short of the temple marks on either side: let bare lace and weft cover the rim there, or take a "
        "wider closure.",
    )


def _corners_advice(side_mm: float | None, lace_mm: float) -> Advice:
    """How the corners lie: `side_mm` from front to back over the block, or along the hairline where that is None."""
    if side_mm is None:
        return Advice(
            "corners",
            "front edge along the hairline",
            "Lace this wide is cut to the hairline: lay its front edge along the line from the front mark over the "
            "temples to the ears, half its width to either side.",
        )
    if round(side_mm) == round(lace_mm):
        return Advice(
            "corners",
            f"{side_mm:.0f} mm front to back",
            f"Laid without pulling, the front and back corners lie {side_mm:.0f} mm apart over the block, as far as "
            "the lace is long: a net this small hardly shears (computed on this dome).",
            False,
        )
    return Advice(
        "corners",
        f"{side_mm:.0f} mm front to back",
        f"Laid without pulling, the front and back corners lie about {side_mm:.0f} mm apart over the block, though the "
        f"lace is {lace_mm:.0f} mm long: a net keeps its threads' lengths and shears (computed on this dome), so its "
        "sides run in a bow; do not pull them straight.",
        False,
    )


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
