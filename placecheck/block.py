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
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.camera import Camera, pose_from_homography, project, rays, rotation, rotations
from placecheck.dome import BUMPS, Dome, Domes, half_axes_for, half_axes_of
from placecheck.known_dome import KnownDome
from placecheck.mid_plane import MidPlane, MidPlanes
from placecheck.sightlines import closest, first_hits, least_height
from placecheck.surface import level, normals, unit

FloatArray = npt.NDArray[np.float64]

FLIP = np.diag([1.0, -1.0, -1.0])  # OpenCV's board frame (z into the board) to the table frame (z up)
CARD_THICKNESS_MM = 0.3
UPRIGHT_U_DEG = 0.8  # how far from upright, each way, a block stands on its table
ROUND_U = 0.06  # log of the length round a block that nobody taped: they are sold from 20 to 25 in
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
CAMERA_WORDS = "focal length, principal point and distortion"
CARD_WORDS, CAP_LINE_WORDS = "card corners", "cap centre line"
GROUPS: dict[str, tuple[str, ...]] = {
    CAMERA_WORDS: ("log focal", "centre x", "centre y", "k1"),
    CARD_WORDS: ("card rot x", "card rot y", "card rot z", "card x", "card y", "card z"),
    "block position": ("block x", "block y", "block yaw", "block lean x", "block lean y", "block height"),
    "tape": ("log round",),
    CAP_LINE_WORDS: ("cap yaw", "cap roll", "cap shift"),
    "block shape": ("log ratio", "dome height", "dome depth", "egg", *(bump.name for bump in BUMPS)),
}
GROUP_OF = {name: group for group, names in GROUPS.items() for name in names}


@dataclass(frozen=True)
class Prior:
    """Mean and standard uncertainty (len(NAMES),) of every unknown before the outline is looked at.

    `root` (n, n) has root.T @ root = the inverse covariance; without it the unknowns are independent. `known` is the
    block measured beforehand that it rests on.
    """

    mean: FloatArray
    u: FloatArray
    root: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    known: KnownDome | None = None

    def __post_init__(self) -> None:
        if not self.root.size:
            object.__setattr__(self, "root", np.diag(1.0 / self.u))


class _Sight:
    """What a geometry does: it projects block points and casts rays back.

    In a stack of B geometries points are (B, N, 3) and pixels (B, N, 2), or (N, 2) where all look through the same.
    """

    f_px: Any
    centre_px: FloatArray
    k1: Any
    dome: Any
    rotation: FloatArray
    translation: FloatArray

    @property
    def eye_mm(self) -> FloatArray:
        """The lens in the block frame (3,)."""
        return -(self.translation @ self.rotation)

    def to_px(self, points_block: FloatArray) -> FloatArray:
        """Pixels (..., 2) of block-frame points (..., 3)."""
        seen = points_block @ np.swapaxes(self.rotation, -1, -2) + self.translation
        return project(seen, self.f_px, self.centre_px, self.k1)

    def block_rays(self, px: FloatArray) -> FloatArray:
        """Unit ray directions (..., 3) in the block frame through pixels (..., 2)."""
        return rays(px, self.f_px, self.centre_px, self.k1) @ self.rotation

    def hit(self, px: FloatArray, lift_mm: FloatArray | float = 0.0, near_mm: FloatArray | None = None) -> FloatArray:
        """First surface point (..., 3) seen through pixels (..., 2), in the block frame; NaN where the ray misses.

        `lift_mm` raises the surface (lace on cap on block); `near_mm` (...) is how far from the lens about, if known.
        """
        return first_hits(self.dome, self.eye_mm, self.block_rays(np.asarray(px, float)), lift_mm, near_mm)

    def visible(self, points_block: FloatArray, slack: float = 0.0) -> npt.NDArray[np.bool_]:
        """Which block-frame surface points (..., 3) face the camera (cosine above `slack`)."""
        to_eye = unit(self.eye_mm - points_block)
        facing: npt.NDArray[np.bool_] = np.einsum("...i,...i", normals(self.dome, points_block), to_eye) > slack
        return facing


@dataclass(frozen=True, eq=False)
class Geometry(_Sight):
    """One value of the unknowns, unpacked: camera numbers, dome, and block-to-camera pose x_cam = R x_block + t.

    Compared by identity, so that what is computed from one can be kept with it.
    """

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
    def mm_per_px(self) -> float:
        """How many mm a pixel is at the distance of the block's middle."""
        return float(np.linalg.norm(self.translation)) / self.f_px


@dataclass(frozen=True)
class Geometries(_Sight):
    """A stack of B geometries: numbers (B, 1, 1), centre and translation (B, 1, k), rotation (B, 3, 3).

    Differences of a Geometry by its unknowns are taken on such a stack, which costs little more than a single one.
    """

    f_px: FloatArray
    centre_px: FloatArray
    k1: FloatArray
    dome: Domes
    rotation: FloatArray
    translation: FloatArray
    cap: MidPlanes


def closest_on_rays(geometry: Geometry | Geometries, rays_block: FloatArray) -> FloatArray:
    """For rays (..., 3) from the eye: how far along each the point with the least height above the dome lies, mm."""
    return closest(geometry.dome, geometry.eye_mm, rays_block)


def outline_heights(
    geometry: Geometry, px: FloatArray, at: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Heights (N,) above the dome of rays through pixels (N, 2) where they come closest to it, how far along, and z.

    `at` is how far along, where that is known.
    """
    rays_block = geometry.block_rays(px)
    if at is None:
        at = closest_on_rays(geometry, rays_block)
    p = geometry.eye_mm + at[:, None] * rays_block
    return level(geometry.dome, p), at, p[:, 2]


SETTLED_PX = 2e-3  # each step is some thirty times smaller than the one before


def outline_px(geometry: Geometry | Geometries, n: int = 144, rounds: int = 32) -> FloatArray:
    """The dome's outline in the photo, (n, 2) px, or (B, n, 2): where rays round its middle just touch it.

    Newton's steps, at most `rounds` of them, in the distance from the middle and the place along the ray at once.
    """
    dome, eye = geometry.dome, geometry.eye_mm
    middle = geometry.to_px(np.asarray(dome.height_mm)[..., None, None] * np.array([0.0, 0.0, 0.4]))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    d = np.stack([np.cos(angle), np.sin(angle)], -1)
    sideways = np.concatenate([d, np.zeros((n, 1))], axis=1) @ geometry.rotation
    distance = np.sqrt((geometry.translation**2).sum(-1))
    f_px = np.reshape(geometry.f_px, distance.shape)
    per_mm = f_px / distance
    at = 95.0 * per_mm * np.ones(n)
    beyond = np.zeros_like(at)
    for _ in range(rounds):
        rays_block = geometry.block_rays(middle + d * at[..., None])
        height, g, beyond = least_height(dome, eye, rays_block, beyond)
        # a pixel further out, the ray's point moves across the ray by its depth over the focal length
        depth = (beyond - np.einsum("...i,...i", rays_block, eye)) * (rays_block @ geometry.rotation[..., 2, :, None])[
            ..., 0
        ]
        across = sideways - rays_block * np.einsum("...i,...i", rays_block, sideways)[..., None]
        gain = np.maximum(np.einsum("...i,...i", g, across), 0.25) * depth / f_px
        move = np.clip(height / gain, -40.0 * per_mm, 40.0 * per_mm)
        at = np.clip(at - move, 5.0 * per_mm, 240.0 * per_mm)
        if float(np.abs(move).max()) < SETTLED_PX:
            break
    out: FloatArray = middle + d * at[..., None]
    return out


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


def unpack_many(thetas: FloatArray, frame: Frame) -> Geometries:
    """The stack of geometries for unknowns `thetas` (B, len(NAMES))."""
    f = frame.start_f_px * np.exp(thetas[:, 0])
    r_card = rotations(thetas[:, 4:7]) @ frame.card_rotation
    r_table = r_card @ FLIP
    yaw, lean_x, lean_y = np.radians(thetas[:, 12:15]).T
    zero = np.zeros_like(yaw)
    turn = rotations(np.stack([zero, zero, yaw], -1))
    r_block = turn @ rotations(np.stack([lean_x, lean_y, zero], -1))
    place = np.stack([thetas[:, 10], thetas[:, 11], thetas[:, 15] - CARD_THICKNESS_MM], -1)
    t = (r_table @ place[..., None])[..., 0] + frame.card_translation + thetas[:, 7:10]
    a, b = half_axes_of(np.exp(thetas[:, 16]), np.exp(thetas[:, 17]))
    dome = Domes(a, b, thetas[:, 18], thetas[:, 19], thetas[:, 20], thetas[:, 21 : 21 + len(BUMPS)])
    cap = MidPlanes(thetas[:, -3], thetas[:, -1], thetas[:, -2])
    centre, k1 = thetas[:, None, 1:3], thetas[:, 3, None, None]
    return Geometries(f[:, None, None], centre, k1, dome, r_table @ r_block, t[:, None], cap)


def stack_of_one(geometry: Geometry) -> Geometries:
    """A geometry as a stack."""
    g, dome, cap = geometry, geometry.dome, geometry.cap
    half_axes = (dome.half_breadth_mm, dome.half_length_mm, dome.height_mm, dome.depth_mm, dome.egg)
    breadth, length, height, depth, egg = np.array(half_axes)[:, None]
    domes = Domes(breadth, length, height, depth, egg, np.array([dome.bumps]))
    caps = MidPlanes(*(np.array([a]) for a in (cap.yaw_deg, cap.shift_mm, cap.roll_deg)))
    f, k1 = np.full((1, 1, 1), g.f_px), np.full((1, 1, 1), g.k1)
    return Geometries(f, g.centre_px[None, None], k1, domes, g.rotation[None], g.translation[None, None], caps)


def prior_for(
    camera: Camera, circumference_mm: float, known: KnownDome | None = None, lean_u_deg: float = UPRIGHT_U_DEG
) -> Prior:
    """The prior of all unknowns for a camera and a taped circumference, or a block measured beforehand in its place.

    `lean_u_deg`: how far from upright the block may stand on its table, one standard uncertainty each way.
    """
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
    put("block lean x", 0.0, lean_u_deg)
    put("block lean y", 0.0, lean_u_deg)
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
    return Prior(mean, u, root, known)


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
