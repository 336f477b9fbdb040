"""Calibration of a phone's camera from photos of the scale card (Zhang 2000, OpenCV's solver).

Each photo's card corners are turned back into the frame in which the sensor stores pictures, so
that photos taken upright and lying serve together. Of the distortion terms as many are fitted as
the photos can tell (Bayesian information criterion). A photo that does not fit the others is set
aside with a reason and the fit repeated. The covariance of the intrinsics is the least-squares one
with the poses eliminated (Schur complement), enlarged where leaving out one photo at a time
(jackknife; Efron 1982) moves them more than that: focus, a card not quite flat or printed unevenly
differ from photo to photo, pixel noise does not. Photos that cannot give a camera (too few, all
alike, of several phones or sizes, none of them in the majority) are refused.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.errors import RetakeNeeded
from placecheck.profiles.kept import Profile
from placecheck.profiles.views import MIN_PHOTOS, Assessment, Sighting, phrase

FloatArray = npt.NDArray[np.float64]

MODELS: tuple[tuple[str, ...], ...] = ((), ("k1",), ("k1", "k2"), ("k1", "k2", "p"), ("k1", "k2", "p", "k3"))
FREE_VALUES = {"k1": (4,), "k2": (5,), "p": (6, 7), "k3": (8,)}
OUTLIER_FACTOR, OUTLIER_PX = 3.0, 0.35
MAX_OUTLIERS = 0.25
MAX_U_F_REL = 0.01
MAX_U_CENTRE = 0.01


@dataclass(frozen=True)
class Intrinsics:
    """A fitted camera: values (9,) and covariance (9, 9) of fx fy cx cy k1 k2 p1 p2 k3, rms px in all and per view.

    `terms` are the distortion terms that were fitted, `distances_mm` how far each card was.
    """

    values: FloatArray
    covariance: FloatArray
    rms_px: float
    view_rms_px: tuple[float, ...]
    terms: tuple[str, ...]
    distances_mm: tuple[float, ...]


@dataclass(frozen=True)
class Calibration:
    """The profile, and the assessment of every photo with its residual, for telling the user."""

    profile: Profile
    assessment: Assessment


# ----------------------------------------------------------------------------- the fit


def fit_intrinsics(views: Sequence[Sighting], width: int, height: int, jackknife: bool = True) -> Intrinsics:
    """The camera of points on a plane seen in several views. Raises RetakeNeeded where the solver finds none.

    `views` hold points_mm (n, 2) and corners_px (n, 2) in one frame of width x height pixels.
    """
    best: vision.Calibrated | None = None
    best_score, best_terms = np.inf, MODELS[0]
    n = 2 * sum(len(v.corners_px) for v in views)
    for terms in MODELS:
        found = _solve(views, width, height, terms)
        if found is None or not found.rms_px > 0:
            continue
        score = n * np.log(found.rms_px**2) + sum(len(FREE_VALUES[t]) for t in terms) * np.log(n)
        if score < best_score:
            best, best_score, best_terms = found, score, terms
    if best is None:
        raise _degenerate()
    covariance = covariance_of(best, views, best_terms)
    if jackknife:
        covariance = _enlarged(covariance, _jackknife(views, width, height, best, best_terms))
    return Intrinsics(
        _values(best),
        covariance,
        best.rms_px,
        best.view_rms_px,
        best_terms,
        tuple(float(np.linalg.norm(t)) for t in best.translations),
    )


def _solve(
    views: Sequence[Sighting], width: int, height: int, terms: tuple[str, ...], start: FloatArray | None = None
) -> vision.Calibrated | None:
    points = [np.concatenate([v.points_mm, np.zeros((len(v.points_mm), 1))], 1) for v in views]
    return vision.calibrate_extended(points, [v.corners_px for v in views], width, height, terms, start)


def _values(found: vision.Calibrated) -> FloatArray:
    k = found.matrix
    return np.concatenate([[k[0, 0], k[1, 1], k[0, 2], k[1, 2]], found.distortion])


def covariance_of(found: vision.Calibrated, views: Sequence[Sighting], terms: tuple[str, ...]) -> FloatArray:
    """Covariance (9, 9) of the intrinsics from the residuals, poses eliminated; zero for terms that were not fitted."""
    free = [0, 1, 2, 3, *(i for t in terms for i in FREE_VALUES[t])]
    normal = np.zeros((len(free), len(free)))
    squares, n = 0.0, 0
    for view, rotation, translation in zip(views, found.rotations, found.translations, strict=True):
        points = np.concatenate([view.points_mm, np.zeros((len(view.points_mm), 1))], 1)
        px, by_pose, by_camera = vision.project_with_sensitivities(
            points, rotation, translation, found.matrix, found.distortion
        )
        camera = by_camera[:, free]
        cross = by_pose.T @ camera
        normal += camera.T @ camera - cross.T @ np.linalg.solve(by_pose.T @ by_pose, cross)
        squares += float(((px - view.corners_px) ** 2).sum())
        n += 2 * len(points)
    variance = squares / max(n - len(free) - 6 * len(views), 1)
    size = np.sqrt(np.diag(normal))
    if not np.all(size > 0):
        raise _degenerate()
    inverse = np.linalg.pinv(normal / np.outer(size, size), hermitian=True) / np.outer(size, size)
    out = np.zeros((9, 9))
    out[np.ix_(free, free)] = variance * (inverse + inverse.T) / 2
    return out


def _jackknife(
    views: Sequence[Sighting], width: int, height: int, whole: vision.Calibrated, terms: tuple[str, ...]
) -> FloatArray:
    """Covariance (9, 9) of the intrinsics from leaving out one view at a time."""
    found = []
    for i in range(len(views)):
        without = _solve([*views[:i], *views[i + 1 :]], width, height, terms, whole.matrix)
        if without is not None:
            found.append(_values(without))
    if len(found) < 3:
        raise _degenerate()
    away = np.array(found) - np.mean(found, axis=0)
    out: FloatArray = (len(found) - 1) / len(found) * away.T @ away
    return out


def _enlarged(covariance: FloatArray, other: FloatArray) -> FloatArray:
    """`covariance` with each standard uncertainty raised to that of `other` where that is larger, correlations kept."""
    u, v = np.sqrt(np.diag(covariance)), np.sqrt(np.diag(other))
    factor = np.where(u > 0, np.maximum(1.0, v / np.where(u > 0, u, 1.0)), 1.0)
    return np.asarray(covariance * np.outer(factor, factor))


def _degenerate() -> RetakeNeeded:
    return RetakeNeeded(
        "calibration-degenerate",
        "No camera can be told from these photos: take at least 8 with the card in all parts of the picture, leaning "
        "the phone to all four sides.",
    )


# ----------------------------------------------------------------------------- photos to a profile


def calibrate(assessment: Assessment, name: str, date: str | None = None) -> Calibration:
    """A profile called `name` from assessed photos of the card. Raises RetakeNeeded with one sentence where none is."""
    assessment.refuse()
    views = list(assessment.usable)
    width, height = assessment.width, assessment.height
    allowed = int(MAX_OUTLIERS * len(views))
    bad: dict[str, str] = {}
    found = fit_intrinsics(views, width, height, jackknife=False)
    while True:
        rms = np.array(found.view_rms_px)
        worst = int(np.argmax(rms))
        others = float(np.median(np.delete(rms, worst)))
        if rms[worst] <= max(OUTLIER_FACTOR * others, OUTLIER_PX):
            break
        bad[views[worst].name] = (
            f"does not fit the others ({rms[worst]:.2f} px against {others:.2f}): was the card bent, moved or blurred?"
        )
        del views[worst]
        if len(bad) > allowed or len(views) < MIN_PHOTOS:
            raise RetakeNeeded(
                "calibration-outliers",
                f"Of {len(assessment.usable)} photos {len(bad)} do not fit the others "
                f"({', '.join(bad)}): glue the card to stiff board, hold still, and take those again.",
            )
        found = fit_intrinsics(views, width, height, jackknife=False)
    found = fit_intrinsics(views, width, height)
    assessment = _with_residuals(assessment, views, found, bad)
    u = np.sqrt(np.diag(found.covariance))
    if max(u[:2] / found.values[:2]) > MAX_U_F_REL or max(u[2:4]) > MAX_U_CENTRE * np.hypot(width, height):
        raise RetakeNeeded(
            "calibration-weak",
            f"These photos leave the focal length uncertain by {2 * max(u[:2] / found.values[:2]):.1%}: add photos, "
            + phrase(assessment.missing, "leaning the phone more strongly to all four sides."),
        )
    centre = found.values[2:4]
    reach = max(float(np.linalg.norm(v.corners_px - centre, axis=1).max()) for v in views)
    profile = Profile(
        name=name,
        width=width,
        height=height,
        values=tuple(float(v) for v in found.values),
        covariance=tuple(tuple(float(c) for c in row) for row in found.covariance),
        rms_px=found.rms_px,
        photos=tuple((v.name, rms) for v, rms in zip(views, found.view_rms_px, strict=True)),
        reach_px=reach,
        distance_mm=float(np.median(found.distances_mm)),
        date=date or datetime.date.today().isoformat(),
        make=assessment.make,
        model=assessment.model,
        focal_35mm=assessment.focal_35mm,
        digital_zoom=assessment.digital_zoom,
        turn_known=assessment.turn_known,
    )
    return Calibration(profile, assessment)


def _with_residuals(
    assessment: Assessment, views: Sequence[Sighting], found: Intrinsics, bad: dict[str, str]
) -> Assessment:
    rms = dict(zip((v.name for v in views), found.view_rms_px, strict=True))
    reports = tuple(replace(r, rms_px=rms.get(r.name), reason=bad.get(r.name, r.reason)) for r in assessment.reports)
    return replace(assessment, reports=reports, usable=tuple(views))
