"""The residuals of the joint fit.

All that block_residuals.py weighs, photo by photo (card, outline, seams, pins); landmarks reprojected and
lines by the distance of their pixels across the projected curve (Triggs et al., Bundle
Adjustment, 2000); the closure's nominal length; one phone's lens; and, softly, that points
lie as far over the dome as cap and lace are thick. What each is weighed by is settled beforehand
(weighing.py), their derivatives are derivatives.py's. Every row knows what it comes from, for the
budget, and beyond which size it counts less (Huber).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.answer import OUTLINE_WORDS, RIM_WORDS
from placecheck.block import AT, CAMERA_WORDS, CAP_LINE_WORDS, CARD_WORDS, prior_for, unpack, unpack_many
from placecheck.block_residuals import CARD_UNKNOWNS, PhotoResiduals
from placecheck.known_dome import KnownDome
from placecheck.observed import FOLD
from placecheck.observing import FOLD_STRETCH, FOLD_STRETCH_U
from placecheck.same_block.evidence import LINES, REACH_MM, Seen, start_curve, start_points
from placecheck.same_block.unknowns import MOVE_U, MOVED, Index, prior_words, without_tape
from placecheck.same_block.weighing import heights, own_clues, usable_pixels, whitened_by
from placecheck.surface import geodesic_mm, level
from placecheck.surface_map import fermi_chart
from placecheck.uncertainty import WORDS
from placecheck.units import ClosureSize

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SAME_FOCUS = 0.005  # one phone focused anew: relative difference of focal lengths
SAME_K1 = 0.01
ROBUST = 2.5  # standard uncertainties beyond which a landmark or line counts less
LINE_WORDS = {"rim": f"{RIM_WORDS}s", "hairline": "hairline in the photos"}
LIFT_WORDS = "cap and lace over the dome"


@dataclass(frozen=True)
class InSpace:
    """Landmarks (M, 3), the knots (K, 3) of every curve and the points (D, 3) it is drawn by, in the block's frame."""

    marks: FloatArray
    knots: list[FloatArray]
    dense: list[FloatArray]


@dataclass(frozen=True)
class State:
    """All residuals `rows` (R,) at the unknowns `x` (P,), and Huber's sum of their squares.

    For every photo, where along its outline's rays these touch the dome (M,), and which of a curve's points is
    `nearest` to each of its pixels.
    """

    x: FloatArray
    rows: FloatArray
    cost: float
    touch: list[FloatArray]
    nearest: list[list[IntArray]]


class JointResiduals:
    """The data of one joint fit and its residuals.

    With `moves` block and card may have moved before each later photo; with `open_block` the block counts as neither
    taped nor `known`. Curves are followed `reach_mm` beyond the outer stations. `by_photo` has what block_residuals.py
    weighs in each photo, `lines` the pixels (N, 2) and standard deviations (N,) of every curve in each photo, `crowds`
    the root of how many of them count as one, `labels` what every row comes from and `limits` (R,) beyond which size it
    counts less.
    """

    def __init__(
        self,
        seen: Sequence[Seen],
        closure: ClosureSize,
        circumference_mm: float,
        moves: bool,
        open_block: bool = False,
        known: KnownDome | None = None,
        reach_mm: float = REACH_MM,
    ) -> None:
        self.seen, self.closure = seen, closure
        n = len(seen)
        self.by_photo = []
        lean_u_deg = max(photo.lean_u_deg for photo in seen)  # a block that one photo shows tilted is so in all
        for photo in seen:
            prior = prior_for(photo.camera, circumference_mm, None if open_block else known, lean_u_deg)
            if open_block:
                prior = without_tape(prior)
            self.by_photo.append(PhotoResiduals(photo, prior, own_clues(photo, n)))
        thetas = np.array([photo.fit.theta for photo in seen])
        yaw = AT["block yaw"]
        thetas[:, yaw] = thetas[0, yaw] + (thetas[:, yaw] - thetas[0, yaw] + 180.0) % 360.0 - 180.0
        shared = thetas[0] if moves else thetas.mean(0)
        own = [photo.fit.geometry for photo in seen]
        middle = unpack(shared, seen[0].fit.frame)
        chart = fermi_chart(middle.dome, middle.cap, u_max_mm=112.0, front_deg=-40, back_deg=-20, step_mm=3.0)
        start = start_points(own, seen)
        self.marks = tuple(name for name in WORDS if name in start)
        front = start.get("fold_front")
        middle_u = float(chart.to_uv(front[None])[0, 0]) if front is not None else 0.0
        middle_u = middle_u if np.isfinite(middle_u) else 0.0
        curves = [start_curve(name, own, seen, chart, middle_u, closure.width_mm, reach_mm) for name in LINES]
        self.curves = tuple(c for c in curves if c is not None)
        self.index = Index(n, moves, self.marks, tuple(len(c.knots_u_mm) for c in self.curves))
        usable = [[usable_pixels(seen[k], c, own[k], chart) for c in self.curves] for k in range(n)]
        self.lines = [[(px, sd) for px, sd, _ in row] for row in usable]
        self.crowds = [[crowd for _, _, crowd in row] for row in usable]
        self.lift, self.whiten = heights(start, self.marks, self.curves)
        self.bend = 1.0
        self.fold = all(name in self.marks for name in FOLD)
        self.start = self._started(thetas, shared, start)
        self._bounds()
        self.clues = [len(part.clue_part(theta)) for part, theta in zip(self.by_photo, thetas, strict=True)]
        self.labels, self.limits = self._labels_and_limits()

    def _started(self, thetas: FloatArray, shared: FloatArray, marks: Mapping[str, FloatArray]) -> FloatArray:
        """All unknowns (P,) to start from: those of every photo's own fit, of the block they share, and landmarks."""
        index = self.index
        x = np.zeros(index.size)
        for k, theta in enumerate(thetas):
            x[index.camera(k)] = theta[:CARD_UNKNOWNS]
            if index.moves and k:
                x[index.move(k)] = (theta - thetas[0])[MOVED]
        x[index.shared] = shared[CARD_UNKNOWNS:]
        for i, name in enumerate(self.marks):
            x[index.mark(i)] = marks[name]
        return x

    def _bounds(self) -> None:
        """Prior mean, standard uncertainty and difference step of every unknown."""
        index = self.index
        self.mean, self.u, self.step = np.zeros(index.size), np.full(index.size, 30.0), np.full(index.size, 0.05)
        for k, single in enumerate(self.by_photo):
            for target, source in ((self.mean, single.prior.mean), (self.u, single.prior.u), (self.step, single.step)):
                target[index.camera(k)] = source[:CARD_UNKNOWNS]
        single = self.by_photo[0]
        for target, source in ((self.mean, single.prior.mean), (self.u, single.prior.u), (self.step, single.step)):
            target[index.shared] = source[CARD_UNKNOWNS:]
        for k in range(1, index.photos if index.moves else 0):
            self.u[index.move(k)] = MOVE_U
        # points in space have no prior of their own
        self.held = np.arange(index.size) < index.first_mark

    def in_space(self, x: FloatArray) -> InSpace:
        """Landmarks and curves at the unknowns `x`."""
        marks = x[self.index.first_mark :][: 3 * len(self.marks)].reshape(-1, 3)
        knots = [c.knots(x[self.index.curve(i)].reshape(-1, 2)) for i, c in enumerate(self.curves)]
        return InSpace(marks, knots, [c.weights @ p for c, p in zip(self.curves, knots, strict=True)])

    def photo_rows(
        self, k: int, thetas: FloatArray, space: InSpace, held: State | None = None
    ) -> tuple[list[FloatArray], FloatArray, list[IntArray]]:
        """Residuals of photo `k` for its unknowns (B, n), in parts (B, r): card, outline, clues, landmarks, curves.

        And where its rays touch (M,) and which points are nearest: those of `held`, else by the first of the unknowns.
        """
        single, photo = self.by_photo[k], self.seen[k]
        g = unpack_many(thetas, single.frame)
        mm_per_px = np.sqrt((g.translation**2).sum(-1)) / g.f_px[..., 0]
        touch = single.outline_part(thetas[0], None)[1] if held is None else held.touch[k]
        height, z = single.outline_parts(thetas, touch)
        parts = [single.card_parts(thetas), height / single.outline_sd(mm_per_px, z), single.clue_parts(thetas)]
        px = g.to_px(space.marks)
        for i, name in enumerate(self.marks):
            mark = photo.observed.marks.get(name)
            if mark is not None:
                parts.append((px[:, i] - mark.px) @ whitened_by(mark).T)
        near = []
        for c in range(len(self.curves)):
            line_px, line_sd = self.lines[k][c]
            drawn = g.to_px(space.dense[c])
            if held is None:
                near.append(np.argmin(((line_px[:, None] - drawn[0]) ** 2).sum(-1), axis=1).astype(np.intp))
            else:
                near.append(held.nearest[k][c])
            parts.append(((line_px - drawn[:, near[c]]) * across(drawn)[:, near[c]]).sum(-1) / line_sd)
        return parts, touch, near

    def common_rows(self, x: FloatArray) -> list[tuple[str, FloatArray]]:
        """Residuals that belong to no photo: lifts, the fold's length, smooth curves, priors, one phone's lens."""
        index = self.index
        g = unpack(index.theta(x, 0), self.by_photo[0].frame)
        space = self.in_space(x)
        everything = np.concatenate([space.marks, *space.knots]) if len(self.lift) else np.zeros((0, 3))
        rows = [(LIFT_WORDS, self.whiten @ (level(g.dome, everything) - self.lift) if len(self.lift) else np.zeros(0))]
        if self.fold:
            i, j = (self.marks.index(name) for name in FOLD)
            length = self.closure.length_mm
            run = self.bend * float(np.linalg.norm(space.marks[i] - space.marks[j]))
            rows.append(("the closure's length", np.array([(run - FOLD_STRETCH * length) / (FOLD_STRETCH_U * length)])))
        for i, c in enumerate(self.curves):
            v = c.v_mm + x[index.curve(i)].reshape(-1, 2)[:, 0]
            rows.append((LINE_WORDS[c.name], np.diff(v, 2) / c.bend_u_mm))
        # the block's prior, taped or saved, counts once for all photos: that of the first stands for it
        pull = (x - self.mean) / self.u
        root = self.by_photo[0].prior.root[CARD_UNKNOWNS:, CARD_UNKNOWNS:]
        pull[index.shared] = root @ (x - self.mean)[index.shared]
        rows.append(("prior", pull[self.held]))
        first = self.seen[0].camera
        for k in range(1, index.photos):
            if self.seen[k].camera.source == first.source:
                a, b = x[index.camera(0)], x[index.camera(k)]
                zoom = self.by_photo[k].frame.start_f_px / self.by_photo[0].frame.start_f_px
                size = np.hypot(first.width, first.height) / np.hypot(
                    self.seen[k].camera.width, self.seen[k].camera.height
                )
                same = b[0] - a[0] + float(np.log(zoom * size))
                rows.append((CAMERA_WORDS, np.array([same / SAME_FOCUS, (b[3] - a[3]) / SAME_K1])))
        return rows

    def state(self, x: FloatArray) -> State:
        """Everything at the unknowns `x` (P,)."""
        space = self.in_space(x)
        rows, touch, nearest = [], [], []
        for k in range(self.index.photos):
            parts, at, near = self.photo_rows(k, self.index.theta(x, k)[None], space)
            rows += [part[0] for part in parts]
            touch.append(at)
            nearest.append(near)
        r = np.concatenate(rows + [row for _, row in self.common_rows(x)])
        size, limit = np.abs(r), np.minimum(self.limits, 1e9)
        cost = np.where(size <= limit, size * size, 2 * limit * size - limit**2)
        return State(x, r, float(cost.sum()), touch, nearest)

    def _labels_and_limits(self) -> tuple[list[str], FloatArray]:
        """What each row comes from, and beyond which size it counts less."""
        space = self.in_space(self.start)
        labels: list[str] = []
        limits: list[FloatArray] = []
        for k, photo in enumerate(self.seen):
            parts, _, _ = self.photo_rows(k, self.index.theta(self.start, k)[None], space)
            words = [CARD_WORDS, OUTLINE_WORDS, CAP_LINE_WORDS]
            words += [WORDS[name] for name in self.marks if name in photo.observed.marks]
            words += [LINE_WORDS[c.name] for c in self.curves]
            for word, part in zip(words, (part[0] for part in parts), strict=True):
                limit = np.inf
                if word == OUTLINE_WORDS:
                    limit = 2.0 / self.by_photo[k].crowd
                elif word in WORDS.values():
                    limit = ROBUST
                elif word in LINE_WORDS.values():
                    limit = ROBUST / self.crowds[k][[LINE_WORDS[c.name] for c in self.curves].index(word)]
                labels += [word] * len(part)
                limits.append(np.full(len(part), limit))
        for word, part in self.common_rows(self.start):
            if word == "prior":
                labels += [prior_words(i, self.index) for i in range(self.index.first_mark)]
            else:
                labels += [word] * len(part)
            limits.append(np.full(len(part), np.inf))
        return labels, np.concatenate(limits)

    def straighten(self, x: FloatArray) -> None:
        """Update the fold's geodesic over its chord."""
        if self.fold:
            g = unpack(self.index.theta(x, 0), self.by_photo[0].frame)
            a, b = (x[self.index.mark(self.marks.index(name))] for name in FOLD)
            self.bend = float(geodesic_mm(g.dome, a, b, 10.0) / np.linalg.norm(b - a))

    def card_print_slope(self, x: FloatArray) -> FloatArray:
        """How one standard uncertainty of the card's print changes the gradient (P,): it is one card in all photos."""
        out = np.zeros(self.index.size)
        for k, single in enumerate(self.by_photo):
            by_print = single.card_scale_gradient(single.state(self.index.theta(x, k)))
            out[self.index.camera(k)] = by_print[:CARD_UNKNOWNS] * self.seen[k].card_print_u
        return out

    def weights(self, state: State) -> FloatArray:
        """The square root of Huber's weight of every row (R,)."""
        out: FloatArray = np.sqrt(np.minimum(1.0, self.limits / np.maximum(np.abs(state.rows), 1e-9)))
        return out


def across(drawn: FloatArray) -> FloatArray:
    """Unit normals (..., D, 2) of a drawn curve (..., D, 2) in the photo."""
    along = np.gradient(drawn, axis=-2)
    along = along / np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
    return np.stack([-along[..., 1], along[..., 0]], -1)
