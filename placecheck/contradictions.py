"""What was measured beforehand against everything that the photo shows.

A tape, or the saved height of a block over the table, is one observation among many in the
fit, and a wrong one is partly believed: the fit bends toward it. Whether the rest contradicts
it is told by its deleted residual (Cook & Weisberg 1982, 2.2): with residual r, variance v of
the observation and variance s of the fitted value, the rest by itself would have it off by
r v / (v - s), and z = r / sqrt(v - s). For a block whose height is saved, the card's scale is
what that height tests, since a card printed too small makes the camera, and so the block,
seem too high. For a taped block it is the closure's nominal size that tests the tape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.block import AT, NAMES, TAPE_U_MM, UPRIGHT_U_DEG
from placecheck.block_fit import BlockFit
from placecheck.errors import Problem, RetakeNeeded

FloatArray = npt.NDArray[np.float64]

STANDING = "block height"
STAND_TOLD = 3.0
TAPE_TOLD = 3.5
"""Contradictions of so many standard uncertainties are told. On generated outlines a true card stayed below 1.7 and one
printed at 96 % lay above 3.3; a true tape stayed below 2.3 and one 10 % short had 4.5 (steep) or 2.4 (leaning) in the
median."""


@dataclass(frozen=True)
class Against:
    """By how much the rest would have an observation off (rest minus observation), and in standard uncertainties."""

    off: float
    z: float


def deleted(residual: float, variance: float, fitted_variance: float) -> Against:
    """The deleted residual of an observation from its residual (fitted minus observed) in a least squares fit."""
    left = variance - fitted_variance
    if left <= 1e-6 * variance:  # nothing but the observation itself tells the quantity
        return Against(0.0, 0.0)
    return Against(residual * variance / left, residual / float(np.sqrt(left)))


def tape_against_rest(fit: BlockFit) -> Against:
    """The taped circumference against card, outline and closure; `off` is relative. Nothing where none was taped."""
    if fit.known is not None:
        return Against(0.0, 0.0)
    i = AT["log round"]
    u = TAPE_U_MM / float(np.exp(fit.theta[i]))
    return deleted(fit.tape_pull * u, u * u, float(fit.covariance[i, i]))


def lean_against_rest(fit: BlockFit) -> Against:
    """How far from upright (`off`, deg) the rest has a block that was taken to stand upright.

    The deleted residual of both leans at once.
    """
    at = [AT["block lean x"], AT["block lean y"]]
    left = UPRIGHT_U_DEG**2 * np.eye(2) - fit.covariance[np.ix_(at, at)]
    share, directions = np.linalg.eigh(left)
    told = share > 1e-6 * UPRIGHT_U_DEG**2
    along = (directions.T @ fit.theta[at])[told]
    off = UPRIGHT_U_DEG**2 * along / share[told]
    return Against(float(np.linalg.norm(off)), float(np.sqrt((along**2 / share[told]).sum())))


def stand_against_rest(fit: BlockFit) -> Against:
    """The saved height over the table against the rest; `off` in mm. Nothing where no height was saved."""
    known = fit.known
    if known is None or STANDING not in known.names:
        return Against(0.0, 0.0)
    covariance, mean = np.array(known.covariance), np.array(known.mean)
    i = known.names.index(STANDING)
    rest = [j for j in range(len(mean)) if j != i]
    # what the saved height says once the shape is given
    gain = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[rest, i])
    variance = float(covariance[i, i] - covariance[i, rest] @ gain)
    direction = np.zeros(len(NAMES))
    direction[AT[STANDING]] = 1.0
    direction[[AT[known.names[j]] for j in rest]] = -gain
    expected = np.zeros(len(NAMES))
    expected[[AT[n] for n in known.names]] = mean
    residual = float(direction @ (fit.theta - expected))
    return deleted(residual, variance, float(direction @ fit.covariance @ direction))


def against_stand(fit: BlockFit, bars_mm: tuple[float, float] | None = None) -> str | None:
    """One sentence where the block's saved height over the table contradicts the card; None where it does not.

    `bars_mm` are the card's bars as they were entered: how long they may truly be is told from these.
    """
    known, against = fit.known, stand_against_rest(fit)
    if known is None or abs(against.z) <= STAND_TOLD:
        return None
    table = fit.geometry
    eye_mm = float(-(table.table_rotation.T @ table.table_translation)[2])
    believed = 100.0 if bars_mm is None else float(np.mean(bars_mm))
    printed = believed / (1.0 + against.off / eye_mm)
    again = "" if bars_mm is None else "again "
    return (
        f"By the card the block stands {abs(against.off):.0f} mm {'higher' if against.off > 0 else 'lower'} over the "
        f"table than “{known.label}” was saved: measure the card's two 100 mm bars {again}and enter "
        f"them (about {printed:.0f} mm would explain it), or name the block and stand that are on the bench."
    )


def other_block(label: str, where: str) -> RetakeNeeded:
    """What is said where the block seen in `where` is not the saved one that was named."""
    return RetakeNeeded(
        "block-other",
        f"The block in {where} is not shaped like the saved block “{label}”: name the block that is on the bench, or "
        "tape it and give its circumference in its place.",
    )


def tape_doubt(fit: BlockFit) -> tuple[Problem, ...]:
    """What is to be said of the tape where the closure's nominal size contradicts it; it changes no verdict."""
    against = tape_against_rest(fit)
    if abs(against.z) <= TAPE_TOLD:
        return ()
    size = "larger" if against.off > 0 else "smaller"
    return (
        Problem(
            "tape-doubt",
            f"By the closure's size the block is some {abs(against.off):.0%} {size} than taped: tape it again round "
            "its widest level, and check the closure's size.",
        ),
    )
