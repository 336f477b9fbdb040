"""How what the photos show is weighed in the joint fit, before anything is fitted.

What one photo tells of the cap's plane (seams, pins, the rim's turn) errs alike in every photo, so
its uncertainty is widened by the root of their number: all together say no more than one. Neighbouring
pixels of a line share their error too: so many of them count as one as lie within the length over
which it is shared. A mark's own covariance is whitened, less the share that errs alike in every
photo. And points in space lie over the dome as far as cap and lace are thick, softly: the dome's
departure from its family is a smooth random field that neighbouring points share (a Gaussian
process: Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, sec. 2.2), to which
their common thickness and the ripple at each single point are added.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.block_residuals import Clues
from placecheck.measure import LACE_LIFT_MM, RIM_LIFT_MM, SEAM_LIFT_MM
from placecheck.observed import FOLD, Mark
from placecheck.same_block.evidence import LINES, Curve, Seen, own_share
from placecheck.surface_map import Chart
from placecheck.uncertainty import LACE_LIFT_U_MM, LIFT_U_MM

FloatArray = npt.NDArray[np.float64]

DOME_DEPARTURE_MM = 0.4  # standard deviation of the block from the shape family once it is fitted: an assumption
DEPARTURE_REACH_MM = 30.0
POINT_LIFT_U_MM = 0.2  # ripple and elastic at one point
CREASE_U_MM = 0.45  # how far the fold's crease stands up from the lace
SHARED_ERROR_MM = 20.0  # neighbouring points of a line share their error over this length


def own_clues(photo: Seen, photos: int) -> Clues:
    """What one of `photos` tells of the cap's plane, so weighed that all together say no more than one.

    Where a seam lies beside the middle is the same error in every photo.
    """
    empty = np.zeros((0, 2))
    centre, pins, share = photo.observed.centre, photo.observed.pins, float(np.sqrt(photos))
    keep: Any = np.zeros(0, bool)
    if centre is not None:
        keep = np.isfinite(photo.fit.geometry.hit(centre.px, SEAM_LIFT_MM)).all(-1)
        keep &= np.arange(len(keep)) % 2 == 0
    yaw = photo.rim_yaw_deg
    from placecheck.find.pins import HEAD_LIFT_MM

    return Clues(
        centre_px=centre.px[keep] if centre is not None else empty,
        centre_u_px=share * centre.u_px[keep] if centre is not None else np.zeros(0),
        pairs_px=np.zeros((0, 2, 2)),
        pairs_mm=np.zeros(0),
        pairs_u_mm=np.zeros(0),
        lift_mm=SEAM_LIFT_MM,
        pins_px=pins.px if pins is not None else empty,
        pins_u_px=share * pins.u_px if pins is not None else np.zeros(0),
        pins_lift_mm=HEAD_LIFT_MM,
        rim_yaw_deg=(yaw[0], share * yaw[1]) if yaw is not None else None,
    )


def usable_pixels(photo: Seen, curve: Curve, geometry: Geometry, chart: Chart) -> tuple[FloatArray, FloatArray, float]:
    """Pixels (N, 2) of a photo's line that belong to the curve, and how they are weighed.

    Second the sd (N,) of each, last the crowd: the root of how many of them count as one, which is in the sd already.
    """
    line = getattr(photo.observed, curve.name)
    if line is None:
        return np.zeros((0, 2)), np.zeros(0), 1.0
    uv = chart.to_uv(geometry.hit(line.px, LINES[curve.name]))
    low, high = curve.knots_u_mm[0], curve.knots_u_mm[-1]
    keep = np.isfinite(uv).all(-1) & (uv[:, 0] > low - 1.0) & (uv[:, 0] < high + 1.0)
    px = line.px[keep]
    spacing = float(np.median(np.abs(np.diff(uv[keep, 0])))) if keep.sum() > 1 else 1.0
    crowd = float(np.sqrt(max(1.0, SHARED_ERROR_MM / max(spacing, 1e-6))))
    own = float(np.sqrt(own_share(line)))
    return px, own * np.hypot(line.u_px[keep], line.common_px) * crowd, crowd


def whitened_by(mark: Mark) -> FloatArray:
    """What makes the errors of a mark, as far as they are its photo's own, independent and of unit variance."""
    out: FloatArray = np.linalg.inv(np.linalg.cholesky(own_share(mark) * mark.covariance_px2))
    return out


def heights(
    start: Mapping[str, FloatArray], marks: Sequence[str], curves: Sequence[Curve]
) -> tuple[FloatArray, FloatArray]:
    """The prior of how far the points (P, 3) of marks and curves lie over the dome.

    Their mean lift (P,), mm, and the whitening (P, P) of its covariance.
    """
    points = [start[name][None] for name in marks] + [c.start for c in curves]
    lifts = [np.full(1, LACE_LIFT_MM) for _ in marks]
    lifts += [np.full(len(c.start), LINES[c.name]) for c in curves]
    if not points:
        return np.zeros(0), np.zeros((0, 0))
    p, lift = np.concatenate(points), np.concatenate(lifts)
    distance = np.linalg.norm(p[:, None] - p[None], axis=-1)
    lace = lift > (LACE_LIFT_MM + RIM_LIFT_MM) / 2
    k = DOME_DEPARTURE_MM**2 * np.exp(-0.5 * (distance / DEPARTURE_REACH_MM) ** 2)
    k += LIFT_U_MM**2 + LACE_LIFT_U_MM**2 * np.outer(lace, lace)
    alone = np.full(len(p), POINT_LIFT_U_MM)
    alone[[i for i, name in enumerate(marks) if name in FOLD]] = CREASE_U_MM
    k += np.diag(alone**2)
    return lift, np.linalg.inv(np.linalg.cholesky(k))
