"""The cap's surface under and beside the small card, and the way from photo pixels to lengths along it.

The card lies on the cap, stiff: it touches along its middle, and the cap falls away from its plane to every side. So
the surface is taken as a sphere that the card's plane touches (a little lifted by lace, thread and card), its
curvature 1/100 mm with a doubt of a fifth (block and head are 72 to 130 mm in radius there). Camera and
pose come from the card's corners with the photo's own focal length, homography first, then least squares. A ray meets
the sphere in closed form. The chart (s, t) is the sphere's azimuthal equidistant map about the card's middle: lengths
from there are true, s runs along the card's long side, t along its short one (down, as the board's frame has it).
What is not known exactly is a parameter here, so that `spacing` can move each by its doubt and see what happens.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.camera import Camera, distort, pose_from_homography, rays
from placecheck.card.board import SMALL_CARD
from placecheck.card.detect import CardSighting
from placecheck.errors import RetakeNeeded

FloatArray = npt.NDArray[np.float64]

CURVATURE_PER_MM, U_CURVATURE_PER_MM = 0.0102, 0.0019
LIFT_MM, U_LIFT_MM = 1.2, 0.7
"""Card's board and paper, and the lace's thread under it, above the surface that carries the stitches."""
U_TILT_RAD = np.radians(1.5)
"""How far a stiff card on lace and hair may lean against the surface."""
U_K1 = 0.015
"""Radial distortion that a phone leaves in its photos at close range."""
U_PRINT_REL, U_BAR_MM = 0.004, 0.1
"""Doubt of the card's printed size where its bars were not measured, and of a measured 50 mm bar."""


@dataclass(frozen=True, eq=False)
class Ground:
    """Camera, pose of the card (x_cam = R X + t, X in mm from the card's middle, z into the card), and the sphere."""

    f_px: float
    centre_px: FloatArray
    k1: float
    rotation: FloatArray
    translation: FloatArray
    curvature_per_mm: float = CURVATURE_PER_MM
    lift_mm: float = LIFT_MM
    tilt_rad: tuple[float, float] = (0.0, 0.0)
    scale: float = 1.0

    @property
    def axes(self) -> FloatArray:
        """The sphere's own axes in the card's frame, rows x, y, z (z into the cap)."""
        a, b = self.tilt_rad
        x = np.array([np.cos(a), 0.0, np.sin(a)])
        z = np.cross(x, np.array([0.0, np.cos(b), np.sin(b)]))
        z = z / np.linalg.norm(z)
        return np.stack([x, np.cross(z, x), z])


def fit_ground(card: CardSighting, camera: Camera, bars_mm: tuple[float, float] | None = None) -> Ground:
    """Camera and pose from the card's corners. `bars_mm`: measured 50 mm bars, across and down."""
    stretch = np.array(bars_mm) / 50.0 if bars_mm is not None else np.ones(2)
    points = (card.board_mm - SMALL_CARD.middle_mm[0]) * stretch
    centre = np.array([camera.cx_px, camera.cy_px])
    start = pose_from_homography(points, card.corners_px, camera.f_px, centre, camera.k1)
    solved = vision.solve_pnp(
        np.c_[points, np.zeros(len(points))],
        card.corners_px,
        camera.matrix,
        np.array([camera.k1, 0, 0, 0, 0]),
        start,
    )
    rotation, translation = solved if solved is not None else start
    if translation[2] <= 0:
        raise RetakeNeeded("card-covered", "The small card cannot be read well enough: clear it and retake.")
    return Ground(camera.f_px, centre, camera.k1, rotation, translation)


def refitted(ground: Ground, card: CardSighting, camera: Camera, bars_mm: tuple[float, float] | None) -> Ground:
    """The ground for another camera, all else kept."""
    new = fit_ground(card, camera, bars_mm)
    return replace(new, curvature_per_mm=ground.curvature_per_mm, lift_mm=ground.lift_mm, tilt_rad=ground.tilt_rad)


def surface_points(ground: Ground, chart: FloatArray) -> FloatArray:
    """Chart (..., 2) mm to the card's frame (..., 3) mm."""
    r = 1.0 / ground.curvature_per_mm
    length = np.linalg.norm(chart, axis=-1, keepdims=True)
    angle = length / r
    flat = np.where(length > 1e-9, chart / np.maximum(length, 1e-9), 0.0) * r * np.sin(angle)
    local = np.concatenate([flat, r * (1 - np.cos(angle))], axis=-1)
    return local @ ground.axes + np.array([0, 0, ground.lift_mm])


def to_px(ground: Ground, chart: FloatArray) -> FloatArray:
    """Chart (..., 2) mm to photo pixels (..., 2)."""
    cam = surface_points(ground, chart) @ ground.rotation.T + ground.translation
    xy = cam[..., :2] / cam[..., 2:]
    return distort(xy, ground.k1) * ground.f_px + ground.centre_px


def on_surface(ground: Ground, px: FloatArray) -> FloatArray:
    """Photo pixels (..., 2) to the card's frame (..., 3) mm on the sphere; NaN where the ray passes it."""
    d = rays(px, ground.f_px, ground.centre_px, ground.k1) @ ground.rotation
    origin = -ground.rotation.T @ ground.translation
    r = 1.0 / ground.curvature_per_mm
    centre = np.array([0, 0, ground.lift_mm]) + r * ground.axes[2]
    w = origin - centre
    b = d @ w
    inner = b * b - (w @ w - r * r)
    reach = -b - np.sqrt(np.where(inner > 0, inner, np.nan))
    out: FloatArray = origin + reach[..., None] * d
    return out


def obliqueness_deg(ground: Ground, chart: FloatArray) -> FloatArray:
    """Angle (...,) between the line of sight and the surface's normal at chart points; over 90 is the far side."""
    points = surface_points(ground, chart)
    r = 1.0 / ground.curvature_per_mm
    normal = (np.array([0, 0, ground.lift_mm]) + r * ground.axes[2] - points) / r
    sight = points + ground.rotation.T @ ground.translation
    cosine = (normal * sight).sum(-1) / np.linalg.norm(sight, axis=-1)
    out: FloatArray = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return out
