"""The camera: a pinhole with one radial distortion term, and how well each number is known.

The model is OpenCV's: x = f X/Z (1 + k1 r^2) + c, pixel centres at integers, square pixels.
Where it comes from, best first: a saved profile (calibrated, tight); EXIF's 35 mm
equivalent focal length; nothing (a typical phone's main lens, wide). EXIF's number is a
whole millimetre and has two conventions, the 43.27 mm diagonal (CIPA DC-008, what phones
write) and the 36 mm width, 4 % apart on a 4:3 picture: the diagonal is taken as the start
and the doubt goes into the uncertainty, as does whether a digital zoom is in it. What is not
known is not assumed: focal length, principal point and k1 stay free in the joint fit of card,
block and tape (block.py), held by these standard uncertainties, and so enter the budget of
every measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.errors import RetakeNeeded

FloatArray = npt.NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.267
TYPICAL_PHONE = (26.0, 0.12)
UNKNOWN_LENS = "typical phone lens"
"""The source of a camera that neither EXIF nor a profile tells."""
SHORTEST_F35_MM, LONGEST_F35_MM = 8.0, 300.0
"""The widest and the longest lens (35 mm equivalent) that a phone may have. The true focal length, which may stand
there by mistake, is 4 to 7 mm."""
MOST_ZOOM = 30.0
"""A larger digital zoom is no phone's, and tells nothing."""


@dataclass(frozen=True)
class Camera:
    """Camera matrix (one f), principal point, k1, and the standard uncertainty of each (f relative)."""

    f_px: float
    cx_px: float
    cy_px: float
    k1: float
    width: int
    height: int
    u_f_rel: float
    u_centre_px: float
    u_k1: float
    source: str

    def __post_init__(self) -> None:
        if self.f_px <= 0 or self.width <= 0 or self.height <= 0:
            raise ValueError("a camera needs a positive focal length and image size")

    @property
    def matrix(self) -> FloatArray:
        return np.array([[self.f_px, 0, self.cx_px], [0, self.f_px, self.cy_px], [0, 0, 1.0]])


def camera_for(
    width: int,
    height: int,
    focal_35mm: float | None,
    digital_zoom: float = 1.0,
    unknown_f35: tuple[float, float] = TYPICAL_PHONE,
) -> Camera:
    """The camera of a photo without a profile. `focal_35mm` is EXIF's 35 mm equivalent, None when unknown.

    One too short for any lens tells nothing either; `unknown_f35` is what is taken then, in mm with its relative u.

    Phones disagree whether that has the digital zoom in it (Exif leaves it open): of a photo that says it was zoomed
    the focal length lies anywhere between, a rectangular distribution of its logarithm.

    Raises RetakeNeeded for a photo that was zoomed farther than any lens.
    """
    diagonal_px = float(np.hypot(width, height))
    centre = ((width - 1) / 2, (height - 1) / 2)
    zoom = digital_zoom if 1.0 < digital_zoom <= MOST_ZOOM else 1.0
    u_zoom = float(np.log(zoom)) / 12**0.5
    if focal_35mm is None or focal_35mm < SHORTEST_F35_MM:
        f_px = unknown_f35[0] * zoom**0.5 * diagonal_px / FULL_FRAME_DIAGONAL_MM
        u_f = float(np.hypot(unknown_f35[1], u_zoom))
        return Camera(f_px, *centre, 0.0, width, height, u_f, 0.012 * diagonal_px, 0.05, UNKNOWN_LENS)
    if focal_35mm > LONGEST_F35_MM:
        raise RetakeNeeded(
            "odd-focal-length",
            f"The photo says its lens is {focal_35mm:g} mm (35 mm equivalent), longer than a phone's: take it again "
            "without zoom, from closer, and send it as the phone saved it.",
        )
    f_px = focal_35mm * zoom**0.5 * diagonal_px / FULL_FRAME_DIAGONAL_MM
    rounding = 0.5 / focal_35mm / np.sqrt(3.0)
    u_f = float(np.hypot(np.hypot(rounding, 0.012), u_zoom))
    return Camera(f_px, *centre, 0.0, width, height, u_f, 0.005 * diagonal_px, 0.05, f"EXIF {focal_35mm:g} mm")


def distort(xy: FloatArray, k1: Any) -> FloatArray:
    """Normalised image points (..., 2) with radial distortion k1 applied."""
    r2 = (xy**2).sum(-1, keepdims=True)
    return xy * (1.0 + k1 * r2)


def undistort(xy: FloatArray, k1: Any) -> FloatArray:
    """Inverse of `distort`: xy / s with s^3 - s^2 = k1 |xy|^2, by Newton's iteration, converging for any phone lens."""
    bend = k1 * (xy**2).sum(-1, keepdims=True)
    stretch = 1.0 + bend
    for _ in range(4):
        square = stretch * stretch
        stretch = (square * (2.0 * stretch - 1.0) + bend) / (3.0 * square - 2.0 * stretch)
    return xy / stretch


def project(points_cam: FloatArray, f_px: Any, centre_px: FloatArray, k1: Any) -> FloatArray:
    """Pixels (..., 2) of points (..., 3) in the camera frame (z forward).

    The camera's numbers may be arrays that broadcast with the points, as may those of `rays` with the pixels.
    """
    xy = points_cam[..., :2] / points_cam[..., 2:3]
    return distort(xy, k1) * f_px + centre_px


def rays(px: FloatArray, f_px: Any, centre_px: FloatArray, k1: Any) -> FloatArray:
    """Unit directions (..., 3) in the camera frame through pixels (..., 2)."""
    xy = undistort((np.asarray(px, float) - centre_px) / f_px, k1)
    d = np.ones((*xy.shape[:-1], 3))
    d[..., :2] = xy
    d /= np.sqrt(1.0 + (xy**2).sum(-1, keepdims=True))
    return d


def wrapped_deg(angle_deg: float) -> float:
    """The same turn within half a turn either way, from -180 on and below 180."""
    return (float(angle_deg) + 180.0) % 360.0 - 180.0


def rotation(w: FloatArray) -> FloatArray:
    """Rotation matrix (3, 3) of a rotation vector, Rodrigues' formula."""
    angle = float(np.linalg.norm(w))
    if angle < 1e-12:
        return np.eye(3)
    k = w / angle
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def rotations(w: FloatArray) -> FloatArray:
    """Rotation matrices (B, 3, 3) of rotation vectors (B, 3)."""
    angle = np.sqrt((w**2).sum(-1))[:, None, None]
    k = w / np.maximum(angle[..., 0], 1e-12)
    cross = np.zeros((len(w), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -k[:, 2], k[:, 1], -k[:, 0]
    cross -= np.swapaxes(cross, 1, 2)
    out: FloatArray = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
    return out


def pose_from_homography(
    board_mm: FloatArray, px: FloatArray, f_px: float, centre_px: FloatArray, k1: float
) -> tuple[FloatArray, FloatArray]:
    """Board pose (R (3, 3), t (3,)) from plane points (N, 2) and pixels (N, 2): x_cam = R (X, Y, 0) + t, t_z > 0.

    Direct linear transform, then the nearest rotation (Zhang 2000); a start value for the joint fit.
    """
    xy = undistort((px - centre_px) / f_px, k1)
    shift = board_mm.mean(0)
    scale = float(np.abs(board_mm - shift).max())
    x, y = ((board_mm - shift) / scale).T
    u, v = xy.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], -1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], -1),
        ]
    )
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    h = h @ np.array([[1 / scale, 0, -shift[0] / scale], [0, 1 / scale, -shift[1] / scale], [0, 0, 1]])
    if h[2] @ np.array([*shift, 1.0]) < 0:
        h = -h
    size = float(np.sqrt(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1])))
    r = np.stack([h[:, 0] / size, h[:, 1] / size, np.cross(h[:, 0], h[:, 1]) / size**2], -1)
    u_, _, vt = np.linalg.svd(r)
    return u_ @ np.diag([1, 1, float(np.linalg.det(u_ @ vt))]) @ vt, h[:, 2] / size
