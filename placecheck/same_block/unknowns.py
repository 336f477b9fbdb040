"""The unknowns of the joint fit: where they stand, what their priors are called, and the fitted values.

For every photo focal length, principal point, k1 and the card's pose (10); once the block's
place on the card's table, its dome and the cap's plane (those of block.py, 22); where asked, how
block and card moved against each other before a photo (3); landmarks (3 each) and the knots of the
curves (2 each) in the block's frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.block import AT, GROUP_OF, NAMES, Frame, Geometry, Prior, unpack
from placecheck.block_residuals import CARD_UNKNOWNS
from placecheck.known_dome import KnownDome, pull_of
from placecheck.same_block.evidence import Curve

FloatArray = npt.NDArray[np.float64]

FREE_TAPE_U = 0.08  # log
MOVE_U = np.array([100.0, 100.0, 30.0])
SHARED = len(NAMES) - CARD_UNKNOWNS
MOVED = [AT["block x"], AT["block y"], AT["block yaw"]]


@dataclass(frozen=True)
class Index:
    """Where the unknowns stand in the joint vector."""

    photos: int
    moves: bool
    marks: tuple[str, ...]
    knots: tuple[int, ...]

    @property
    def first_move(self) -> int:
        return self.photos * CARD_UNKNOWNS + SHARED

    @property
    def first_mark(self) -> int:
        return self.first_move + (3 * (self.photos - 1) if self.moves else 0)

    @property
    def size(self) -> int:
        return self.first_mark + 3 * len(self.marks) + 2 * sum(self.knots)

    def camera(self, k: int) -> slice:
        """Camera and card pose of photo `k`."""
        return slice(k * CARD_UNKNOWNS, (k + 1) * CARD_UNKNOWNS)

    @property
    def shared(self) -> slice:
        return slice(self.photos * CARD_UNKNOWNS, self.first_move)

    def move(self, k: int) -> slice:
        """The move before photo `k` (from 1)."""
        return slice(self.first_move + 3 * (k - 1), self.first_move + 3 * k)

    def mark(self, i: int) -> slice:
        """Landmark `i`: x, y, z."""
        return slice(self.first_mark + 3 * i, self.first_mark + 3 * i + 3)

    def curve(self, c: int) -> slice:
        """Curve `c`: for every knot how far it is moved along v and along the normal."""
        first = self.first_mark + 3 * len(self.marks) + 2 * sum(self.knots[:c])
        return slice(first, first + 2 * self.knots[c])

    def theta(self, x: FloatArray, k: int) -> FloatArray:
        """The unknowns of block.py for photo `k`."""
        out = np.concatenate([x[self.camera(k)], x[self.shared]])
        if self.moves and k > 0:
            out[MOVED] += x[self.move(k)]
        return out


@dataclass(frozen=True)
class JointFit:
    """The fitted unknowns `x` (P,), their covariance (P, P), and the normal matrix by source of the observations.

    `misfit` is the mean square of the normalised residuals of landmarks and lines (1 where all is as stated);
    `frames` are what stays fixed of every photo's card pose; `known` is the block measured beforehand that it rests on;
    `card_print_move` (P,) is what one standard uncertainty of the card's print moves the unknowns by.
    """

    x: FloatArray
    covariance: FloatArray
    index: Index
    frames: tuple[Frame, ...]
    curves: tuple[Curve, ...]
    sources: Mapping[str, FloatArray]
    cost: float
    misfit: float
    card_print_move: FloatArray
    known: KnownDome | None = None

    @property
    def known_pull(self) -> float:
        """Chi square of the common shape under the block measured beforehand; 0 where there is none."""
        if self.known is None:
            return 0.0
        return pull_of(self.known, self.index.theta(self.x, 0)[[AT[name] for name in self.known.names]])

    def geometry(self, k: int, x: FloatArray | None = None) -> Geometry:
        """Camera of photo `k` with the common dome, for the fitted unknowns or others."""
        return unpack(self.index.theta(self.x if x is None else x, k), self.frames[k])

    @property
    def circumference_mm(self) -> float:
        """Round the block's widest level, as tape and photos together have it."""
        return float(np.exp(self.x[self.index.shared][AT["log round"] - CARD_UNKNOWNS]))

    def points(self) -> dict[str, FloatArray]:
        """Landmarks (3,) in the block frame."""
        return {name: self.x[self.index.mark(i)] for i, name in enumerate(self.index.marks)}

    def knots(self, c: int) -> FloatArray:
        """The knots (K, 3) of curve `c` in space."""
        return self.curves[c].knots(self.x[self.index.curve(c)].reshape(-1, 2))

    def move(self, k: int) -> tuple[FloatArray, FloatArray]:
        """How the block moved on the card's table before photo `k`: (x mm, y mm, turn deg) and covariance (3, 3)."""
        at = self.index.move(k)
        return self.x[at], self.covariance[at, at]


def without_tape(prior: Prior) -> Prior:
    """The prior of a block that was not taped: heads and blocks differ by some 8 % in circumference."""
    u = prior.u.copy()
    u[AT["log round"]] = FREE_TAPE_U
    return Prior(prior.mean, u)


def prior_words(i: int, index: Index) -> str:
    """The budget's words for the prior of unknown `i`."""
    if i >= index.first_move:
        return "block position"
    name = NAMES[i % CARD_UNKNOWNS] if i < index.shared.start else NAMES[CARD_UNKNOWNS + i - index.shared.start]
    return GROUP_OF[name]
