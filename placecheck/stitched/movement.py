"""How far the closure's corners and fold have moved between two photos of one order, on the dome.

Each photo's landmarks lie in its own surface map: u from the cap's centre line, v from the crown,
mm along the surface, in the wearer's frame. What is asked is the difference, and most of what is
unsure in one map is the same in the other: it is one block and one cap. So the two fits are joined
(best linear estimate, first order): errors of what was assumed of the block beforehand, and of the
cap's thickness, are common to both; block shape and cap must come out alike, but for how far a cap
settles while it is handled (SETTLES); and the cap's front rim, where it is in view in both photos,
must lie where it lay (RIM_SETTLES_MM). Camera, card, outline, block position, how flat the lace
lies and how well each landmark is seen are each photo's own; what makes up for the finders'
mistakes (factors) is not for what was set by hand. With prior root R and a root L of a fit's
covariance, an error z of the prior moves the unknowns by L (L^T R^T) z, with the same z in both. A
landmark has moved when its change lies outside the 99 % ellipse of no change: of six together at
most 6 in 100 are then called so wrongly. Two photos that disagree about block and cap beyond all
this tell nothing and say so. Lace is one piece: a landmark that leaves the others' common slide and
turn by more than lace gives (CLOTH_MM) was found in the wrong place in one of the photos and is
left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from placecheck.answer import LANDMARKS, Move
from placecheck.block import AT, GROUPS, Prior, unpack
from placecheck.block_fit import BlockFit
from placecheck.errors import RetakeNeeded
from placecheck.find.rim_in_picture import RIM_ALIKE_MM
from placecheck.measure import RIM_LIFT_MM, Nuisance, OnDome, line_at, put_on_dome
from placecheck.observed import CORNERS, Line, Observed
from placecheck.observing import READ_FACTOR
from placecheck.uncertainty import LACE_LIFT_U_MM, LIFT_U_MM, factor_for, mark_covariance_mm2, stations_u_mm

FloatArray = npt.NDArray[np.float64]

MOVED_CHI2 = 9.21
"""99 % of chi square with two degrees of freedom (any table)."""
SHAPE = tuple(AT[name] for name in (*GROUPS["tape"], *GROUPS["block shape"]))
SETTLES: Mapping[str, float] = {"cap yaw": 0.3, "cap roll": 0.2, "cap shift": 0.5}
"""How far a pinned cap settles between two photos, degrees and mm (common practice, no published source)."""
RIM_SETTLES_MM = 0.5
RIM_AT_MM = np.arange(-105.0, 106.0, 10.0)
"""Where along u the rims in view are compared."""
GUESSED_AT_MM = np.array([-25.0, 0.0, 25.0])
"""And those that are guessed under the hair, or carried over from a photo of the cap alone."""
LEAST_IN_VIEW = 3
FINDING_FACTOR = 1.4
"""What rim and outline are worth less than they say: the middle of the factors that judging scenes gave."""
DISAGREE = 3.0
"""Root mean square of disagreement, in standard uncertainties, beyond which two photos are not of one block."""
CLOTH_MM = 8.0
FACTOR_OF: Mapping[str, tuple[str, str]] = {
    "fold_front": ("fold_offset_front_mm", "clearance_centre_mm"),
    "fold_back": ("offset_mm", "clearance_centre_mm"),
    "front_left": ("front_corner_asymmetry_mm", "clearance_left_mm"),
    "front_right": ("front_corner_asymmetry_mm", "clearance_right_mm"),
    "back_left": ("back_corner_asymmetry_mm", "clearance_left_mm"),
    "back_right": ("back_corner_asymmetry_mm", "clearance_right_mm"),
}
"""The measures whose judged factors (uncertainty.py) fit a landmark's u and v."""


@dataclass(frozen=True)
class Placed:
    """One photo's landmarks and rim in its surface map, and how they hang on the fit's unknowns.

    `at` (2n + r,) mm: (u, v) of `names` and the rim's v at RIM_AT_MM where it is in view, at GUESSED_AT_MM where not,
    NaN where it does not reach. `slopes` (2n + r, m) are its derivatives along the columns of `root` (m, m), root of
    the unknowns' covariance about `theta`; `noise` (2n + r, 2n + r) is what is unsure beside the fit; `thick` (2n + r,)
    the effect of one standard uncertainty of the cap's thickness.
    """

    names: tuple[str, ...]
    at: FloatArray
    slopes: FloatArray
    noise: FloatArray
    thick: FloatArray
    theta: FloatArray
    root: FloatArray
    prior: Prior


def place(fit: BlockFit, prior: Prior, observed: Observed, on: OnDome, in_view: Line | None = None) -> Placed:
    """The landmarks that were seen (not those inferred) and the rim, with all that is unsure about them.

    `in_view` is what is in view of the rim beside the closure.
    """
    names = tuple(n for n in LANDMARKS if n in observed.marks and np.isfinite(on.marks_uv[n]).all())
    rims = ((in_view, RIM_AT_MM), (observed.rim, GUESSED_AT_MM))
    px = [np.zeros((0, 2)) if line is None else line.px for line, _ in rims]
    both = Line(np.concatenate(px), np.ones(sum(map(len, px))))  # one chart serves both
    slim = Observed({n: observed.marks[n] for n in names}, rim=both)

    def at(theta: FloatArray, nuisance: Nuisance | None = None) -> FloatArray:
        there = put_on_dome(unpack(theta, fit.frame), slim, nuisance, chart_step_mm=8.0)
        marks = np.array([there.marks_uv[n] for n in names]).reshape(-1)
        uvs = np.split(there.rim_uv, [len(px[0])])
        heights = [line_at(uv, u) for uv, (_, stations) in zip(uvs, rims, strict=True) for u in stations]
        return np.concatenate([marks, heights])

    base = at(fit.theta)
    u = np.sqrt(np.diag(fit.covariance))
    share, directions = np.linalg.eigh(fit.covariance / np.outer(u, u))
    root = u[:, None] * directions * np.sqrt(np.maximum(share, 1e-12))
    h = 0.3
    # along the principal directions, so that what is correlated moves together
    slopes = np.nan_to_num(np.stack([(at(fit.theta + h * column) - base) / h for column in root.T], -1))
    thick = np.nan_to_num(at(fit.theta, Nuisance(lift_mm=0.5)) - base) / 0.5 * LIFT_U_MM
    lace = np.nan_to_num(at(fit.theta, Nuisance(lace_lift_mm=0.5)) - base) / 0.5 * LACE_LIFT_U_MM
    noise = np.outer(lace, lace)
    for i, name in enumerate(names):
        mark = observed.marks[name]
        part = slice(2 * i, 2 * i + 2)
        worth = np.ones(2) if mark.by_hand else np.array([factor_for(m) for m in FACTOR_OF[name]])
        if name in CORNERS and not mark.by_hand:
            worth[0] *= READ_FACTOR  # as in with_steadied_corners, on whose corners the factor was found
        noise[part, part] += np.outer(worth, worth) * mark_covariance_mm2(
            fit.geometry, on, mark.px, mark.covariance_px2
        )
    first = 2 * len(names)
    for line, stations in rims:
        rows = slice(first, first + len(stations))
        first = rows.stop
        if line is None:
            continue
        uv = on.chart.to_uv(fit.geometry.hit(line.px, RIM_LIFT_MM))
        u_mm = np.nan_to_num(stations_u_mm(fit.geometry, on, line, uv, stations, RIM_LIFT_MM))
        u_mm = u_mm if line is in_view or line.by_hand else FINDING_FACTOR * u_mm
        noise[rows, rows] += np.outer(u_mm, u_mm) * _alike(stations)
    exact = np.concatenate([np.array([on.marks_uv[n] for n in names]).reshape(-1), base[2 * len(names) :]])
    return Placed(names, exact, slopes, noise, thick, fit.theta, root, prior)


def _alike(at_mm: FloatArray) -> FloatArray:
    """Correlation (K, K) of what is shared by neighbouring places of a rim: what is misread, and how it settled."""
    out: FloatArray = np.exp(-np.abs(at_mm[:, None] - at_mm) / RIM_ALIKE_MM)
    return out


def moves(before: Placed, after: Placed, same_tape: bool = True) -> dict[str, Move]:
    """How each landmark seen in both photos moved, `after` minus `before`.

    Raises RetakeNeeded where there is none or the photos disagree. Under two tapes nothing that was assumed
    beforehand counts as shared.
    """
    names = tuple(n for n in before.names if n in after.names)
    if not names:
        raise RetakeNeeded(
            "moves-nothing-in-common",
            "neither an end of the fold nor a corner is seen in both photos: take the photo again from where the "
            "pinned one was taken",
        )
    old, new, stations = _rows(before, after, names)
    change = after.at[new] - before.at[old]
    # unknowns: the two fits' errors, whitened; their correlation is the prior's error, seen through both
    m = before.root.shape[1]
    both = np.eye(2 * m)
    if same_tape:
        seen = [p.root.T @ p.prior.root[list(SHAPE)].T for p in (before, after)]
        both[:m, m:] = seen[0] @ seen[1].T
        both[m:, :m] = both[:m, m:].T
    by_error = np.concatenate([-before.slopes[old], after.slopes[new]], axis=1)
    thick = after.thick[new] - before.thick[old]
    own = before.noise[np.ix_(old, old)] + after.noise[np.ix_(new, new)] + np.outer(thick, thick)
    # what must be alike: the block, the cap, the rim
    alike = [*SHAPE, *(AT[name] for name in SETTLES)]
    scale = before.prior.u[alike]
    same = np.concatenate([-before.root[alike], after.root[alike]], axis=1) / scale[:, None]
    settles = np.array(
        [0.03] * len(SHAPE) + [u / s for u, s in zip(SETTLES.values(), scale[len(SHAPE) :], strict=True)]
    )
    rim = slice(2 * len(names), None)
    h = np.concatenate([same, by_error[rim]])
    r = np.zeros((len(h), len(h)))
    r[: len(alike), : len(alike)] = np.diag(settles**2)
    r[len(alike) :, len(alike) :] = own[rim, rim] + _alike(stations) * RIM_SETTLES_MM**2
    gap = np.concatenate([(after.theta[alike] - before.theta[alike]) / scale, change[rim]])
    marks = slice(0, 2 * len(names))
    cross = by_error[marks] @ both @ h.T
    cross[:, len(alike) :] += own[marks, rim]
    gap_covariance = h @ both @ h.T + r
    gain = np.linalg.solve(gap_covariance, cross.T).T
    # theta is what was estimated: errors make up the whole gap where block and cap are truly alike
    disagreement = math.sqrt(float(gap @ np.linalg.solve(gap_covariance, gap)) / len(gap))
    if disagreement > DISAGREE:
        raise RetakeNeeded(
            "pinned-other-block",
            "the two photos do not agree about block and cap, so the closure's moves cannot be told from theirs: take "
            "the photo again from where the pinned one was taken",
        )
    covariance = by_error[marks] @ both @ by_error[marks].T + own[marks, marks] - gain @ cross.T
    moved = (change[marks] - gain @ gap).reshape(-1, 2)
    u = np.sqrt(np.diag(covariance)).reshape(-1, 2)
    kept = of_one_cloth(before.at[old][marks].reshape(-1, 2), moved, np.maximum(CLOTH_MM, 3.0 * u.max(1)))
    if not kept:
        raise RetakeNeeded(
            "moves-odd",
            "the corners and the fold seem to have moved against each other further than lace can give: uncover them "
            "and take the photo again",
        )
    return {names[i]: _move(moved[i], covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]) for i in kept}


def of_one_cloth(at_mm: FloatArray, moved_mm: FloatArray, gives_mm: FloatArray) -> tuple[int, ...]:
    """The largest set of landmarks (n, 2), at least three or all, whose moves (n, 2) are one slide and one turn.

    Each may leave it by `gives_mm` (n,). Empty where there is no such set.
    """
    n = len(at_mm)
    middle = at_mm.mean(axis=0)
    x, y = (at_mm - middle).T
    rows = np.zeros((n, 2, 3))
    rows[:, 0, 0], rows[:, 1, 1] = 1.0, 1.0
    rows[:, 0, 2], rows[:, 1, 2] = y, -x
    for size in range(n, min(3, n) - 1, -1):
        found: list[tuple[float, tuple[int, ...]]] = []
        for chosen in combinations(range(n), size):
            part = list(chosen)
            a, b = rows[part].reshape(-1, 3), moved_mm[part].reshape(-1)
            left = (b - a @ np.linalg.lstsq(a, b, rcond=None)[0]).reshape(-1, 2)
            worst = float((np.linalg.norm(left, axis=1) / gives_mm[part]).max(initial=0.0))
            found.append((worst, chosen))
        worst, best = min(found)
        if worst <= 1.0:
            return best
    return ()


def _rows(before: Placed, after: Placed, names: tuple[str, ...]) -> tuple[list[int], list[int], FloatArray]:
    """Rows of `at` in both photos of these landmarks and of the rim, where both have it, and where along u that is.

    What is in view in both counts alone, where it is enough; else what is guessed.
    """
    first = [2 * len(p.names) for p in (before, after)]
    rims = [p.at[n:] for p, n in zip((before, after), first, strict=True)]
    both = np.isfinite(rims[0]) & np.isfinite(rims[1])
    n = len(RIM_AT_MM)
    if both[:n].sum() >= LEAST_IN_VIEW:
        both[n:] = False
    else:
        both[:n] = False
    kept = np.nonzero(both)[0]
    old, new = (
        [2 * p.names.index(name) + k for name in names for k in (0, 1)] + [start + int(i) for i in kept]
        for p, start in zip((before, after), first, strict=True)
    )
    return old, new, np.concatenate([RIM_AT_MM, GUESSED_AT_MM])[kept]


def _move(change: FloatArray, covariance: FloatArray) -> Move:
    u = np.sqrt(np.diag(covariance))
    length = float(np.linalg.norm(change))
    along = change / length if length > 0 else np.array([1.0, 0.0])
    far = float(change @ np.linalg.solve(covariance, change))
    return Move(
        float(change[0]),
        float(change[1]),
        float(u[0]),
        float(u[1]),
        math.sqrt(float(along @ covariance @ along)),
        far > MOVED_CHI2,
    )
