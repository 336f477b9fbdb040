"""The joint fit: one block, one dome, one cap, and a camera for every photo (bundle adjustment).

Levenberg-Marquardt to the most probable values of all unknowns (unknowns.py) under all
residuals (residuals.py, derivatives.py), reweighted by Huber's loss at every step. The normal matrix of the
solution is kept in parts by what the observations are, since those parts give the
uncertainty budget (together.py); its inverse is the covariance of all unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from placecheck.block_residuals import sum_of
from placecheck.damped import FIRST_DAMPING, covariance_of, damped_step
from placecheck.known_dome import KnownDome
from placecheck.same_block.derivatives import jacobian
from placecheck.same_block.evidence import REACH_MM, Seen
from placecheck.same_block.residuals import LINE_WORDS, ROBUST, JointResiduals, State
from placecheck.same_block.unknowns import JointFit
from placecheck.uncertainty import WORDS
from placecheck.units import ClosureSize

FloatArray = npt.NDArray[np.float64]


def fit_together(
    seen: Sequence[Seen],
    closure: ClosureSize,
    circumference_mm: float,
    moves: bool = False,
    iterations: int = 25,
    open_block: bool = False,
    known: KnownDome | None = None,
    reach_mm: float = REACH_MM,
) -> JointFit:
    """Fit all photos together, to a taped block or to the `known` one, measured beforehand.

    With `moves`, block and card may have moved before every later photo; with `open_block`, the block counts as neither
    taped nor known.
    """
    residuals = JointResiduals(seen, closure, circumference_mm, moves, open_block, known, reach_mm)
    residuals.straighten(residuals.start)
    state = residuals.state(residuals.start)
    damping = FIRST_DAMPING
    jac = jacobian(residuals, state)
    for it in range(iterations):
        w, before = residuals.weights(state), state
        weighted = jac * w[:, None]
        normal, slope = weighted.T @ weighted, weighted.T @ (state.rows * w)
        state, damping = damped_step(
            state, state.x, normal, slope, 4 * residuals.u, residuals.state, damping, least=1e-9
        )
        gained = before.cost - state.cost
        if it < 4:
            residuals.straighten(state.x)
            state = residuals.state(state.x)
        jac = jacobian(residuals, state)
        if gained < 1e-3 and it > 3:
            break
    return _result(residuals, state, jac)


def _result(residuals: JointResiduals, state: State, jac: FloatArray) -> JointFit:
    """The fit as it ended, with its normal matrix by source of the observations."""
    weighted = jac * residuals.weights(state)[:, None]
    labels = np.array(residuals.labels)
    sources = {
        str(word): weighted[labels == word].T @ weighted[labels == word] for word in dict.fromkeys(residuals.labels)
    }
    points = np.isin(labels, [*WORDS.values(), *LINE_WORDS.values()])
    share = state.rows[points] * (ROBUST / residuals.limits[points])
    covariance = covariance_of(sum_of(sources))
    return JointFit(
        state.x,
        covariance,
        residuals.index,
        tuple(single.frame for single in residuals.by_photo),
        residuals.curves,
        sources,
        state.cost,
        float(np.mean(share**2)) if len(share) else 0.0,
        -covariance @ residuals.card_print_slope(state.x),
        residuals.by_photo[0].prior.known,
    )
