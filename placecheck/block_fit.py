"""Fitting the block: its outline, the card, the tape and the closure explained together.

Levenberg-Marquardt to the most probable values of all unknowns of block.py (camera, card pose,
where the block stands, its shape, the cap on it) under the residuals of block_residuals.py and the
prior, of which the taped circumference is a part. Known lengths on the closure are measured along
the surface, so the ratio of surface to chord is brought up to date after the first steps. The
inverse of the final normal matrix is the covariance of all unknowns. How one standard uncertainty
of the card's print would move them is kept beside it: that error is not in any residual.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from placecheck.block import AT, NAMES, Frame, Geometry, Prior, unpack
from placecheck.block_residuals import Clues, PhotoResiduals, Shown, State, sum_of
from placecheck.damped import FIRST_DAMPING, covariance_of, damped_step
from placecheck.known_dome import KnownDome, pull_of

FloatArray = npt.NDArray[np.float64]

SETTLED = 0.02  # of chi square: unknowns would move by a seventh of their standard uncertainty at most


@dataclass(frozen=True)
class RoughStart:
    """Where to start when nothing was fitted yet: the block's turn on the table and its place there (2,)."""

    yaw_deg: float
    place_mm: FloatArray


@dataclass(frozen=True)
class BlockFit:
    """The fitted unknowns, their covariance (n, n), and how well they explain what was seen.

    `outline_residual_mm` is the rms distance from the dome of those outline rays that touch it, and not the body below;
    `card_residual_px` the rms of the card.
    `card_print_move` is what one standard uncertainty of the card's print moves the unknowns by. `sources` are the
    parts of the normal matrix (n, n each), whose inverse the covariance is, by what they come from.
    """

    theta: FloatArray
    covariance: FloatArray
    frame: Frame
    outline_residual_mm: float
    outline_worst_mm: float
    card_residual_px: float
    cost: float
    tape_pull: float
    known: KnownDome | None = None
    card_print_move: FloatArray = field(default_factory=lambda: np.zeros(len(NAMES)))
    sources: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def known_pull(self) -> float:
        """Chi square of the fitted shape under the block measured beforehand; 0 where there is none."""
        if self.known is None:
            return 0.0
        return pull_of(self.known, self.theta[[AT[name] for name in self.known.names]])

    @cached_property
    def geometry(self) -> Geometry:
        return unpack(self.theta, self.frame)


def fit_block(
    shown: Shown,
    prior: Prior,
    start: RoughStart | FloatArray,
    clues: Clues | None = None,
    iterations: int = 14,
    card_print_u: float = 0.0,
    settled: float = SETTLED,
) -> BlockFit:
    """Fit all unknowns to what one photo shows, from a rough start or from all unknowns (n,) of an earlier fit.

    `card_print_u` is the relative standard uncertainty of the card's print. It ends where a step would lower chi square
    by less than `settled`.
    """
    residuals = PhotoResiduals(shown, prior, clues)
    theta = _aimed(residuals, start) if isinstance(start, RoughStart) else np.array(start, float)
    residuals.straighten(theta)
    state = residuals.state(theta)
    damping, limit = FIRST_DAMPING, 4 * prior.u
    sources, gradient = residuals.normal_equations(state)
    for it in range(iterations):
        before = state

        def near(theta: FloatArray, clue_mm: FloatArray = state.clue_mm) -> State:
            return residuals.state(theta, clue_mm)

        state, damping = damped_step(
            state, state.theta, sum_of(sources), gradient, limit, near, damping, settled=settled
        )
        gained = before.cost - state.cost
        if it < 3 and residuals.straighten(state.theta, state.clue_mm):
            state = residuals.state(state.theta, state.clue_mm)
        sources, gradient = residuals.normal_equations(state)
        if gained < 1e-4 * max(state.cost, 1.0):
            break
    return _result(residuals, state, sources, card_print_u)


def _aimed(residuals: PhotoResiduals, start: RoughStart) -> FloatArray:
    """All unknowns to start from: the prior's, the block where it roughly stands, camera and card as the card fits."""
    theta = residuals.prior.mean.copy()
    theta[AT["block x"]], theta[AT["block y"]] = start.place_mm
    theta[AT["block yaw"]] = start.yaw_deg
    return residuals.aim_card(theta)


def _result(
    residuals: PhotoResiduals, state: State, sources: Mapping[str, FloatArray], card_print_u: float
) -> BlockFit:
    prior, covariance = residuals.prior, covariance_of(sum_of(sources))
    dome_mm = np.abs(state.height[state.on_dome])
    fits = residuals.weights(state)[state.on_dome] > 0.5
    round_at = AT["log round"]
    return BlockFit(
        theta=state.theta,
        covariance=covariance,
        frame=residuals.frame,
        outline_residual_mm=float(np.sqrt(np.mean(dome_mm[fits] ** 2))) if fits.any() else float("inf"),
        outline_worst_mm=float(np.percentile(dome_mm, 95)),
        card_residual_px=float(np.sqrt(np.mean(state.card**2) * 2)) * residuals.shown.corner_u_px,
        cost=state.cost,
        tape_pull=float((state.theta - prior.mean)[round_at] / prior.u[round_at]),
        known=prior.known,
        card_print_move=-covariance @ residuals.card_scale_gradient(state) * card_print_u,
        sources=sources,
    )
