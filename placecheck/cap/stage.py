"""Before the closure: is the cap centred on the block? One photo of the cap alone, from its pixels to Measured.

Card, camera, block and cap are found by `cap/sight.py`. What the cap is compared with is the block's own line: the
printed or drawn one where it is seen in front of the rim (find/block_line.py), else the plane of the block's
symmetry, which is the fitted dome's frame. The line is joined with the fit as a further observation, linear in the
unknowns (a Kalman update): its plane is turned and shifted against the dome's by what lines are off the middle
(PRINT_U), or as photos of the bare block have shown it (bare_block/plane.py), its visible stretch must lie in it, so
block, cap and line come out with one covariance. The shift is read at the cap's front edge, where both lines are
seen, positive to the wearer's right; the turn is positive when the front is too far right for where the crown is. The
rim's heights at the temples and the pair of seams behind are read against the same line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import (
    BARE_LINE,
    NO_BLOCK_LINE,
    RIM_WORDS,
    UNDER_THE_CAP,
    Contribution,
    Estimate,
    Findings,
    Measured,
)
from placecheck.block import GROUPS, NAMES, Geometry, outline_px, unpack
from placecheck.block_fit import BlockFit
from placecheck.camera import Camera
from placecheck.cap.sight import CapSighting, sight_cap
from placecheck.errors import Problem
from placecheck.find.block_line import BlockLine
from placecheck.find.closure import rim_v_mm
from placecheck.find.rim_in_picture import RIM_READ
from placecheck.find.unroll import Unrolling
from placecheck.findings import view_of
from placecheck.known_dome import KnownLine
from placecheck.mid_plane import MidPlane
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.steps import enumerated
from placecheck.surface import unit
from placecheck.surface_map import centre_line
from placecheck.undecided import FLAT_LEAN_DEG

FloatArray = npt.NDArray[np.float64]
Explain = Callable[[str, Any], None]

PRINT_U = (0.8, 1.5)
"""How far a block's line is turned (deg) and shifted (mm) off its middle (common practice, no published source)."""
EVEN_U = (0.3, 0.3)
"""The same of the block's own middle: no block is quite even."""
TEMPLE_DEG = 55.0
TEMPLE_REACH_DEG = 9.0
TEMPLE_FACING = 0.08
"""The rim's height counts where the surface faces the lens by more: nearer to the outline a pixel is centimetres."""
TEMPLE_DOWN_MM = 10.0
"""How far down the way is looked at in which the edge is drawn there."""
RIM_U_MM = 0.6
EVEN_COST = 10.0
"""The fit's sum of squares where outline, card and cap agree; beyond, what they say is doubted (Birge's ratio)."""
FACTORS: Mapping[str, float] = {"cap_shift_mm": 1.2, "cap_turn_deg": 1.2}
"""What the uncertainties are multiplied by, found on scenes with truth."""
NOT_SEEN: Mapping[str, tuple[str, str]] = {
    "cap_shift_mm": ("cap-shift-missing", "How far the cap is off the middle could not be told: take the photo again."),
    "cap_turn_deg": ("cap-turn-missing", "How far the cap is turned could not be told: take the photo again."),
    "back_seams_mm": (
        "back-seams-missing",
        "No pair of seams was seen behind the crown; a cap with one seam in the middle has none.",
    ),
}
ASIDE_DEG = 8.0
"""Held farther aside of the block's middle than this, the phone may have the other temple behind the outline."""


@dataclass(frozen=True)
class Joined:
    """Fit and block line as one: unknowns, the line's turn (deg) and shift (mm), and a root of their covariance.

    `root` (n + 2, m) has the unknowns' covariance as root root^T.
    """

    theta: FloatArray
    line_yaw_deg: float
    line_shift_mm: float
    root: FloatArray


def kept_line(fit: BlockFit) -> KnownLine | None:
    """The line that was seen on the bare block, where a saved one was named and has one."""
    return None if fit.known is None else fit.known.line


def join_line(fit: BlockFit, grid: Unrolling, lines: Sequence[BlockLine]) -> Joined:
    """The fit joined with the block's line, seen here or kept with the block; without, it is the dome's middle."""
    n = len(NAMES)
    kept = kept_line(fit)
    mean = (0.0, 0.0) if kept is None else (kept.yaw_deg, kept.shift_mm)
    u = np.sqrt(np.diag(fit.covariance))
    share, directions = np.linalg.eigh(fit.covariance / np.outer(u, u))
    u *= math.sqrt(max(1.0, fit.cost / EVEN_COST))
    root = np.zeros((n + 2, n + 2))
    root[:n, :n] = u[:, None] * directions * np.sqrt(np.maximum(share, 1e-12))
    if kept is not None:
        root[n:, n:] = np.linalg.cholesky(np.array(kept.covariance))
    else:
        root[n:, n:] = np.diag(PRINT_U if lines else EVEN_U)
    start = np.append(fit.theta, mean)
    if not lines:
        return Joined(fit.theta, *mean, root)
    ends, noise = [], np.zeros((2 * len(lines), 2 * len(lines)))
    for i, line in enumerate(lines):
        uv, noise[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = line.ends()
        ends.append(uv)
    px = fit.geometry.to_px(grid.chart.to_points(np.concatenate(ends)))
    state = start

    def away(x: FloatArray) -> FloatArray:
        """How far (2 lines,) mm the ends of what is seen lie beside the line's plane."""
        return _beside(unpack(x[:n], fit.frame).hit(px), x[n], x[n + 1])

    for _ in range(2):
        base = away(state)
        jac = np.stack([(away(state + 0.3 * root[:, k]) - base) / 0.3 for k in range(n + 2)], -1)
        # the step that the prior still wants back, from where the last round has gone
        gone = np.linalg.solve(root, state - start)
        gain = jac.T @ np.linalg.inv(jac @ jac.T + noise)
        state = start + root @ (gain @ (jac @ gone - base))
    left = np.eye(n + 2) - gain @ jac
    return Joined(state[:n], float(state[n]), float(state[n + 1]), root @ np.linalg.cholesky((left + left.T) / 2))


def _beside(points: FloatArray, yaw_deg: float, shift_mm: float) -> FloatArray:
    """Signed distance (...,) of block-frame points from the upright plane turned by `yaw_deg` and shifted."""
    a = math.radians(yaw_deg)
    out: FloatArray = points[..., 0] * math.cos(a) + points[..., 1] * math.sin(a) - shift_mm
    return out


def measure_joined(seen: CapSighting, joined: Joined) -> dict[str, tuple[float, FloatArray]]:
    """Every measure with its derivatives (m,) along the columns of `joined.root`; absent where it cannot be had.

    Raises RetakeNeeded where the cap's centre line was not seen.
    """
    n, frame = len(NAMES), seen.fit.frame
    names, rim_px, rim_u = ["cap_shift_mm", "cap_turn_deg"], *_temple_px(seen)
    if seen.pair:
        names.append("back_seams_mm")
    if rim_px is not None:
        names.append("temple_rim_mm")
    front_v, back_v = rim_v_mm(seen.rim), _rearmost_mm(seen)

    def at(x: FloatArray) -> FloatArray:
        geometry, yaw, shift = unpack(x[:n], frame), float(x[n]), float(x[n + 1])
        line = centre_line(geometry.dome, geometry.cap, n=121)
        beside = _beside(line, yaw, shift)
        top = int(np.argmax(line[:, 2]))
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        front, back = np.interp([front_v, back_v], arc - arc[top], beside)
        out = [float(front), yaw - geometry.cap.yaw_deg]
        if seen.pair:
            out.append(2.0 * float(back))
        if rim_px is not None:
            out.append(_temple_difference(geometry.hit(rim_px, 0.2), yaw, shift))
        return np.array(out)

    state = np.append(joined.theta, [joined.line_yaw_deg, joined.line_shift_mm])
    base = at(state)
    jac = np.stack([(at(state + 0.3 * column) - base) / 0.3 for column in joined.root.T], -1)
    jac = np.nan_to_num(jac)
    found = {name: (float(base[i]), jac[i]) for i, name in enumerate(names) if np.isfinite(base[i])}
    if "temple_rim_mm" in found:
        value, slope = found["temple_rim_mm"]
        found["temple_rim_mm"] = (value, np.append(slope, rim_u))
    return found


def _rearmost_mm(seen: CapSighting) -> float:
    """v of the rearmost seen point of the cap's centre line."""
    uv = seen.grid.chart.to_uv(seen.fit.geometry.hit(seen.middle.px))
    return float(np.nanmin(uv[:, 1]))


def _azimuth_deg(points: FloatArray, yaw_deg: float, shift_mm: float) -> FloatArray:
    a = math.radians(yaw_deg)
    ahead = -points[..., 0] * math.sin(a) + points[..., 1] * math.cos(a)
    out: FloatArray = np.degrees(np.arctan2(_beside(points, yaw_deg, shift_mm), ahead))
    return out


def _temple_px(seen: CapSighting) -> tuple[FloatArray | None, float]:
    """Photo pixels of the rim about both temples, (N, 2), and the standard uncertainty of the difference in mm."""
    raw = seen.standing.sighting.rim
    if len(raw.uv) < 12:
        return None, 0.0
    points = seen.grid.chart.to_points(raw.uv)
    azimuth = _azimuth_deg(points, 0.0, 0.0)
    near = np.abs(np.abs(azimuth) - TEMPLE_DEG) < 2 * TEMPLE_REACH_DEG
    near &= seen.fit.geometry.visible(points, TEMPLE_FACING)
    sides = [near & (np.sign(azimuth) == sign) for sign in (-1.0, 1.0)]
    if min(int(side.sum()) for side in sides) < 6:
        return None, 0.0
    u = [max(RIM_U_MM, RIM_READ * float(np.median(raw.u_mm[side]))) for side in sides]
    return seen.grid.to_px(raw.uv[near]), math.hypot(*u)


def _temple_difference(points: FloatArray, yaw_deg: float, shift_mm: float) -> float:
    """Height of the rim at the wearer's right temple over that at the left, mm; NaN where one is not reached."""
    azimuth = _azimuth_deg(points, yaw_deg, shift_mm)
    heights = []
    for sign in (1.0, -1.0):
        x = sign * azimuth - TEMPLE_DEG
        ok = np.isfinite(x) & (np.abs(x) < 2 * TEMPLE_REACH_DEG)
        if ok.sum() < 5 or x[ok].min() > 3.0 or x[ok].max() < -3.0:
            return math.nan
        heights.append(float(np.polyfit(x[ok], points[ok, 2], 1)[1]))
    return heights[0] - heights[1]


def _temple_unseen(seen: CapSighting, lean_deg: float) -> Problem:
    """Why the rim is not seen at a temple, and what would show it: cut off, seen from one side or from above, covered.

    A phone that leans far, to 60 degrees and more, still sees both.
    """
    geometry, (height, width) = seen.fit.geometry, seen.standing.stage.colours.photo_shape
    edge = outline_px(geometry, 72)
    aside_deg = math.degrees(math.asin(float(geometry.eye_mm[0] / np.linalg.norm(geometry.eye_mm))))
    where, how = "both temples", []
    if (edge < 0).any() or (edge > (width - 1, height - 1)).any():
        how.append("step back until the whole block is in the picture")
    if abs(aside_deg) > ASIDE_DEG:
        near, far = ("right", "left") if aside_deg > 0 else ("left", "right")
        where = f"the wearer's {far} temple"
        how.append(f"hold the phone straight in front of the face, not to the wearer's {near} of it")
    if lean_deg < FLAT_LEAN_DEG:
        how.append(f"lean {'it' if how else 'the phone'} 40 to 50 degrees toward the face")
    told = enumerated(how) or "uncover the edge there, and hold the phone straight in front of the face"
    return Problem("temple-rim-missing", f"The cap's edge was not seen at {where}: {told}.")


def measure_cap(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure one photo of the cap alone. Raises RetakeNeeded where a step cannot go on."""
    seen = sight_cap(photo, request, camera)
    joined = join_line(seen.fit, seen.line_grid, seen.lines)
    found = measure_joined(seen, joined)
    where = ["the block's line in front of the cap"] if seen.line is not None else []
    where += ["what shows of it through the mesh"] if seen.under is not None else []
    where += [BARE_LINE] if kept_line(seen.fit) is not None else []
    where = [", ".join(where[:-1]), where[-1]] if len(where) > 1 else where
    against = " and ".join(where) or "the middle of the block's outline"
    words = (f"against {against}", *(f"cap's line: {e}" for e in seen.middle.evidence))
    estimates = {
        name: Estimate(value, FACTORS.get(name, 1.0) * float(np.linalg.norm(slope)), _budget(slope, joined), words)
        for name, (value, slope) in found.items()
    }
    view = view_of(seen.fit.geometry, seen.grid.chart)
    missing = {name: Problem(code, message) for name, (code, message) in NOT_SEEN.items() if name not in estimates}
    if "temple_rim_mm" not in estimates:
        missing["temple_rim_mm"] = _temple_unseen(seen, view.lean_to_face_deg)
    measured = Measured(
        estimates,
        missing,
        _findings(seen, joined),
        _notes(seen, view.lean_to_face_deg, "temple_rim_mm" in estimates),
        view,
        None,
        "cap",
    )
    if explain is not None:
        explain("unrolled", seen.picture[..., :3])
    return measured


def _notes(seen: CapSighting, lean_deg: float, temples_seen: bool) -> tuple[Problem, ...]:
    """What is to be said of the photo; how to lean the phone only where the temples, unseen, do not ask for it too."""
    if seen.line is not None or kept_line(seen.fit) is not None:
        return seen.notes
    lean = ", or lean the phone further toward the face" if temples_seen and lean_deg < FLAT_LEAN_DEG else ""
    return (
        *seen.notes,
        Problem(
            NO_BLOCK_LINE,
            "No middle line was seen on the block in front of the cap, so the cap is compared with the middle of the "
            f"block's outline, which is less sure: chalk the line longer{lean}.",
        ),
    )


def _budget(slope: FloatArray, joined: Joined) -> tuple[Contribution, ...]:
    """Where the uncertainty comes from: each group's own part, scaled so that the squares add up to the total."""
    n, m = len(NAMES), joined.root.shape[1]
    by_unknown = np.linalg.lstsq(joined.root.T, slope[:m], rcond=None)[0]
    covariance = joined.root @ joined.root.T
    groups = {words: [NAMES.index(name) for name in names] for words, names in GROUPS.items()}
    groups[UNDER_THE_CAP] = [n, n + 1]
    parts = {w: float(by_unknown[i] @ covariance[np.ix_(i, i)] @ by_unknown[i]) for w, i in groups.items()}
    scale = float(slope[:m] @ slope[:m]) / max(sum(parts.values()), 1e-18)
    lines = [Contribution(words, math.sqrt(max(part * scale, 0.0))) for words, part in parts.items()]
    if len(slope) > m:
        lines.append(Contribution(RIM_WORDS, float(abs(slope[m]))))
    return tuple(sorted((line for line in lines if line.u > 1e-6), key=lambda line: -line.u))


def _findings(seen: CapSighting, joined: Joined) -> Findings:
    geometry = unpack(joined.theta, seen.fit.frame)
    lines: dict[str, FloatArray] = {"outline": outline_px(geometry, 144)}
    if len(seen.rim.uv) >= 3:
        lines["cap_rim"] = seen.grid.to_px(seen.rim.uv)
    front = rim_v_mm(seen.rim)
    block_middle = MidPlane(joined.line_yaw_deg, joined.line_shift_mm)
    for name, plane, last in (("centre_line", geometry.cap, front), ("block_line", block_middle, math.inf)):
        points = centre_line(geometry.dome, plane, n=181)
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        keep = geometry.visible(points, 0.08) & (arc - arc[int(np.argmax(points[:, 2]))] < last)
        lines[name] = geometry.to_px(points[keep])
    rim_px, _ = _temple_px(seen)
    if rim_px is not None:
        lines |= _temples(geometry, rim_px, joined)
    crown = seen.grid.chart.to_points(np.array([[-25.0, 0.0], [25.0, 0.0]]))
    return Findings(lines_px=lines, scale_bar_px=seen.fit.geometry.to_px(crown))


def _temples(geometry: Geometry, rim_px: FloatArray, joined: Joined) -> dict[str, FloatArray]:
    """From the cap's edge at either temple down the block, (2, 2) px each; `rim_px` (N, 2) about both."""
    rim = geometry.hit(rim_px)
    azimuth = _azimuth_deg(rim, joined.line_yaw_deg, joined.line_shift_mm)
    found = {}
    for name, sign in (("temple_left", -1.0), ("temple_right", 1.0)):
        at = rim[np.nanargmin(np.abs(sign * azimuth - TEMPLE_DEG))]
        way = unit(at - [0.0, 0.0, TEMPLE_DOWN_MM])
        found[name] = geometry.to_px(np.stack([at, way * geometry.dome.radius(way)]))
    return found
