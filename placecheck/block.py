"""The block: where the dome stands in front of the camera, found by its outline, card and tape together.

The card lies on the table some 250 mm below the crown, so its scale must not be read off the
dome; instead one model explains everything seen. Unknowns: focal length, principal point, k1;
the card's pose; the block's place, turn and lean on the table; its height, its circumference,
length : breadth and the shape terms of dome.py. Observations: the card's corners (reprojection),
the taped circumference, and the outline: the ray through an outline pixel just touches the dome,
so the least radial height of the ray above the surface is zero. For an ellipsoid that is the
dual-quadric outline (Hartley & Zisserman 8.3), but it holds for any star-shaped dome. Gauss-Newton
with priors (maximum a posteriori); the inverse of the final normal matrix is the covariance of
all unknowns, which the uncertainty budget propagates with their correlations. Outline pixels are
correlated, so their weight is that of `OUTLINE_INDEPENDENT` independent ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from placecheck.camera import Camera, pose_from_homography, project, rays, rotation
from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.surface import MidPlane, geodesic_mm, level

FloatArray = npt.NDArray[np.float64]

FLIP = np.diag([1.0, -1.0, -1.0])  # OpenCV's board frame (z into the board) to the table frame (z up)
CARD_THICKNESS_MM = 0.3
OUTLINE_INDEPENDENT = 30.0
OUTLINE_MODEL_MM = 0.5  # cap mesh, hair and pins at the outline: what the shape family does not follow
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
_AT = {name: i for i, name in enumerate(NAMES)}
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
    """Mean and standard uncertainty (len(NAMES),) of every unknown before the outline is looked at."""

    mean: FloatArray
    u: FloatArray


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
    cap: MidPlane = MidPlane()

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


@dataclass(frozen=True)
class BlockFit:
    """The fitted unknowns, their covariance (n, n), and how well they explain what was seen.

    `outline_residual_mm` is the rms distance of outline rays from the dome; `card_residual_px` the rms of the card.
    """

    theta: FloatArray
    covariance: FloatArray
    frame: Frame
    outline_residual_mm: float
    outline_worst_mm: float
    card_residual_px: float
    cost: float
    tape_pull: float
    used: npt.NDArray[np.bool_] = field(repr=False)

    @property
    def geometry(self) -> Geometry:
        return unpack(self.theta, self.frame)


@dataclass(frozen=True)
class Clues:
    """What the closure and cap tell about the block once they are found: the cap's centre line lies in one plane,

    and lengths on the closure are known. `centre_px` (K, 2) with `centre_u_px` (K,) across; `pairs_px` (P, 2, 2)
    are ends of a length `pairs_mm` (P,) known to `pairs_u_mm` (P,).
    """

    centre_px: FloatArray
    centre_u_px: FloatArray
    pairs_px: FloatArray
    pairs_mm: FloatArray
    pairs_u_mm: FloatArray
    lift_mm: float


def _closest(geometry: Geometry, d: FloatArray) -> FloatArray:
    """For rays d (N, 3) from the eye: the parameter of the point with the least height above the dome."""
    eye = geometry.eye_mm
    middle = -(d @ eye)
    span = np.linspace(-60.0, 60.0, 25)
    s = middle[:, None] + span
    f = level(geometry.dome, eye + s[..., None] * d[:, None, :])
    k = np.clip(np.argmin(f, axis=1), 1, len(span) - 2)
    i = np.arange(len(d))
    f0, f1, f2 = f[i, k - 1], f[i, k], f[i, k + 1]
    bend = np.maximum(f0 - 2 * f1 + f2, 1e-9)
    best: FloatArray = s[i, k] + np.clip(0.5 * (f0 - f2) / bend, -1, 1) * (span[1] - span[0])
    return best


def prior_for(camera: Camera, circumference_mm: float, card_scale_u: float) -> Prior:
    """The prior of all unknowns. `card_scale_u` is the relative standard uncertainty of the card's print."""
    mean = np.zeros(len(NAMES))
    u = np.ones(len(NAMES))

    def put(name: str, value: float, sd: float) -> None:
        mean[_AT[name]], u[_AT[name]] = value, sd

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
    put("cap yaw", 0.0, 3.0)
    put("cap roll", 0.0, 0.4)
    put("cap shift", 0.0, 5.0)
    return Prior(mean, u)


def fit_block(
    camera: Camera,
    board_mm: FloatArray,
    corners_px: FloatArray,
    outline_px: FloatArray,
    yaw_start_deg: float,
    place_start_mm: FloatArray,
    circumference_mm: float,
    card_scale_u: float = 0.002,
    corner_u_px: float = 0.25,
    outline_u_px: float = 0.7,
    prior: Prior | None = None,
    clues: Clues | None = None,
    start: FloatArray | None = None,
    iterations: int = 14,
) -> BlockFit:
    """Fit all unknowns to card corners (N, 2), outline pixels (M, 2) and tape.

    `yaw_start_deg` is the face direction in the table frame (the block's +X from the table's +X),
    `place_start_mm` (2,) the block's place on the table. Robust (Huber) on the outline, and points whose
    touching point lies well below the widest level count less, since the body there is no dome.
    """
    centre = np.array([camera.cx_px, camera.cy_px])
    r0, t0 = pose_from_homography(board_mm, corners_px, camera.f_px, centre, camera.k1)
    frame = Frame(r0, t0, camera.f_px, float(np.hypot(camera.width, camera.height)))
    prior = prior or prior_for(camera, circumference_mm, card_scale_u)
    theta = prior.mean.copy()
    theta[_AT["block x"]], theta[_AT["block y"]] = place_start_mm
    theta[_AT["block yaw"]] = yaw_start_deg
    if start is not None:
        theta = start.copy()
    board3 = np.concatenate([board_mm, np.zeros((len(board_mm), 1))], axis=1)
    m = len(outline_px)

    def card_part(th: FloatArray) -> FloatArray:
        r = rotation(th[4:7]) @ r0
        p = project(board3 @ r.T + t0 + th[7:10], camera.f_px * np.exp(th[0]), th[1:3], th[3])
        return ((p - corners_px) / corner_u_px).ravel()

    def outline_part(th: FloatArray, s: FloatArray | None) -> tuple[FloatArray, FloatArray, FloatArray]:
        g = unpack(th, frame)
        d = g.block_rays(outline_px)
        if s is None:
            s = _closest(g, d)
        p = g.eye_mm + s[:, None] * d
        return level(g.dome, p), s, p[:, 2]

    n_centre = 0 if clues is None else len(clues.centre_px)
    bend = np.ones(0 if clues is None else len(clues.pairs_mm))
    if clues is not None:
        clue_px = np.concatenate([clues.centre_px, clues.pairs_px.reshape(-1, 2)])
        run = float(np.linalg.norm(np.diff(clues.centre_px, axis=0), axis=1).sum()) if n_centre > 1 else 0.0
        span_mm = run * float(np.linalg.norm(t0)) / camera.f_px
        # neighbouring points of a seam share their error over some 20 mm
        crowd = np.sqrt(max(1.0, n_centre / max(2.0, span_mm / 20.0)))

    def clue_part(th: FloatArray) -> FloatArray:
        if clues is None:
            return np.zeros(0)
        g = unpack(th, frame)
        p = g.hit(clue_px, clues.lift_mm)
        mm_px = float(np.linalg.norm(g.translation)) / g.f_px
        away = (p[:n_centre] @ g.cap.normal - g.cap.shift_mm) / (clues.centre_u_px * mm_px * crowd)
        ends = p[n_centre:].reshape(-1, 2, 3)
        length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=-1) * bend
        both = np.concatenate([away, (length - clues.pairs_mm) / clues.pairs_u_mm])
        return np.clip(np.nan_to_num(both), -6.0, 6.0)

    # a first camera-and-card pose alone, so that the outline starts from a sound table
    step = np.where(prior.u > 0, np.minimum(prior.u * 1e-3, 1e-2), 1e-3)
    step[4:7] = 1e-5
    step[10:12] = 1e-2
    step[12] = 1e-3
    active_card = np.arange(10)
    for _ in range(6 if start is None else 0):
        base = np.concatenate([card_part(theta), ((theta - prior.mean) / prior.u)[:10]])
        jac = np.empty((len(base), 10))
        for j in active_card:
            th = theta.copy()
            th[j] += step[j]
            jac[:, j] = (np.concatenate([card_part(th), ((th - prior.mean) / prior.u)[:10]]) - base) / step[j]
        theta[:10] -= np.linalg.lstsq(jac, base, rcond=None)[0]

    weight_m = np.ones(m)
    n = len(NAMES)
    mm_per_px = 1.0
    lam = 1e-3
    cost_old = np.inf
    normal = np.eye(n)
    jtj_card = np.zeros((n, n))
    best = theta.copy()
    h = np.zeros(m)
    for it in range(iterations):
        g = unpack(theta, frame)
        mm_per_px = float(np.linalg.norm(g.translation)) / g.f_px
        sd = np.hypot(outline_u_px * mm_per_px, OUTLINE_MODEL_MM) * np.sqrt(max(1.0, m / OUTLINE_INDEPENDENT))
        h, s, z = outline_part(theta, None)
        low = np.clip((-z - 5.0) / 15.0, 0.0, 1.0)
        sd_each = sd * (1.0 + 5.0 * low)
        resid = h / sd_each
        limit = 2.0 / np.sqrt(max(1.0, m / OUTLINE_INDEPENDENT))
        weight_m = np.where(np.abs(resid) <= limit, 1.0, limit / np.maximum(np.abs(resid), 1e-9))
        w = np.sqrt(weight_m) / sd_each
        c = card_part(theta)
        pr = (theta - prior.mean) / prior.u
        if clues is not None and len(clues.pairs_mm):
            ends = unpack(theta, frame).hit(clues.pairs_px, clues.lift_mm)
            good = np.isfinite(ends).all(axis=(1, 2))
            if good.any() and it < 3:
                a, b = ends[good, 0], ends[good, 1]
                bend[good] = geodesic_mm(unpack(theta, frame).dome, a, b, 10.0) / np.linalg.norm(b - a, axis=-1)
        q = clue_part(theta)
        cost = float(c @ c + ((h * w) ** 2).sum() + pr @ pr + q @ q)
        if cost > cost_old * 1.0001 and it > 0 and lam < 1e3:
            theta = best.copy()
            lam *= 10
            continue
        converged = cost_old - cost < 1e-4 * max(cost, 1.0)
        cost_old, best = cost, theta.copy()
        lam = max(lam / 5, 1e-6)
        jac_o = np.empty((m, n))
        jac_c = np.zeros((len(c), n))
        jac_q = np.zeros((len(q), n))
        for j in range(n):
            th = theta.copy()
            th[j] += step[j]
            jac_o[:, j] = (outline_part(th, s)[0] - h) / step[j]
            if j < 10:
                jac_c[:, j] = (card_part(th) - c) / step[j]
            if len(q):
                jac_q[:, j] = (clue_part(th) - q) / step[j]
        jw = jac_o * w[:, None]
        jtj_card = jac_c.T @ jac_c
        normal = jtj_card + jw.T @ jw + jac_q.T @ jac_q + np.diag(1.0 / prior.u**2)
        grad = jac_c.T @ c + jw.T @ (h * w) + jac_q.T @ q + pr / prior.u
        if converged and it >= 3:
            break
        scale = np.sqrt(np.diag(normal))
        a = normal / np.outer(scale, scale) + lam * np.eye(n)
        move = -np.linalg.solve(a, grad / scale) / scale
        theta = theta + np.clip(move, -4 * np.maximum(prior.u, 1e-9), 4 * np.maximum(prior.u, 1e-9))
    theta = best
    scale = np.sqrt(np.diag(normal))
    covariance = np.linalg.inv(normal / np.outer(scale, scale)) / np.outer(scale, scale)
    c = card_part(theta) * corner_u_px
    on_dome = weight_m > 0.5
    rms = float(np.sqrt(np.mean(h[on_dome] ** 2))) if on_dome.any() else float("inf")
    i = _AT["log round"]
    return BlockFit(
        theta,
        covariance,
        frame,
        rms,
        float(np.percentile(np.abs(h), 95)),
        float(np.sqrt(np.mean(c**2) * 2)),
        cost_old,
        float((theta[i] - prior.mean[i]) / prior.u[i]),
        on_dome,
    )


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
