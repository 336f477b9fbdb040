"""How lace lies on the dome: its threads keep their length, the angle between them gives.

A net cannot stretch along its threads but shears freely, so on a curved block it lies as a
Chebyshev net (Chebyshev 1878; the fishnet algorithm of fabric draping): every mesh is a
small rhombus whose sides keep their length. Two threads are given: the fold along the
middle line and the thread across the middle of the closure, which leaves it straight out
to the sides. All other knots follow one by one, each at its mesh's distance from two
neighbours and on the surface, found by Newton steps. The corners of a closure laid without
pulling follow from it; a chart of straight lines would bring them up to a tenth too close.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck.surface import StarSurface, gradient, level, onto
from placecheck.surface_map import Chart

FloatArray = npt.NDArray[np.float64]


LOCKED = 0.35
"""A mesh's short diagonal over its side where the threads are about 20 degrees apart: tulle gives no further (from

memory of woven cloth, whose locking angle is 20 to 30 degrees)."""


class NetLocked(ValueError):
    """The net cannot follow the surface that far: its threads lie on each other."""


def drape(
    surface: StarSurface, chart: Chart, front_v_mm: float, width_mm: float, length_mm: float, mesh_mm: float = 6.4
) -> FloatArray:
    """Knots (rows, columns, 3) of the wearer's right half of a net laid on the surface.

    Column 0 is the fold on the chart's centre line from `front_v_mm` back (row 0 in front), the last column the side
    edge, `width_mm` / 2 out along the threads. Raises NetLocked.
    """
    half_rows = max(2, round(length_mm / 2 / mesh_mm))
    columns = max(2, round(width_mm / 2 / mesh_mm))
    v = front_v_mm - np.linspace(0.0, length_mm, 2 * half_rows + 1)
    u = np.linspace(0.0, width_mm / 2, columns + 1)
    middle = half_rows
    knots = np.full((len(v), len(u), 3), np.nan)
    knots[:, 0] = onto(surface, chart.to_points(np.stack([np.zeros_like(v), v], -1)))
    knots[middle] = onto(surface, chart.to_points(np.stack([u, np.full_like(u, v[middle])], -1)))
    along = float(np.linalg.norm(np.diff(knots[:, 0], axis=0), axis=1).mean())
    across = float(np.linalg.norm(np.diff(knots[middle], axis=0), axis=1).mean())
    for step in (-1, 1):
        for j in range(1, half_rows + 1):
            row = middle + step * j
            for i in range(1, columns + 1):
                knots[row, i] = _knot(
                    surface, knots[row - step, i], along, knots[row, i - 1], across, knots[row - step, i - 1]
                )
    return knots


def _knot(
    surface: StarSurface, a: FloatArray, along: float, b: FloatArray, across: float, opposite: FloatArray
) -> FloatArray:
    """The surface point at `along` from a and `across` from b, on the far side from `opposite`."""
    p = onto(surface, a + b - opposite)
    for _ in range(12):
        da, db = p - a, p - b
        miss = np.array([da @ da - along**2, db @ db - across**2, level(surface, p)])
        jac = np.stack([2 * da, 2 * db, gradient(surface, p)])
        try:
            move = np.linalg.solve(jac, miss)
        except np.linalg.LinAlgError:
            raise NetLocked("the net's threads lie on each other") from None
        size = float(np.linalg.norm(move))
        p = p - move * min(1.0, 0.5 * along / max(size, 1e-12))
        if size < 1e-7:
            break
    else:
        raise NetLocked("the net cannot follow the surface that far")
    if min(np.linalg.norm(p - opposite), np.linalg.norm(a - b)) < LOCKED * max(along, across):
        raise NetLocked("the net's threads lie on each other")
    return p
