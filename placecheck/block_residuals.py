"""What one photo says of card and block, as residuals: how far from what is seen each set of unknowns would put it.

Three kinds, each over its standard uncertainty. The card's corners: reprojected. The outline: the ray
through an outline pixel just touches the dome, so the least radial height of the ray above the
surface is zero (for an ellipsoid that is the dual-quadric outline, Hartley & Zisserman 8.3, but it
holds for any star-shaped dome); neighbouring points are correlated, so together they weigh as much
as OUTLINE_INDEPENDENT independent ones, and Huber's loss makes pins and hair that stand out count
less. And, once they are found, clues: the cap's centre line lies in one plane, and the closure's
fold has a known length. `PhotoResiduals` also linearises them, by differences in stacks of unknowns, to the
normal equations of a least-squares step; the prior is one more residual there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from placecheck.answer import OUTLINE_WORDS, SIZE_WORDS
from placecheck.block import (
    AT,
    CAP_LINE_WORDS,
    CARD_WORDS,
    GROUP_OF,
    GROUPS,
    NAMES,
    Frame,
    Geometries,
    Prior,
    outline_heights,
    stack_of_one,
    unpack,
    unpack_many,
)
from placecheck.camera import Camera, pose_from_homography, project, rotations
from placecheck.surface import level, section_mm

FloatArray = npt.NDArray[np.float64]

OUTLINE_INDEPENDENT = 30.0
OUTLINE_MODEL_MM = 0.5  # cap mesh, hair and pins at the outline: what the shape family does not follow
STRAIGHT_MM = 0.1  # ends that moved less change a known length by 0.02 mm at most, of the 2 mm it is known to
LEAST_AXIS_MM = 10.0  # a dome's height, and its depth below the widest level: a long step may leave nothing of either
CARD_UNKNOWNS = 10  # the first unknowns, all that the card's corners depend on


@dataclass(frozen=True)
class Shown:
    """What one photo shows of card and block: pixels, with standard uncertainties, and the camera they are in.

    `corners_px` (N, 2) are the card's corners at `board_mm` (N, 2) on the card, `outline_px` (M, 2) points of the
    block's outline.
    """

    camera: Camera
    board_mm: FloatArray
    corners_px: FloatArray
    corner_u_px: float
    outline_px: FloatArray
    outline_u_px: float


@dataclass(frozen=True)
class Clues:
    """What cap and closure tell about the block once they are found.

    The cap's centre line lies in one plane: `centre_px` (K, 2) with `centre_u_px` (K,) across it, and `pins_px` (Q, 2),
    heads of pins on the line, with `pins_u_px`. Lengths on the closure are known: `pairs_px` (P, 2, 2) are the ends of
    each, `pairs_mm` (P,) how long it is, to `pairs_u_mm` (P,). Line and closure lie `lift_mm` over the dome, pin heads
    `pins_lift_mm`; `rim_yaw_deg` is the cap's turn as the rim's symmetry has it, with its standard uncertainty.
    """

    centre_px: FloatArray
    centre_u_px: FloatArray
    pairs_px: FloatArray
    pairs_mm: FloatArray
    pairs_u_mm: FloatArray
    lift_mm: float
    pins_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    pins_u_px: FloatArray = field(default_factory=lambda: np.zeros(0))
    pins_lift_mm: float = 0.0
    rim_yaw_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class State:
    """Everything evaluated at one value of the unknowns: residuals of card, clues and prior, over their uncertainty.

    Of the outline, `height` (M,) is how far its rays pass over the dome, `at` where along them, and `sd` its standard
    uncertainty, mm. `clue_mm` is how far from the lens the clues' points lie, `cost` Huber's sum of all squares.
    """

    theta: FloatArray
    card: FloatArray
    height: FloatArray
    at: FloatArray
    sd: FloatArray
    clue: FloatArray
    clue_mm: FloatArray
    pull: FloatArray
    cost: float

    @property
    def on_dome(self) -> npt.NDArray[np.bool_]:
        """Which of the outline's rays (M,) touch the dome, and not the body below it."""
        return np.asarray(self.sd <= 2.0 * float(self.sd.min()))


def sum_of(sources: Mapping[str, FloatArray]) -> FloatArray:
    """The normal matrix (n, n) of all sources together."""
    out: FloatArray = np.sum(list(sources.values()), axis=0)
    return out


class PhotoResiduals:
    """The residuals of one photo and its prior, and their normal equations.

    Unknowns are those of block.NAMES: `theta` (n,), stacks of them `thetas` (B, n). `step` (n,) is how far each is
    moved for a difference. `crowd` and `seam_crowd` are by how much the standard uncertainty of an outline's or a
    seam's point is larger because neighbours share their error. `bend` (P,) is the surface's length over the chord of
    each known length, last measured with its ends at `ends` (P, 2, 3).
    """

    def __init__(self, shown: Shown, prior: Prior, clues: Clues | None) -> None:
        camera = shown.camera
        centre = np.array([camera.cx_px, camera.cy_px])
        r0, t0 = pose_from_homography(shown.board_mm, shown.corners_px, camera.f_px, centre, camera.k1)
        self.frame = Frame(r0, t0, camera.f_px, float(np.hypot(camera.width, camera.height)))
        self.board = np.concatenate([shown.board_mm, np.zeros((len(shown.board_mm), 1))], axis=1)
        self.shown, self.prior, self.clues = shown, prior, clues
        self.crowd = float(np.sqrt(max(1.0, len(shown.outline_px) / OUTLINE_INDEPENDENT)))
        self.bend = np.ones(0)
        self.ends = np.full((0, 2, 3), np.nan)
        self.seam_crowd = 1.0
        if clues is not None:
            self.bend = np.ones(len(clues.pairs_mm))
            self.ends = np.full((len(clues.pairs_mm), 2, 3), np.inf)
            self.clue_px = np.concatenate([clues.centre_px, clues.pairs_px.reshape(-1, 2), clues.pins_px])
            self.clue_lift_mm = np.full(len(self.clue_px), clues.lift_mm)
            self.clue_lift_mm[len(self.clue_px) - len(clues.pins_px) :] = clues.pins_lift_mm
            n = len(clues.centre_px)
            run_px = float(np.linalg.norm(np.diff(clues.centre_px, axis=0), axis=1).sum()) if n > 1 else 0.0
            run_mm = run_px * float(np.linalg.norm(t0)) / camera.f_px
            # neighbouring points of a seam share their error over some 20 mm
            self.seam_crowd = float(np.sqrt(max(1.0, n / max(2.0, run_mm / 20.0))))
        step = np.minimum(prior.u * 1e-3, 1e-2)
        step[AT["card rot x"] : AT["card rot z"] + 1] = 1e-5
        step[AT["block yaw"]] = 1e-3
        self.step = step

    def card_part(self, theta: FloatArray) -> FloatArray:
        """`card_parts` (2 N,) for one set of unknowns (n,)."""
        return self.card_parts(theta[None])[0]

    def card_parts(self, thetas: FloatArray) -> FloatArray:
        """The card's residuals (B, 2 N), over their uncertainty, for unknowns (B, n)."""
        r = rotations(thetas[:, 4:7]) @ self.frame.card_rotation
        t = self.frame.card_translation + thetas[:, 7:10]
        f = self.frame.start_f_px * np.exp(thetas[:, 0])
        seen = self.board @ np.swapaxes(r, 1, 2) + t[:, None]
        p = project(seen, f[:, None, None], thetas[:, None, 1:3], thetas[:, 3, None, None])
        out: FloatArray = ((p - self.shown.corners_px) / self.shown.corner_u_px).reshape(len(thetas), -1)
        return out

    def outline_part(self, theta: FloatArray, at: FloatArray | None) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Heights of the outline's rays above the dome, where along the rays, and z there."""
        return outline_heights(unpack(theta, self.frame), self.shown.outline_px, at)

    def outline_parts(self, thetas: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Heights (B, M) of the outline's rays above the dome at `at` (M,) along them, and z there; `thetas` (B, n)."""
        return self._outlines(unpack_many(thetas, self.frame), at)

    def _outlines(self, g: Geometries, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        p = g.eye_mm + at[:, None] * g.block_rays(self.shown.outline_px)
        return level(g.dome, p), p[..., 2]

    def outline_sd(self, mm_per_px: FloatArray | float, z: FloatArray) -> FloatArray:
        """Standard uncertainty in mm of such heights.

        Below the widest level the body is no dome and counts less; further down the outline is its bottom edge, which a
        leaning photo sees, and counts for nothing.
        """
        low, bottom = np.clip((-z - 5.0) / 15.0, 0.0, 1.0), np.clip((-z - 50.0) / 30.0, 0.0, 1.0)
        times = 1.0 + 5.0 * low + 60.0 * bottom
        return np.hypot(self.shown.outline_u_px * mm_per_px, OUTLINE_MODEL_MM) * self.crowd * times

    def clue_part(self, theta: FloatArray) -> FloatArray:
        """`clue_parts` (K,) for one set of unknowns (n,)."""
        return self.clue_parts(theta[None])[0]

    def clue_parts(self, thetas: FloatArray, near_mm: FloatArray | None = None) -> FloatArray:
        """What the clues contradict (B, K), over their uncertainty, for unknowns (B, n).

        `near_mm` is how far from the lens the clues' points lay for unknowns much like these.
        """
        return self._clues(unpack_many(thetas, self.frame), near_mm)[0]

    def _clues(self, g: Geometries, near_mm: FloatArray | None) -> tuple[FloatArray, FloatArray]:
        """`clue_parts`, and how far from the lens (B, P) the clues' points lie."""
        clues, n_stack = self.clues, len(g.f_px)
        if clues is None:
            return np.zeros((n_stack, 0)), np.zeros((n_stack, 0))
        p = g.hit(self.clue_px, self.clue_lift_mm, near_mm)
        n, end = len(clues.centre_px), len(self.clue_px) - len(clues.pins_px)
        mm_per_px = np.sqrt((g.translation**2).sum(-1)) / g.f_px[..., 0]

        def off_plane(points: FloatArray) -> FloatArray:
            out: FloatArray = np.einsum("...i,...i", points - g.cap.origin, g.cap.normal)
            return out

        ends = p[:, n:end].reshape(n_stack, -1, 2, 3)
        length = np.linalg.norm(ends[..., 1, :] - ends[..., 0, :], axis=-1) * self.bend
        parts = [
            off_plane(p[:, :n]) / (clues.centre_u_px * mm_per_px * self.seam_crowd),
            (length - clues.pairs_mm) / clues.pairs_u_mm,
        ]
        if len(clues.pins_px):
            parts.append(off_plane(p[:, end:]) / (clues.pins_u_px * mm_per_px))
        if clues.rim_yaw_deg is not None:
            value, u = clues.rim_yaw_deg
            parts.append((g.cap.yaw_deg[:, None] - value) / u)
        both = np.nan_to_num(np.concatenate(parts, axis=1))
        # a clue that is ten standard uncertainties off says no more than that
        out: FloatArray = both / np.sqrt(1.0 + (both / 10.0) ** 2)
        return out, np.linalg.norm(p - g.eye_mm, axis=-1)

    def straighten(self, theta: FloatArray, near_mm: FloatArray | None = None) -> bool:
        """Update the surface's length over the chord of the known lengths, so that chords serve between; True if so.

        While the ends stay where they were, to STRAIGHT_MM, the ratio does too. `near_mm` as in `clue_parts`.
        """
        if self.clues is None or not len(self.bend):
            return False
        g = unpack(theta, self.frame)
        n, shape = len(self.clues.centre_px), self.clues.pairs_px.shape
        near = near_mm[n : n + 2 * shape[0]].reshape(shape[:2]) if near_mm is not None else None
        ends = g.hit(self.clues.pairs_px, self.clues.lift_mm, near)
        good = np.isfinite(ends).all(axis=(1, 2))
        if not good.any() or np.allclose(ends, self.ends, rtol=0.0, atol=STRAIGHT_MM, equal_nan=True):
            return False
        a, b = ends[good, 0], ends[good, 1]
        self.bend[good] = section_mm(g.dome, a, b) / np.linalg.norm(b - a, axis=-1)
        self.ends = ends
        return True

    def state(self, theta: FloatArray, near_mm: FloatArray | None = None) -> State:
        """Everything at `theta` (n,); `near_mm` as in `clue_parts`. What is no dome costs more than anything."""
        g = unpack(theta, self.frame)
        mm_per_px = g.mm_per_px
        card = self.card_part(theta)
        height, at, z = outline_heights(g, self.shown.outline_px)
        sd = self.outline_sd(mm_per_px, z)
        clue, clue_mm = (a[0] for a in self._clues(stack_of_one(g), near_mm))
        pull = self.prior.root @ (theta - self.prior.mean)
        x, limit = np.abs(height / sd), 2.0 / self.crowd
        huber = np.where(x <= limit, x * x, 2 * limit * x - limit * limit)
        cost = float(card @ card + huber.sum() + clue @ clue + pull @ pull)
        if min(g.dome.height_mm, g.dome.depth_mm) < LEAST_AXIS_MM:
            cost = math.inf
        return State(theta, card, height, at, sd, clue, clue_mm, pull, cost)

    def weights(self, state: State) -> FloatArray:
        """Huber's weights (M,) of the outline's points."""
        x = np.abs(state.height / state.sd)
        out: FloatArray = np.minimum(1.0, 2.0 / self.crowd / np.maximum(x, 1e-9))
        return out

    def card_scale_gradient(self, state: State) -> FloatArray:
        """How the gradient (n,) changes when the card is larger than believed, per relative change of its size."""
        k, by = CARD_UNKNOWNS, 1e-3
        moved = state.theta + np.diag(self.step)[:k]
        j_card = ((self.card_parts(moved) - state.card) / self.step[:k, None]).T
        board, self.board = self.board, self.board * (1.0 + by)
        change = (self.card_part(state.theta) - state.card) / by
        self.board = board
        out = np.zeros(len(NAMES))
        out[:k] = j_card.T @ change
        return out

    def data_equations(self, state: State) -> tuple[FloatArray, FloatArray]:
        """Normal matrix (n, n) and gradient (n,) of what was seen, without the prior."""
        sources, gradient = self._data_by_source(state)
        return sum_of(sources), gradient

    def _data_by_source(self, state: State) -> tuple[dict[str, FloatArray], FloatArray]:
        """`data_equations`, the normal matrix apart by what was seen."""
        w = np.sqrt(self.weights(state)) / state.sd
        moved = state.theta + np.diag(self.step)
        g = unpack_many(moved, self.frame)
        j_out = ((self._outlines(g, state.at)[0] - state.height) / self.step[:, None]).T
        j_clue = ((self._clues(g, state.clue_mm)[0] - state.clue) / self.step[:, None]).T
        j_card = np.zeros((len(state.card), len(NAMES)))
        k = CARD_UNKNOWNS
        j_card[:, :k] = ((self.card_parts(moved[:k]) - state.card) / self.step[:k, None]).T
        j_out *= w[:, None]
        sources = {CARD_WORDS: j_card.T @ j_card, OUTLINE_WORDS: j_out.T @ j_out}
        if self.clues is not None:
            first = len(self.clues.centre_px)
            of_size = np.zeros(len(state.clue), bool)
            of_size[first : first + len(self.clues.pairs_mm)] = True
            for words, rows in ((CAP_LINE_WORDS, j_clue[~of_size]), (SIZE_WORDS, j_clue[of_size])):
                sources[words] = rows.T @ rows
        return sources, j_card.T @ state.card + j_out.T @ (state.height * w) + j_clue.T @ state.clue

    def normal_equations(self, state: State) -> tuple[dict[str, FloatArray], FloatArray]:
        """Normal matrix (n, n), apart by what it rests on, and gradient (n,), the prior with them."""
        sources, gradient = self._data_by_source(state)
        for words, normal in self._prior_by_source.items():
            sources[words] = sources[words] + normal if words in sources else normal
        return sources, gradient + self.prior.root.T @ state.pull

    @cached_property
    def _prior_by_source(self) -> dict[str, FloatArray]:
        """The inverse of the prior's covariance (n, n), apart by the groups of unknowns it is known of."""
        out = {}
        for group in GROUPS:
            rows = self.prior.root[[GROUP_OF[name] == group for name in NAMES]]
            out[group] = rows.T @ rows
        return out

    def aim_card(self, theta: FloatArray) -> FloatArray:
        """Camera and card pose by themselves, so that the outline starts from a sound table."""
        theta = theta.copy()
        k = CARD_UNKNOWNS
        u = self.prior.u[:k]
        for _ in range(6):
            base = self.card_part(theta)
            moved = theta + np.diag(self.step)[:k]
            jac = np.concatenate([((self.card_parts(moved) - base) / self.step[:k, None]).T, np.diag(1.0 / u)])
            base = np.concatenate([base, (theta - self.prior.mean)[:k] / u])
            theta[:k] -= np.linalg.lstsq(jac, base, rcond=None)[0]
        return theta
