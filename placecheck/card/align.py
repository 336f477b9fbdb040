"""Corners of the card to a few hundredths of a pixel, by laying a drawn card over the photo.

A corner refined from gradients alone (cornerSubPix) needs a window that holds nothing but
the corner; on this card the markers begin 3 mm away, which in a photo of the whole block is
3 to 5 px. So the card itself is drawn as this camera would see it: warped by the present
homography, blurred by the present estimate of the lens, averaged over the pixel's area.
Around each corner the photo is then a + b T(x - d), T the drawing, in linear light (blur
happens before the sRGB curve, ISO/IEC 61966-2-1); shift d, levels a and b and the change of
blur are found by Gauss-Newton (Lucas and Kanade 1981; Baker and Matthews 2004). The markers
in the window then help instead of disturbing. What does not look like the drawing is not a
corner: the correlation says so, and a covered corner is dropped, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card.board import CARD, Board

FloatArray = npt.NDArray[np.float64]

WINDOW_SQUARES = 0.45
"""Half window: up to, not into, the neighbouring corners' own edges."""
DRAWING_PX_PER_SQUARE = 100
MIN_HALF_WINDOW_PX, MAX_HALF_WINDOW_PX = 5, 22
START_SIGMA_PX = 0.7
ITERATIONS = 4
MODEL_U_PX = 0.02
"""What the drawing leaves out (the phone's sharpening, ink spread), per axis: cards rendered by other means came out
0.02 to 0.04 px off in common where their noise explained 0.01."""


@dataclass(frozen=True)
class Alignment:
    """Result for all n corners of the board (row = id); a corner whose window leaves the photo has match 0.

    corners_px (n, 2); u_px (n,) standard uncertainty per axis, from the fit's own residuals and MODEL_U_PX; match (n,)
    correlation of photo and drawing, 0..1; blur_px (n,) standard deviation of the blur; black, white (n,) grey levels
    0..255 of ink and paper.
    """

    corners_px: FloatArray
    u_px: FloatArray
    match: FloatArray
    blur_px: FloatArray
    black: FloatArray
    white: FloatArray


def srgb_to_linear(levels: FloatArray) -> FloatArray:
    """sRGB levels 0..255 to linear light 0..1 (IEC 61966-2-1)."""
    v = np.asarray(levels, np.float64) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: FloatArray) -> FloatArray:
    """Linear light 0..1 to sRGB levels 0..255."""
    v = np.clip(light, 0, 1)
    return 255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


_TO_LIGHT = srgb_to_linear(np.arange(256.0)).astype(np.float32)


def scales_px_per_mm(homography: FloatArray, points_mm: FloatArray) -> FloatArray:
    """The least photo scale over all directions at each of the points, (n,) px/mm (smaller singular value)."""
    step = np.array([[0.5, 0.0], [0.0, 0.5]])
    dx, dy = (
        vision.apply_homography(homography, points_mm + s) - vision.apply_homography(homography, points_mm - s)
        for s in step
    )
    singular = np.linalg.svd(np.stack([dx, dy], axis=-1), compute_uv=False)
    return np.asarray(singular[:, -1], np.float64)


def draw(
    target: Board, homography: FloatArray, centre: npt.NDArray[np.int64], half: int, sigma_px: float, factor: int
) -> vision.Float32Image:
    """The card seen through `homography` (mm -> px) in a box of 2 half + 1 photo pixels about `centre`.

    Linear light 0..1, averaged over a photo pixel's area and blurred, but sampled `factor` (odd) times finer than the
    photo, so that it can be read between its pixels without the error of interpolating a sharp picture.
    """
    n, m = target.picture_px_per_mm, target.margin_mm
    to_mm = np.array([[1 / n, 0, 0.5 / n - m], [0, 1 / n, 0.5 / n - m], [0, 0, 1]])
    corner = (factor - 1) / 2 - factor * (centre - half)
    to_box = np.array([[factor, 0, corner[0]], [0, factor, corner[1]], [0, 0, 1]])
    size = (2 * half + 1) * factor
    fine = vision.warp_perspective(target.picture, to_box @ homography @ to_mm, size, size, border=255)
    return vision.pixel_blur(fine.astype(np.float32) / 255, sigma_px * factor, factor)


def align(
    gray: vision.Image, homography: FloatArray, sigma_px: float = START_SIGMA_PX, target: Board = CARD, every: int = 1
) -> Alignment:
    """Fit each `every`-th inner corner of the card near where `homography` (mm -> px, good to 2 px or so) expects it.

    Corners that are left out have match 0.
    """
    n = target.n_corners
    start = vision.apply_homography(homography, target.corners_mm)
    scale = scales_px_per_mm(homography, target.corners_mm)
    result = Alignment(start.copy(), np.full(n, np.inf), *(np.zeros(n) for _ in range(4)))
    if not (np.all(np.isfinite(start)) and np.all(np.isfinite(scale)) and scale.max() > 0.05):
        return result
    wanted = np.round(WINDOW_SQUARES * target.square_mm * scale)
    half = np.clip(wanted, MIN_HALF_WINDOW_PX, MAX_HALF_WINDOW_PX).astype(int)
    height, width = gray.shape
    centre = np.round(start).astype(int)
    inside = np.all((centre - half[:, None] >= 0) & (centre + half[:, None] < [width, height]), axis=1)
    per_px = DRAWING_PX_PER_SQUARE / (target.square_mm * float(np.median(scale)))
    factor = int(np.clip(2 * np.ceil((per_px - 1) / 2) + 1, 3, 7))
    border = 3 + int(np.ceil(2 * sigma_px))
    for i in np.flatnonzero(inside)[::every]:
        drawn = draw(target, homography, centre[i], int(half[i]) + border, sigma_px, factor)
        (x, y), h = centre[i], half[i]
        light = _TO_LIGHT[gray[y - h : y + h + 1, x - h : x + h + 1]]
        _fit_corner(int(i), light, drawn, factor, border, start[i], sigma_px, result)
    return result


def _layers(drawn: vision.Float32Image, factor: int) -> vision.Float32Image:
    """What the photo is made of near a corner (h, w, 4): the drawing, and how it changes, per photo pixel.

    The changes are by a shift along x, by one along y, and by more blur.
    """
    across, down = vision.slope(drawn, 1), vision.slope(drawn, 0)
    bend = vision.slope(across, 1) + vision.slope(down, 0)
    return vision.layered(drawn, -factor * across, -factor * down, 0.5 * factor**2 * bend)


def _fit_corner(
    i: int,
    light: vision.Float32Image,
    drawn: vision.Float32Image,
    factor: int,
    border: int,
    start: FloatArray,
    sigma_px: float,
    result: Alignment,
) -> None:
    """Gauss-Newton for one corner: photo patch against its drawing; writes row i of `result`."""
    side = light.shape[0]
    target = light.astype(np.float64).ravel()
    layers = _layers(drawn, factor)
    at = (border + np.arange(side)) * factor + (factor - 1) / 2
    taper = np.hanning(side + 2)[1:-1]
    weight = np.sqrt(np.outer(taper, taper)).ravel()
    shift = np.zeros(2)
    x, y = np.empty((2, side, side), np.float32)
    columns = np.ones((5, side * side))
    for _ in range(ITERATIONS):
        x[:], y[:] = at - factor * shift[0], (at - factor * shift[1])[:, None]
        columns[1:] = vision.sample(layers, x, y).reshape(-1, 4).T
        weighted = columns * weight
        normal = weighted @ columns.T
        try:
            inverse = np.linalg.inv(normal + 1e-9 * np.trace(normal) / 5 * np.eye(5))
        except np.linalg.LinAlgError:
            return
        solution = inverse @ (weighted @ target)
        a, b = solution[0], solution[1]
        if b <= 1e-3:
            return
        step = solution[2:4] / b
        length = float(np.hypot(*step))
        shift = shift + step * min(1.0, 1.0 / max(length, 1e-12))
        if np.hypot(*shift) > side / 2:
            return
        if length < 0.01:
            break
    residual = target - solution @ columns
    mean = np.average(target, weights=weight)
    variance = np.average((target - mean) ** 2, weights=weight)
    noise2 = np.average(residual**2, weights=weight)
    # covariance of least squares under weights that are a taper, not the inverse noise
    spread = inverse @ (weighted @ weighted.T) @ inverse * noise2 / b**2
    result.corners_px[i] = start + shift
    result.u_px[i] = float(np.sqrt(MODEL_U_PX**2 + max(0.0, (spread[2, 2] + spread[3, 3]) / 2)))
    result.match[i] = float(np.sqrt(max(0.0, 1 - noise2 / max(variance, 1e-12))))
    result.blur_px[i] = float(np.sqrt(max(sigma_px**2 + solution[4] / b, 0.01)))
    result.black[i], result.white[i] = linear_to_srgb(np.array([a, a + b]))
