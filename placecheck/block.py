"""The block: one model of camera, card, table, dome and cap, and what is known of it beforehand.

The card lies on the table some 250 mm below the crown, so its scale must not be read off the
dome; instead one model explains everything seen. Unknowns: focal length, principal point, k1;
the card's pose; the block's place, turn and lean on the table; its height, its circumference,
length : breadth and the shape terms of dome.py; the cap's mid plane on the block. This module
names them, holds their priors, and unpacks one value of all of them into a Geometry, which
projects block points, casts rays back and finds where they meet the surface. The fit itself
is block_fit.py. Frames: board (OpenCV's, z into the board), table (z up), block (+X the
wearer's right, +Y face, +Z up), camera (OpenCV's). Lengths are mm, angles degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from placecheck.camera import Camera, pose_from_homography, project, rays, rotation
from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.known_dome import KnownDome
from placecheck.surface import MidPlane, level

FloatArray = npt.NDArray[np.float64]

FLIP = np.diag([1.0, -1.0, -1.0])  # OpenCV's board frame (z into the board) to the table frame (z up)
CARD_THICKNESS_MM = 0.3
TAPE_U_MM = 3.0  # a tape read to 1/4 in: 6.35/sqrt(12) = 1.8 mm, and how it lies

NAMES: tuple[str, ...] = (
    "log focal",
    "centre x",
    "centre y",
    "k1",
    "card rot x",
    "card rot y",
    "card rot z",
    "card x",
    "card y",
    "card z",
    "block x",
    "block y",
    "block yaw",
    "block lean x",
    "block lean y",
    "block height",
    "log round",
    "log ratio",
    "dome height",
    "dome depth",
    "egg",
    *(bump.name for bump in BUMPS),
    "cap yaw",
    "cap roll",
    "cap shift",
)
AT = {name: i for i, name in enumerate(NAMES)}
GROUPS: dict[str, tuple[str, ...]] = {
    "focal length, principal point and distortion": ("log focal", "centre x", "centre y", "k1"),
    "card corners": ("card rot x", "card rot y", "card rot z", "card x", "card y", "card z"),
    "block position": ("block x", "block y", "block yaw", "block lean x", "block lean y", "block height"),
    "tape": ("log round",),
    "cap centre line": ("cap yaw", "cap roll", "cap shift"),
    "block shape": ("log ratio", "dome height", "dome depth", "egg", *(bump.name for bump in BUMPS)),
}


@dataclass(frozen=True)
class Prior:
    """Mean and standard uncertainty (len(NAMES),) of every unknown before the outline is looked at.

    `root` (n, n) has root.T @ root = the inverse covariance; without it the unknowns are independent.
    """

    mean: FloatArray
    u: FloatArray
    root: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        if not self.root.size:
            object.__setattr__(self, "root", np.diag(1.0 / self.u))


@dataclass(frozen=True)
class Geometry:
    """One value of the unknowns, unpacked: camera numbers, dome, and block-to-camera pose x_cam = R x_block + t."""

    f_px: float
    centre_px: FloatArray
    k1: float
    dome: Dome
    rotation: FloatArray
    translation: FloatArray
    table_rotation: FloatArray
    table_translation: FloatArray
    cap: MidPlane = field(default_factory=MidPlane)

    @property
    def eye_mm(self) -> FloatArray:
        """The lens in the block frame (3,)."""
        return -self.rotation.T @ self.translation

    def to_px(self, points_block: FloatArray) -> FloatArray:
        """Pixels (..., 2) of block-frame points (..., 3)."""
        return project(points_block @ self.rotation.T + self.translation, self.f_px, self.centre_px, self.k1)

    def block_rays(self, px: FloatArray) -> FloatArray:
        """Unit ray directions (..., 3) in the block frame through pixels (..., 2)."""
        return rays(px, self.f_px, self.centre_px, self.k1) @ self.rotation

    def hit(self, px: FloatArray, lift_mm: float = 0.0) -> FloatArray:
        """First surface point (..., 3) seen through pixels (..., 2), in the block frame; NaN where the ray misses.

        `lift_mm` raises the surface (lace on cap on block).
        """
        px = np.asarray(px, float)
        d = self.block_rays(px.reshape(-1, 2))
        eye = self.eye_mm
        middle = -(d @ eye)
        reach = 165.0
        steps = np.linspace(-reach, reach, 45)
        s = middle[:, None] + steps
        f = level(self.dome, eye + s[..., None] * d[:, None, :]) - lift_mm
        inside = f < 0
        first = np.argmax(inside, axis=1)
        ok = inside.any(axis=1) & (first > 0)
        i = np.arange(len(d))
        first = np.maximum(first, 1)
        lo, hi = s[i, first - 1], s[i, first]
        flo, fhi = f[i, first - 1], f[i, first]
        for _ in range(5):
            mid = lo + (hi - lo) * np.clip(flo / np.where(flo == fhi, 1.0, flo - fhi), 0.02, 0.98)
            fm = level(self.dome, eye + mid[:, None] * d) - lift_mm
            neg = fm < 0
            hi, fhi = np.where(neg, mid, hi), np.where(neg, fm, fhi)
            lo, flo = np.where(neg, lo, mid), np.where(neg, flo, fm)
        best = np.where(np.abs(flo) < np.abs(fhi), lo, hi)
        p = eye + best[:, None] * d
        # two Newton steps along the ray
        for _ in range(2):
            h = 0.05
            f0 = level(self.dome, p) - lift_mm
            slope = (level(self.dome, p + h * d) - lift_mm - f0) / h
            slope = np.where(np.abs(slope) < 0.05, -1.0, slope)
            p = p - (np.clip(f0 / slope, -3, 3))[:, None] * d
        p = np.where(ok[:, None], p, np.nan)
        return p.reshape(*px.shape[:-1], 3)

    def visible(self, points_block: FloatArray, slack: float = 0.0) -> npt.NDArray[np.bool_]:
        """Which block-frame surface points (..., 3) face the camera (cosine above `slack`)."""
        from placecheck.surface import normals

        to_eye = self.eye_mm - points_block
        to_eye = to_eye / np.linalg.norm(to_eye, axis=-1, keepdims=True)
        facing: npt.NDArray[np.bool_] = np.einsum("...i,...i", normals(self.dome, points_block), to_eye) > slack
        return facing


def closest_on_rays(geometry: Geometry, rays_block: FloatArray) -> FloatArray:
    """For rays (N, 3) from the eye: how far along each the point with the least height above the dome lies, (N,) mm."""
    eye = geometry.eye_mm
    middle = -(rays_block @ eye)
    span = np.linspace(-60.0, 60.0, 25)
    s = middle[:, None] + span
    f = level(geometry.dome, eye + s[..., None] * rays_block[:, None, :])
    k = np.clip(np.argmin(f, axis=1), 1, len(span) - 2)
    i = np.arange(len(rays_block))
    f0, f1, f2 = f[i, k - 1], f[i, k], f[i, k + 1]
    bend = np.maximum(f0 - 2 * f1 + f2, 1e-9)
    best: FloatArray = s[i, k] + np.clip(0.5 * (f0 - f2) / bend, -1, 1) * (span[1] - span[0])
    return best


def outline_px(geometry: Geometry, n: int = 144, rounds: int = 32) -> FloatArray:
    """The dome's outline in the photo, (n, 2) px: where rays round its middle just touch it, by bisection."""
    middle = geometry.to_px(np.array([0.0, 0.0, 0.4 * geometry.dome.height_mm]))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    d = np.stack([np.cos(angle), np.sin(angle)], -1)
    low, high = np.zeros(n), np.full(n, 240.0 * geometry.f_px / float(np.linalg.norm(geometry.translation)))
    for _ in range(rounds):
        mid = (low + high) / 2
        rays_block = geometry.block_rays(middle + d * mid[:, None])
        at = closest_on_rays(geometry, rays_block)
        inside = level(geometry.dome, geometry.eye_mm + at[:, None] * rays_block) < 0
        low, high = np.where(inside, mid, low), np.where(inside, high, mid)
    return middle + d * ((low + high) / 2)[:, None]


@dataclass(frozen=True)
class Frame:
    """What stays fixed during a fit: the card's start pose, around which its six unknowns are small."""

    card_rotation: FloatArray
    card_translation: FloatArray
    start_f_px: float
    diagonal_px: float


def unpack(theta: FloatArray, frame: Frame) -> Geometry:
    """The geometry for unknowns `theta` (len(NAMES),)."""
    f = frame.start_f_px * float(np.exp(theta[0]))
    r_card = rotation(theta[4:7]) @ frame.card_rotation
    t_card = frame.card_translation + theta[7:10]
    r_table = r_card @ FLIP  # table frame to camera
    yaw, lean_x, lean_y = np.radians(theta[12:15])
    turn = np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1.0]])
    r_block = turn @ rotation(np.array([lean_x, lean_y, 0.0]))
    place = np.array([theta[10], theta[11], theta[15] - CARD_THICKNESS_MM])
    a, b = half_axes_for(float(np.exp(theta[16])), float(np.exp(theta[17])))
    dome = Dome(a, b, theta[18], theta[19], theta[20], tuple(theta[21 : 21 + len(BUMPS)]))
    cap = MidPlane(theta[-3], theta[-1], theta[-2])
    return Geometry(f, theta[1:3], theta[3], dome, r_table @ r_block, r_table @ place + t_card, r_table, t_card, cap)


def prior_for(camera: Camera, circumference_mm: float, known: KnownDome | None = None) -> Prior:
    """The prior of all unknowns for a camera and a taped circumference, or a block measured beforehand in its place."""
    mean = np.zeros(len(NAMES))
    u = np.ones(len(NAMES))

    def put(name: str, value: float, sd: float) -> None:
        mean[AT[name]], u[AT[name]] = value, sd

    put("log focal", 0.0, camera.u_f_rel)
    put("centre x", camera.cx_px, camera.u_centre_px)
    put("centre y", camera.cy_px, camera.u_centre_px)
    put("k1", camera.k1, camera.u_k1)
    for name in ("card rot x", "card rot y", "card rot z"):
        put(name, 0.0, 1.0)
    for name in ("card x", "card y", "card z"):
        put(name, 0.0, 300.0)
    put("block x", 0.0, 1000.0)
    put("block y", 0.0, 1000.0)
    put("block yaw", 0.0, 1000.0)
    put("block lean x", 0.0, 0.8)
    put("block lean y", 0.0, 0.8)
    put("block height", 165.0, 20.0)
    put("log round", float(np.log(circumference_mm)), TAPE_U_MM / circumference_mm)
    put("log ratio", float(np.log(1.27)), 0.08)
    put("dome height", 103.0, 9.0)
    put("dome depth", 200.0, 50.0)
    put("egg", 0.05, 0.03)
    for bump in BUMPS:
        put(bump.name, bump.mean, bump.sd)
    put("cap yaw", 0.0, 2.0)
    put("cap roll", 0.0, 0.4)
    put("cap shift", 0.0, 5.0)
    if known is None:
        return Prior(mean, u)
    at = [AT[name] for name in known.names]
    covariance = np.array(known.covariance)
    mean[at], u[at] = known.mean, np.sqrt(np.diag(covariance))
    root = np.diag(1.0 / u)
    root[np.ix_(at, at)] = np.linalg.inv(np.linalg.cholesky(covariance / np.outer(u[at], u[at]))) / u[at]
    return Prior(mean, u, root)


def start_place(
    camera: Camera, board_mm: FloatArray, corners_px: FloatArray, centroid_px: Sequence[float]
) -> FloatArray:
    """Where on the table (2,) a block whose outline is centred at `centroid_px` stands, roughly."""
    centre = np.array([camera.cx_px, camera.cy_px])
    r0, t0 = pose_from_homography(board_mm, corners_px, camera.f_px, centre, camera.k1)
    ray = rays(np.asarray(centroid_px, float), camera.f_px, centre, camera.k1)
    table = r0 @ FLIP
    eye = -table.T @ t0
    d = table.T @ ray
    return np.asarray((eye + d * ((165.0 - eye[2]) / d[2]))[:2])


def yaw_on_table(
    camera: Camera, board_mm: FloatArray, corners_px: FloatArray, at_px: Sequence[float], face_px: FloatArray
) -> float:
    """The block's yaw (deg, table frame) when the face lies along the image direction `face_px` (2,) from `at_px`."""
    centre = np.array([camera.cx_px, camera.cy_px])
    r0, t0 = pose_from_homography(board_mm, corners_px, camera.f_px, centre, camera.k1)
    table = r0 @ FLIP
    eye = -table.T @ t0
    length = 20.0 * camera.f_px / float(np.linalg.norm(t0))
    ends = []
    for px in (np.asarray(at_px, float), np.asarray(at_px, float) + face_px * length):
        d = table.T @ rays(px, camera.f_px, centre, camera.k1)
        ends.append((eye + d * ((200.0 - eye[2]) / d[2]))[:2])
    face = ends[1] - ends[0]
    return float(np.degrees(np.arctan2(face[1], face[0])) - 90.0)
