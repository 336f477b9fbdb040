"""How the residuals of the joint fit change with its unknowns: the Jacobian.

By camera, card and block they are differences, one step for every unknown of a photo at once
(block.py takes stacks of unknowns); while they are taken, the points where outline rays touch and
the nearest points of curves are held. By landmarks and curves in space, which are many and each in few rows,
they are closed forms: the projection's derivative in the photos, the surface's gradient for what lies
over the dome, the chord's direction for the fold, second differences for smooth curves. The rows stand as
residuals.py stacks them: photo by photo, then those that belong to no photo.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry, unpack
from placecheck.block_residuals import CARD_UNKNOWNS
from placecheck.observed import FOLD
from placecheck.observing import FOLD_STRETCH_U
from placecheck.same_block.residuals import InSpace, JointResiduals, State, across
from placecheck.same_block.unknowns import MOVED
from placecheck.same_block.weighing import whitened_by
from placecheck.surface import gradient

FloatArray = npt.NDArray[np.float64]


def jacobian(residuals: JointResiduals, state: State) -> FloatArray:
    """Derivatives (R, P) of the rows of `state` by all unknowns."""
    x, index = state.x, residuals.index
    jac = np.zeros((len(state.rows), index.size))
    space = residuals.in_space(x)
    first = 0
    for k, single in enumerate(residuals.by_photo):
        theta = index.theta(x, k)
        moved = np.concatenate([theta[None], theta + np.diag(single.step)])
        rows = np.concatenate(residuals.photo_rows(k, moved, space, state)[0], axis=1)
        here = slice(first, first + rows.shape[1])
        by_theta = ((rows[1:] - rows[0]) / single.step[:, None]).T
        jac[here, index.camera(k)] = by_theta[:, :CARD_UNKNOWNS]
        jac[here, index.shared] = by_theta[:, CARD_UNKNOWNS:]
        if index.moves and k:
            jac[here, index.move(k)] = by_theta[:, MOVED]
        _photo_by_points(residuals, state, k, space, jac[here])
        first += rows.shape[1]
    base = _common(residuals, x)
    for j in range(index.first_mark):
        moved = x.copy()
        moved[j] += residuals.step[j]
        jac[first:, j] = (_common(residuals, moved) - base) / residuals.step[j]
    _common_by_points(residuals, x, space, jac[first:])
    return jac


def _common(residuals: JointResiduals, x: FloatArray) -> FloatArray:
    return np.concatenate([row for _, row in residuals.common_rows(x)])


def _photo_by_points(residuals: JointResiduals, state: State, k: int, space: InSpace, jac: FloatArray) -> None:
    """Fill in the derivatives of photo `k`'s rows `jac` (r, P) by the points in space."""
    photo, index = residuals.seen[k], residuals.index
    g = unpack(index.theta(state.x, k), residuals.by_photo[k].frame)
    row = 2 * len(photo.corners_px) + len(photo.outline_px) + residuals.clues[k]
    for i, name in enumerate(residuals.marks):
        mark = photo.observed.marks.get(name)
        if mark is not None:
            jac[row : row + 2, index.mark(i)] = whitened_by(mark) @ _projection(g, space.marks[i][None])[0]
            row += 2
    for c, curve in enumerate(residuals.curves):
        _, line_sd = residuals.lines[k][c]
        near = state.nearest[k][c]
        if len(near):
            drawn = g.to_px(space.dense[c])
            sideways = across(drawn)[near]
            by_space = -np.einsum("ni,nij->nj", sideways, _projection(g, space.dense[c])[near]) / line_sd[:, None]
            w = curve.weights[near]
            by_v = w * (by_space @ curve.along.T)
            by_n = w * (by_space @ curve.normal.T)
            jac[row : row + len(near), index.curve(c)] = np.stack([by_v, by_n], -1).reshape(len(near), -1)
        row += len(near)


def _common_by_points(residuals: JointResiduals, x: FloatArray, space: InSpace, jac: FloatArray) -> None:
    """Fill in the derivatives of the common rows `jac` (r, P) by the points in space: lifts, fold, smooth curves."""
    n = len(residuals.lift)
    if not n:
        return
    index = residuals.index
    jac[:n, index.first_mark :] = (residuals.whiten @ _lifts_by_points(residuals, x, space))[:, index.first_mark :]
    row = n
    if residuals.fold:
        i, j = (residuals.marks.index(name) for name in FOLD)
        chord = space.marks[i] - space.marks[j]
        unit = residuals.bend * chord / np.linalg.norm(chord) / (FOLD_STRETCH_U * residuals.closure.length_mm)
        jac[row, index.mark(i)], jac[row, index.mark(j)] = unit, -unit
        row += 1
    for c, curve in enumerate(residuals.curves):
        second = np.diff(np.eye(len(curve.start)), 2, axis=0) / curve.bend_u_mm[:, None]
        jac[row : row + len(second), index.curve(c)] = np.kron(second, [1.0, 0.0])
        row += len(second)


def _lifts_by_points(residuals: JointResiduals, x: FloatArray, space: InSpace) -> FloatArray:
    """How far every landmark and knot lies over the dome (N,), by all unknowns: (N, P)."""
    index = residuals.index
    g = unpack(index.theta(x, 0), residuals.by_photo[0].frame)
    slope = gradient(g.dome, np.concatenate([space.marks, *space.knots]))
    by = np.zeros((len(residuals.lift), index.size))
    for i in range(len(residuals.marks)):
        by[i, index.mark(i)] = slope[i]
    at = len(residuals.marks)
    for c, curve in enumerate(residuals.curves):
        for j in range(len(curve.start)):
            start = index.curve(c).start + 2 * j
            by[at, start] = slope[at] @ curve.along[j]
            by[at, start + 1] = slope[at] @ curve.normal[j]
            at += 1
    return by


def _projection(g: Geometry, points: FloatArray) -> FloatArray:
    """d px / d point (N, 2, 3) by central differences."""
    h = 0.05
    ends = g.to_px(points[:, None, :] + np.concatenate([np.eye(3), -np.eye(3)]) * h)
    out: FloatArray = np.swapaxes(ends[:, :3] - ends[:, 3:], 1, 2) / (2 * h)
    return out
