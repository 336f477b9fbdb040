"""Damped least squares: one step down, and the covariance where it ends.

Levenberg (1944) and Marquardt (1963): the normal equations are solved with `damping` added to
their diagonal, after every unknown was scaled to a diagonal of one (Marquardt's scaling), so
that millimetres, degrees and logarithms are damped alike. A step that does not lower the cost
is tried again with eight times the damping; one that does leaves an eighth of it to the next.
No unknown goes further at once than its limit. Who fits makes the normal equations, decides
when it is enough, and may change what it evaluates between steps: one photo (block_fit.py),
photos of a bare block (bare_block/joint.py), photos of a pinned one (same_block/joint.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

FIRST_DAMPING = 1e-3
LEAST_DAMPING = 1e-7
TRIES = 7


class Costed(Protocol):
    """Whatever is evaluated at one value of the unknowns: its sum of squares is `cost`."""

    @property
    def cost(self) -> float: ...


State = TypeVar("State", bound=Costed)


def damped_step(
    state: State,
    x: FloatArray,
    normal: FloatArray,
    gradient: FloatArray,
    limit: FloatArray,
    evaluate: Callable[[FloatArray], State],
    damping: float,
    least: float = LEAST_DAMPING,
    settled: float = 0.0,
) -> tuple[State, float]:
    """The state one step below `state`, or `state` itself where none was found, and the damping for the next step.

    `x` (n,) are the unknowns of `state`, `normal` (n, n) and `gradient` (n,) its normal equations, `limit` (n,) is how
    far each may go at once; `damping` never falls below `least`. No step is tried that by the normal equations would
    lower the sum of squares by less than `settled` (however far it goes).
    """
    scale = np.sqrt(np.diag(normal))
    scaled = normal / np.outer(scale, scale)
    for _ in range(TRIES):
        move = -np.linalg.solve(scaled + damping * np.eye(len(scale)), gradient / scale) / scale
        if settled and -(2 * gradient + normal @ move) @ move < settled:
            break
        with np.errstate(all="ignore"):  # a trial may be no block at all; its cost is then not below the state's
            trial = evaluate(x + np.clip(move, -limit, limit))
        if trial.cost < state.cost:
            return trial, max(damping / 8, least)
        damping *= 8
    return state, damping


def covariance_of(normal: FloatArray) -> FloatArray:
    """The inverse of a normal matrix (n, n), scaled to a diagonal of one meanwhile."""
    scale = np.sqrt(np.diag(normal))
    out: FloatArray = np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
    return out
