"""A block's dome from three tapes: round, over the crown front to back, over the crown side to side.

What is taped is computed on the dome itself: the length round its widest level, the middle
line from that level in front over the crown to that level behind, and the cut through the
crown from side to side (tapeline.py); if taken, the crown's height over the table. The
unknowns are those of dome.py with the spread that blocks have (block.py), but nothing known
of the size. Gauss-Newton to the most probable dome; the inverse of its normal matrix is the
covariance that a check starts from. Three tapes leave most of the shape open, and the
covariance says so. A tape is read to 1/4 in and never lies ideally: TAPE_U_MM each. Tapes
that no head-shaped dome has are refused, with the one that fits least named.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from placecheck.block import TAPE_U_MM
from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.errors import UsageProblem
from placecheck.known_dome import KnownDome
from placecheck.surface import StarSurface
from placecheck.tapeline import length_mm, middle_line, section
from placecheck.units import mm_and_inches

FloatArray = npt.NDArray[np.float64]

SHAPE: tuple[str, ...] = ("log round", "log ratio", "dome height", "dome depth", "egg", *(b.name for b in BUMPS))
"""The unknowns of block.py that make the dome."""
STANDING = "block height"
"""The widest level's height over the table, the one more unknown of a block that always stands the same."""
CROWN_HEIGHT_U_MM = 3.0
"""A ruler from the table up to a book laid on the crown."""
TAPES: Mapping[str, str] = {
    "round": "round the widest level",
    "over": "over the crown from front to back",
    "across": "over the crown from side to side",
    "crown height": "from the table up to the crown",
}
LIMIT = 3.0
"""Misfits of a tape beyond this many of its standard uncertainties are no chance."""


def dome_of(values: FloatArray) -> Dome:
    """The dome of the unknowns SHAPE (13,)."""
    a, b = half_axes_for(float(np.exp(values[0])), float(np.exp(values[1])))
    return Dome(a, b, float(values[2]), float(values[3]), float(values[4]), tuple(float(v) for v in values[5:]))


def tapes_on(surface: StarSurface) -> dict[str, float]:
    """The three tapes (mm) as they lie on a surface whose widest level is z = 0."""
    angle = np.arange(720) * (2 * np.pi / 720)
    d = np.stack([np.cos(angle), np.sin(angle), np.zeros(720)], -1)
    ring = d * surface.radius(d)[:, None]
    line = middle_line(surface, -10.0, 361)
    side = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
    right, top, left = side * surface.radius(side)[:, None]
    return {
        "round": length_mm(np.concatenate([ring, ring[:1]])),
        "over": line.front_level_v_mm - line.back_level_v_mm,
        "across": length_mm(section(surface, right, top, left)),
    }


def shape_prior() -> tuple[FloatArray, FloatArray]:
    """Mean and standard uncertainty (14,) of SHAPE and STANDING before anything is taped: any block."""
    from placecheck.block import AT, prior_for
    from placecheck.camera import camera_for

    prior = prior_for(camera_for(4000, 3000, 26.0), 575.0)
    at = [AT[name] for name in (*SHAPE, STANDING)]
    u = prior.u[at]
    u[0] = 0.06  # blocks are sold from 20 to 25 in
    return prior.mean[at], u


def _tape_u_mm(name: str) -> float:
    return CROWN_HEIGHT_U_MM if name == "crown height" else TAPE_U_MM


def fit_tapes(label: str, tapes: Mapping[str, float]) -> KnownDome:
    """The dome of the block called `label` from its `tapes` (mm, named as in TAPES; "round" is needed).

    Raises UsageProblem for tapes that no block has, with the slip that would explain it where that is a swap.
    """
    try:
        return _fitted(label, tapes)
    except UsageProblem:
        if not _fits_swapped(label, tapes):
            raise
    raise UsageProblem(
        "block-tapes-swapped",
        "These tapes make a head's shape only with the two over the crown swapped: give that from front to back as "
        "--over, that from side to side as --across.",
    )


def _fits_swapped(label: str, tapes: Mapping[str, float]) -> bool:
    """Whether a block has these tapes with the two over its crown the other way round."""
    if "over" not in tapes or "across" not in tapes:
        return False
    try:
        _fitted(label, {**tapes, "over": tapes["across"], "across": tapes["over"]})
    except UsageProblem:
        return False
    return True


def _fitted(label: str, tapes: Mapping[str, float]) -> KnownDome:
    mean, spread = shape_prior()
    names = [name for name in TAPES if name in tapes]
    taped = np.array([tapes[name] for name in names])
    u = np.array([_tape_u_mm(name) for name in names])

    def lengths(x: FloatArray) -> FloatArray:
        dome = dome_of(x[:-1])
        on = tapes_on(dome)
        on["crown height"] = float(x[-1] + dome.radius(np.array([0.0, 0.0, 1.0])))
        return np.array([on[name] for name in names])

    x = mean.copy()
    x[0] = np.log(tapes["round"])
    jac = np.zeros((len(names), len(x)))
    for _ in range(6):
        base = lengths(x)
        for j in range(len(x)):
            step = np.zeros(len(x))
            step[j] = 0.05 * spread[j]
            jac[:, j] = (lengths(x + step) - base) / step[j]
        scaled = jac * spread / u[:, None]
        normal = scaled.T @ scaled + np.eye(len(x))
        gradient = scaled.T @ ((taped - base) / u) - (x - mean) / spread
        move = np.linalg.solve(normal, gradient)
        x = x + np.clip(move, -3.0, 3.0) * spread
        if float(np.abs(move).max()) < 1e-4:
            break
    covariance = np.linalg.inv(normal) * np.outer(spread, spread)
    misfit = dict(zip(names, (taped - lengths(x)).tolist(), strict=True))
    _refuse_odd(x, mean, spread, dict(zip(names, u, strict=True)), misfit, tapes)
    every = (*SHAPE, STANDING)
    rows = tuple(tuple(float(c) for c in row) for row in (covariance + covariance.T) / 2)
    known = KnownDome(label, every, tuple(float(v) for v in x), rows)
    return known if "crown height" in tapes else known.without(STANDING)


def _refuse_odd(
    x: FloatArray,
    mean: FloatArray,
    spread: FloatArray,
    u: Mapping[str, float],
    misfit: Mapping[str, float],
    tapes: Mapping[str, float],
) -> None:
    """Raises UsageProblem when the tapes ask for a dome that blocks do not have."""
    worst = max(misfit, key=lambda name: abs(misfit[name]) / u[name])
    away = np.abs(x - mean)[1:] / spread[1:]
    if abs(misfit[worst]) <= LIMIT * u[worst] and float(away.max()) <= LIMIT:
        return
    if abs(misfit[worst]) <= LIMIT * u[worst]:
        # the tapes agree with one another only on a dome that is no head's: the one over the crown tells the most
        worst = "crown height" if int(np.argmax(away)) == len(away) - 1 else "over" if "over" in tapes else "across"
    raise UsageProblem(
        "block-tapes-disagree",
        f"These tapes do not make a head's shape: {mm_and_inches(tapes[worst])} {TAPES[worst]} does not go with the "
        "others. Tape again from the widest level over the crown to the widest level on the other side.",
    )
