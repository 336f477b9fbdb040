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
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card import board

FloatArray = npt.NDArray[np.float64]

DRAWING_PX_PER_MM = 10
WINDOW_MM = 9.0
"""Half window: up to, not into, the neighbouring corners' own edges."""
MIN_HALF_WINDOW_PX, MAX_HALF_WINDOW_PX = 5, 22
START_SIGMA_PX = 0.7
ITERATIONS = 4


@dataclass(frozen=True)
class Alignment:
    """Result for all 24 corners of the board (row = id); a corner whose window leaves the photo has match 0.

    corners_px (24, 2); u_px (24,) standard uncertainty of each from the fit's own residuals; match (24,) correlation
    of photo and drawing, 0..1; blur_px (24,) standard deviation of the blur; black, white (24,) grey levels 0..255.
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


def draw_card(
    homography: FloatArray, left: int, top: int, width: int, height: int, sigma_px: float, px_per_mm: float
) -> vision.Float32Image:
    """The card as seen through `homography` (mm -> px): linear light 0..1 of the pixels of a box of the photo."""
    factor = int(np.clip(np.ceil(5 / px_per_mm), 1, 8))
    n = DRAWING_PX_PER_MM
    to_mm = np.array([[1 / n, 0, 0.5 / n - board.MARGIN_MM[0]], [0, 1 / n, 0.5 / n - board.MARGIN_MM[1]], [0, 0, 1]])
    to_box = np.array([[factor, 0, (0.5 - left) * factor - 0.5], [0, factor, (0.5 - top) * factor - 0.5], [0, 0, 1]])
    fine = vision.warp_perspective(
        board.picture(n), to_box @ homography @ to_mm, width * factor, height * factor, border=255
    )
    fine = fine.astype(np.float32) / 255
    fine = vision.gaussian_blur(fine, sigma_px * factor)
    drawn: vision.Float32Image = vision.resize(fine, width, height) if factor > 1 else fine
    return drawn


def align(gray: vision.Image, homography: FloatArray, sigma_px: float = START_SIGMA_PX) -> Alignment:
    """Fit every inner corner of the card near where `homography` (mm -> px, good to 2 px or so) expects it."""
    n = board.N_CORNERS
    points = board.corners_mm()
    start = vision.apply_homography(homography, points)
    scale = scales_px_per_mm(homography, points)
    result = Alignment(start.copy(), np.full(n, np.inf), *(np.zeros(n) for _ in range(4)))
    half = np.clip(np.round(WINDOW_MM * scale), MIN_HALF_WINDOW_PX, MAX_HALF_WINDOW_PX).astype(int)
    height, width = gray.shape
    centre = np.round(start).astype(int)
    inside = np.all((centre - half[:, None] >= 0) & (centre + half[:, None] < [width, height]), axis=1)
    if not inside.any():
        return result
    border = 4
    low = np.min(centre[inside] - half[inside, None], axis=0) - border
    high = np.max(centre[inside] + half[inside, None], axis=0) + border + 1
    left, top = np.maximum(low, 0)
    right, bottom = np.minimum(high, [width, height])
    light = _TO_LIGHT[gray[top:bottom, left:right]]
    drawn = draw_card(homography, left, top, right - left, bottom - top, sigma_px, float(np.median(scale)))
    grad_y, grad_x = np.gradient(drawn)
    laplacian = np.gradient(grad_y, axis=0) + np.gradient(grad_x, axis=1)
    layers = (drawn, grad_x, grad_y, laplacian)
    for i in np.flatnonzero(inside):
        _fit_corner(int(i), light, layers, centre[i] - [left, top], int(half[i]), start[i], sigma_px, result)
    return result


def _fit_corner(
    i: int,
    light: vision.Float32Image,
    layers: tuple[Any, ...],
    centre: npt.NDArray[np.int64],
    half: int,
    start: FloatArray,
    sigma_px: float,
    result: Alignment,
) -> None:
    """Gauss-Newton for one corner; writes row i of `result`."""
    cx, cy = int(centre[0]), int(centre[1])
    patch = light[max(cy - half, 0) : cy + half + 1, max(cx - half, 0) : cx + half + 1]
    if patch.shape != (2 * half + 1, 2 * half + 1):
        return
    target = patch.astype(np.float64).ravel()
    ys, xs = np.mgrid[cy - half : cy + half + 1, cx - half : cx + half + 1]
    weight = (np.hanning(2 * half + 3)[1:-1, None] * np.hanning(2 * half + 3)[None, 1:-1]).ravel() ** 0.5
    shift, d_sigma2 = np.zeros(2), 0.0
    for _ in range(ITERATIONS):
        t, gx, gy, lap = (
            vision.sample(layer, xs - shift[0], ys - shift[1]).astype(np.float64).ravel() for layer in layers
        )
        columns = np.stack([np.ones_like(t), t, -gx, -gy, 0.5 * lap], axis=1)
        normal = columns.T @ (columns * weight[:, None])
        try:
            inverse = np.linalg.inv(normal + 1e-9 * np.trace(normal) / 5 * np.eye(5))
        except np.linalg.LinAlgError:
            return
        solution = inverse @ (columns.T @ (weight * target))
        a, b = solution[0], solution[1]
        if b <= 1e-3:
            return
        step = solution[2:4] / b
        length = float(np.hypot(*step))
        shift = shift + step * min(1.0, 1.0 / max(length, 1e-12))
        d_sigma2 = solution[4] / b
        if np.hypot(*shift) > half:
            return
        if length < 0.005:
            break
    residual = target - columns @ solution
    mean = np.average(target, weights=weight)
    variance = np.average((target - mean) ** 2, weights=weight)
    noise2 = np.average(residual**2, weights=weight)
    # sandwich covariance of weighted least squares: W is a taper, not the inverse noise
    spread = inverse @ (columns.T @ (columns * (weight**2)[:, None])) @ inverse * noise2 / b**2
    result.corners_px[i] = start + shift
    result.u_px[i] = float(np.sqrt(max(0.0, (spread[2, 2] + spread[3, 3]) / 2)))
    result.match[i] = float(np.sqrt(max(0.0, 1 - noise2 / max(variance, 1e-12))))
    result.blur_px[i] = float(np.sqrt(max(sigma_px**2 + d_sigma2, 0.01)))
    result.black[i], result.white[i] = linear_to_srgb(np.array([a, a + b]))
