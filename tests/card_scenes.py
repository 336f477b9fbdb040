"""Photos of the scale card with known corners, for tests.

Every pixel's sub-samples are carried back through lens and pose to the card (flat, or bent to
a cylinder) and look up OpenCV's own drawing of the board: nothing here is shared with the
package's way of finding corners. Light is added up linearly, blurred, exposed, given noise and
the sRGB curve, and the result goes through a real JPEG.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

FINE = 20  # px/mm of the drawn card
INK, PAPER, TABLE = 0.03, 0.8, 0.25  # reflectances


def drawn_card(
    squares: tuple[int, int] = (7, 5), square: float = 20, marker: float = 14, words: int = cv2.aruco.DICT_5X5_50
) -> np.ndarray:
    """A board on a white margin of 10 mm, 0..1, FINE px/mm."""
    board = cv2.aruco.CharucoBoard(squares, square, marker, cv2.aruco.getPredefinedDictionary(words))
    size = (round(squares[0] * square * FINE), round(squares[1] * square * FINE))
    drawn = board.generateImage(size, marginSize=0, borderBits=1)
    return np.pad(drawn / 255.0, 10 * FINE, constant_values=1.0).astype(np.float32)


CARD = drawn_card()


@dataclass(frozen=True)
class Camera:
    """x_cam = R X + t; pixel = c + f x (1 + k1 r^2)."""

    w: int
    h: int
    f: float
    R: np.ndarray
    t: np.ndarray
    k1: float = 0.0

    @property
    def c(self) -> np.ndarray:
        return np.array([(self.w - 1) / 2, (self.h - 1) / 2])

    def project(self, points: np.ndarray) -> np.ndarray:
        cam = points @ self.R.T + self.t
        x = cam[:, :2] / cam[:, 2:]
        return self.c + self.f * x * (1 + self.k1 * np.sum(x**2, axis=1, keepdims=True))

    def rays(self, px: np.ndarray) -> np.ndarray:
        distorted = (px - self.c) / self.f
        if not self.k1:
            return distorted
        far = np.linalg.norm(distorted, axis=-1, keepdims=True)
        stretch = np.ones_like(far)
        for _ in range(10):
            stretch = 1 + self.k1 * (far / stretch) ** 2
        return distorted / stretch


def camera_above(
    lean_deg: float = 30,
    turn_deg: float = 37,
    distance_mm: float = 850,
    at_mm: tuple[float, float] = (40, -30),
    w: int = 2016,
    h: int = 1512,
    k1: float = 0.0,
) -> Camera:
    """A camera that sees the card's middle at `at_mm` (camera frame), leaning by `lean_deg`."""
    a, b = np.radians(turn_deg), np.radians(lean_deg)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    rotation = lean @ turn
    t = np.array([*at_mm, distance_mm]) - rotation @ np.array([70.0, 50.0, 0.0])
    return Camera(w, h, 0.78 * max(w, h), rotation, t, k1)


def chessboard_px(gray: np.ndarray, columns: int, rows: int) -> np.ndarray:
    """OpenCV's own corners (N, 2) of a published chessboard photo, refined in a window of 11 px."""
    found, rough = cv2.findChessboardCorners(gray, (columns, rows))
    assert found
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    return cv2.cornerSubPix(gray, rough, (5, 5), (-1, -1), criteria).reshape(-1, 2).astype(float)


def corners_px(camera: Camera, mm: np.ndarray, radius_mm: float | None = None) -> np.ndarray:
    """True pixels of board points, on a card bent about its middle line with its ends up if a radius is given."""
    if radius_mm is None:
        return camera.project(np.c_[mm, np.zeros(len(mm))])
    angle = (mm[:, 0] - 70) / radius_mm
    bent = np.c_[70 + radius_mm * np.sin(angle), mm[:, 1], radius_mm * np.cos(angle) - radius_mm]
    return camera.project(bent)


def card_point(camera: Camera, px: np.ndarray, radius_mm: float | None) -> np.ndarray:
    """Pixels (..., 2) to the card's own mm (arc length where it is bent)."""
    x = camera.rays(px)
    d = np.concatenate([x, np.ones((*x.shape[:-1], 1))], axis=-1) @ camera.R
    o = -camera.R.T @ camera.t
    if radius_mm is None:
        return (o - (o[2] / d[..., 2])[..., None] * d)[..., :2]
    ox, oz, dx, dz = o[0] - 70, o[2] + radius_mm, d[..., 0], d[..., 2]
    a, b, c = dx**2 + dz**2, 2 * (ox * dx + oz * dz), ox**2 + oz**2 - radius_mm**2
    s = (-b + np.sqrt(np.maximum(b * b - 4 * a * c, 0))) / (2 * a)
    p = o + s[..., None] * d
    return np.stack([70 + radius_mm * np.arctan2(p[..., 0] - 70, p[..., 2] + radius_mm), p[..., 1]], axis=-1)


@lru_cache(maxsize=4)
def table(w: int, h: int, level: float = TABLE) -> np.ndarray:
    """A mottled table, linear light; drawn once for a size, not to be written on."""
    noise = np.random.default_rng(0).normal(0, 1, (h, w)).astype(np.float32)
    light = np.clip(level * (1 + 0.6 * cv2.GaussianBlur(noise, (0, 0), 3)), 0.01, 1).astype(np.float32)
    light.setflags(write=False)
    return light


def lay_card(
    light: np.ndarray,
    camera: Camera,
    card: np.ndarray = CARD,
    radius_mm: float | None = None,
    cover: Callable[[np.ndarray], np.ndarray] | None = None,
) -> np.ndarray:
    """The picture with the card in it; `cover` says which card points (mm) have something dark on them."""
    rows, columns = card.shape
    far = np.array([columns / FINE - 10, rows / FINE - 10])
    edge = np.array([[x, y] for x in (-10, far[0] / 2, far[0]) for y in (-10, far[1])], float)
    seen = corners_px(camera, edge, radius_mm)
    x0, y0 = np.maximum(np.floor(seen.min(axis=0)).astype(int) - 6, 0)
    x1, y1 = np.minimum(np.ceil(seen.max(axis=0)).astype(int) + 7, [camera.w, camera.h])
    if x1 <= x0 or y1 <= y0:
        return light
    yy, xx = np.mgrid[y0:y1, x0:x1].astype(float)
    below = light[y0:y1, x0:x1]
    total = np.zeros_like(below)
    rng = np.random.default_rng(4)  # jittered: a regular grid would round edges along it to quarters of a pixel
    for row in range(4):
        for column in range(4):
            jx, jy = rng.uniform(0, 1, (2, *xx.shape))
            sub = np.stack([xx + (column + jx) / 4 - 0.5, yy + (row + jy) / 4 - 0.5], axis=-1)
            mm = card_point(camera, sub, radius_mm)
            j, i = (np.floor((mm[..., k] + 10) * FINE).astype(int) for k in (0, 1))
            on = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
            value = below.copy()
            value[on] = INK + (PAPER - INK) * card[i[on], j[on]]
            if cover is not None:
                value[cover(mm) & on] = 0.1
            total += value
    result = light.copy()
    result[y0:y1, x0:x1] = total / 16
    return result


def take(
    light: np.ndarray, blur_px: float = 0.6, gain: float = 1.0, noise: float = 0.006, seed: int = 1, quality: int = 92
) -> np.ndarray:
    """Linear light to the grey levels a phone would store (through a real JPEG)."""
    picture = cv2.GaussianBlur(light, (0, 0), blur_px) * gain
    shot = np.sqrt(noise**2 * np.maximum(picture, 0) + (noise / 3) ** 2)
    v = np.clip(picture + np.random.default_rng(seed).normal(0, 1, picture.shape) * shot, 0, 1)
    levels = 255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    gray = np.clip(np.round(levels), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)


def card_photo(camera: Camera, **options: object) -> np.ndarray:
    """One card on a table, taken; options of lay_card and take."""
    laying = {k: options.pop(k) for k in ("card", "radius_mm", "cover") if k in options}
    return take(lay_card(table(camera.w, camera.h), camera, **laying), **options)


def charuco_corners(gray: np.ndarray, board: cv2.aruco.CharucoBoard) -> tuple[np.ndarray, np.ndarray]:
    """OpenCV's own ChArUco detection with its default settings: corners (n, 2) and ids (n,)."""
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(gray)
    return np.asarray(corners, float).reshape(-1, 2), np.asarray(ids).ravel()


def projected(points: np.ndarray, rotation: np.ndarray, t: np.ndarray, k: np.ndarray, d: np.ndarray) -> np.ndarray:
    """Points (n, 3) to pixels (n, 2) by OpenCV, matrix k (3, 3), distortion d = k1, k2, p1, p2, k3."""
    turn = cv2.Rodrigues(np.asarray(rotation, float))[0]
    return cv2.projectPoints(np.ascontiguousarray(points, float), turn, np.asarray(t, float), k, d)[0].reshape(-1, 2)
