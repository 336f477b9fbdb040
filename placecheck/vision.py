"""The one module that knows OpenCV's shapes, flags and habits.

OpenCV 5 returns (n, 2) where 4.x returned (n, 1, 2), `None` or an empty tuple where
nothing was found, and takes orientation from EXIF unless told not to. Everything else
in the package sees plain arrays: points are float64 (n, 2) in pixels with pixel centres
at integers, images are uint8 (h, w) or (h, w, 3) BGR, ids are int64 (n,). No wrapper here
decides anything: thresholds and sizes come from the caller. A wrapper returns None
when OpenCV found nothing, and raises ValueError when it was handed something impossible.
Version 5 is required: up to 4.13 ChArUco corners came back shifted by half a pixel in
both axes (opencv/opencv pull request 28380).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from placecheck.decoders import decoders_heard

Image = npt.NDArray[np.uint8]
Float32Image = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]
Ids = npt.NDArray[np.int64]

if int(cv2.__version__.split(".")[0]) < 5:  # pragma: no cover - depends on the installation
    raise ImportError(f"placecheck needs opencv-python 5 or later, found {cv2.__version__}")


def use_threads(count: int) -> None:
    """From here on OpenCV computes with `count` threads in this process."""
    cv2.setNumThreads(count)


# ----------------------------------------------------------------------------- pictures


def decode_color(data: bytes) -> tuple[Image | None, str]:
    """Bytes of a JPEG or PNG to (h, w, 3) BGR as stored (EXIF orientation NOT applied), and what the decoder said.

    The picture is None if undecodable. libjpeg makes a picture of damaged data and only says so, on standard error,
    its first complaint alone; libpng says why it gave up. None of it reaches the user's own standard error.
    Raises MemoryError.
    """
    with decoders_heard() as said:
        image = _decoded(data, cv2.IMREAD_COLOR)
    return image, b"".join(said).decode("utf-8", "replace")


def decode_gray_and_reduced(data: bytes, shrink: int) -> tuple[Image | None, Image | None, str]:
    """Bytes of a JPEG to (h, w) in grey and (h / shrink, w / shrink, 3) BGR, otherwise as `decode_color`.

    `shrink` is 2 or 4. Both are decoded at once, in two threads: libjpeg uses one, and OpenCV gives up the
    interpreter's lock meanwhile.
    """
    reduced = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}[shrink]
    with decoders_heard() as said, ThreadPoolExecutor(1) as beside:
        colours = beside.submit(_decoded, data, reduced)
        gray = _decoded(data, cv2.IMREAD_GRAYSCALE)
    return gray, colours.result(), b"".join(said).decode("utf-8", "replace")


def _decoded(data: bytes, flags: int) -> Any:
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error as error:
        if error.code == cv2.Error.StsNoMem:
            raise MemoryError from None
        return None


def encode(image: Image, suffix: str, quality: int = 92) -> bytes:
    """An image to the bytes of `suffix` (".jpg" or ".png")."""
    options = [cv2.IMWRITE_JPEG_QUALITY, quality] if suffix in (".jpg", ".jpeg") else []
    ok, data = cv2.imencode(suffix, image, options)
    if not ok:
        raise ValueError(f"cannot encode as {suffix}")
    return bytes(data)


def to_gray(image: Image) -> Image:
    """(h, w, 3) BGR to (h, w)."""
    return cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)  # type: ignore[return-value]


def rgb_to_bgr(image: Image) -> Image:
    """(h, w, 3) RGB to BGR (and back)."""
    return cv2.cvtColor(image, cv2.COLOR_RGB2BGR)  # type: ignore[return-value]


def resize(image: Any, width: int, height: int) -> Any:
    """Area averaging down, cubic up; pixel (x, y) becomes ((x + 0.5) f - 0.5, ...)."""
    shrink = width * height <= image.shape[0] * image.shape[1]
    while not any(n % 2 for n in image.shape[:2]) and 2 * height <= image.shape[0] and 2 * width <= image.shape[1]:
        # halves are averaged some ten times quicker than other fractions
        image = cv2.resize(image, (image.shape[1] // 2, image.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_CUBIC)


def gaussian_blur(image: Any, sigma_px: float) -> Any:
    """Gaussian blur with edges repeated."""
    return cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE)


def pixel_blur(image: Any, sigma: float, box: int) -> Any:
    """Gaussian blur of `sigma`, then the mean over `box` x `box` pixels (odd: centred); edges repeated."""
    return cv2.blur(gaussian_blur(image, sigma), (box, box), borderType=cv2.BORDER_REPLICATE)


def slope(image: Any, axis: int) -> Any:
    """Central differences of a float32 image (h, w) along `axis`; 0 at the edges."""
    return cv2.Sobel(image, cv2.CV_32F, axis, 1 - axis, ksize=1, scale=0.5)


def layered(*layers: Any) -> Any:
    """Layers (h, w) of one type to (h, w, n)."""
    return cv2.merge(layers)


def slope_and_range(image: Any, window: int) -> tuple[Any, Any]:
    """Gradient magnitude per pixel, and the difference of greatest and least value in window x window pixels."""
    box = np.ones((window, window), np.uint8)
    return cv2.magnitude(slope(image, 1), slope(image, 0)), cv2.dilate(image, box) - cv2.erode(image, box)


def largest_within(image: Any, radius_px: int) -> Any:
    """The largest value within a square of `radius_px` to every side of each pixel of one channel (h, w)."""
    return cv2.dilate(image, np.ones((2 * radius_px + 1, 2 * radius_px + 1), np.uint8))


def least_around(gray: Image, size_px: int) -> Image:
    """The darkest value in a square of `size_px` about every pixel: bright areas shrink."""
    return np.asarray(cv2.erode(gray, np.ones((size_px, size_px), np.uint8)))


def warp_perspective(image: Any, homography: Points, width: int, height: int, border: float = 0) -> Any:
    """`image` seen through `homography` (source px -> result px), bilinear, (height, width)."""
    return cv2.warpPerspective(
        image, homography, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=border
    )


def sample(image: Any, x: Any, y: Any) -> Any:
    """Cubic samples of `image` at pixel positions x, y (arrays of one shape); edges repeated."""
    return cv2.remap(
        image,
        np.asarray(x, np.float32),
        np.asarray(y, np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )


def resample(image: Image, photo_px: Float32Image) -> Image:
    """`image` sampled bilinearly at `photo_px` (h, w, 2) float32 pixel positions; edge colours outside."""
    return cv2.remap(  # type: ignore[return-value]
        image, photo_px[..., 0], photo_px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


# ----------------------------------------------------------------------------- markers and boards


@dataclass(frozen=True)
class Markers:
    """Markers found: `corners_px` (n, 4, 2) clockwise from the marker's own top left, `ids` (n,)."""

    corners_px: Points
    ids: Ids


def dictionary(name: str) -> Any:
    """A predefined ArUco dictionary by its OpenCV name, such as "DICT_5X5_50"."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def charuco_board(
    columns: int, rows: int, square: float, marker: float, dictionary_name: str, ids: Ids | None = None
) -> Any:
    """OpenCV's CharucoBoard; `square` and `marker` in the unit the board's points will have; marker ids from 0 up."""
    words = dictionary(dictionary_name)
    if ids is None:
        return cv2.aruco.CharucoBoard((columns, rows), square, marker, words)
    return cv2.aruco.CharucoBoard((columns, rows), square, marker, words, np.asarray(ids, np.int32))


def board_points(board: Any) -> Points:
    """Inner corners of a ChArUco board, (n, 2), in the board's unit; row index is the corner id."""
    return np.asarray(board.getChessboardCorners(), np.float64).reshape(-1, 3)[:, :2]


def board_markers(board: Any) -> Markers:
    """The board's own markers: corners (n, 4, 2) in the board's unit, and ids."""
    corners = np.asarray(board.getObjPoints(), np.float64).reshape(-1, 4, 3)[:, :, :2]
    return Markers(corners, np.asarray(board.getIds()).ravel().astype(np.int64))


def board_image(board: Any, width: int, height: int) -> Image:
    """The board drawn without margin, (height, width), 0 and 255."""
    return board.generateImage((width, height), marginSize=0, borderBits=1)


def detect_markers(gray: Image, dictionary_name: str, min_perimeter_rate: float) -> Markers:
    """Markers of one dictionary; the smallest perimeter is a fraction of the longer side of the image."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = min_perimeter_rate
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(dictionary_name), parameters).detectMarkers(gray)
    if ids is None or len(corners) == 0:
        return Markers(np.zeros((0, 4, 2)), np.zeros(0, np.int64))
    return Markers(np.asarray(corners, np.float64).reshape(-1, 4, 2), np.asarray(ids).ravel().astype(np.int64))


def chessboard_corners(gray: Image, columns: int, rows: int) -> Points | None:
    """Inner corners of a chessboard, (columns * rows, 2), to about half a pixel; None if not all are found."""
    found, corners = cv2.findChessboardCornersSB(gray, (columns, rows))
    return np.asarray(corners, np.float64).reshape(-1, 2) if found else None


# ----------------------------------------------------------------------------- projective geometry


def find_homography(source: Points, target: Points) -> Points | None:
    """Homography source -> target (3, 3) by least squares; None if degenerate."""
    if len(source) < 4:
        return None
    result, _ = cv2.findHomography(np.asarray(source, np.float64), np.asarray(target, np.float64))
    return None if result is None or not np.all(np.isfinite(result)) else np.asarray(result, np.float64)


def apply_homography(homography: Points, points: Points) -> Points:
    """Points (..., 2) through a homography."""
    p = np.asarray(points, np.float64)
    w = p @ homography[2, :2] + homography[2, 2]
    result: Points = (p @ homography[:2, :2].T + homography[:2, 2]) / w[..., None]
    return result


def solve_pnp(
    object_points: Points,
    image_px: Points,
    camera_matrix: Points,
    distortion: Points,
    start: tuple[Points, Points] | None = None,
) -> tuple[Points, Points] | None:
    """Pose x_cam = R X + t of points (n, 3) as (R (3, 3), t (3,)); planar points by IPPE, then refined; or None."""
    obj = np.ascontiguousarray(object_points, np.float64).reshape(-1, 1, 3)
    img = np.ascontiguousarray(image_px, np.float64).reshape(-1, 1, 2)
    k, d = np.asarray(camera_matrix, np.float64), np.asarray(distortion, np.float64)
    rvec: Any
    tvec: Any
    if start is not None:
        rvec, tvec = cv2.Rodrigues(start[0])[0], np.asarray(start[1], np.float64).reshape(3, 1)
    else:
        flag = cv2.SOLVEPNP_IPPE if np.ptp(obj[:, 0, 2]) == 0 else cv2.SOLVEPNP_SQPNP
        try:
            ok, rvec, tvec = cv2.solvePnP(obj, img, k, d, flags=flag)
        except cv2.error:
            return None
        if not ok:
            return None
    rvec, tvec = cv2.solvePnPRefineLM(obj, img, k, d, rvec, tvec)
    return np.asarray(cv2.Rodrigues(rvec)[0], np.float64), np.asarray(tvec, np.float64).ravel()


def undistort_points(image_px: Points, camera_matrix: Points, distortion: Points) -> Points:
    """Pixels (n, 2) to normalised image coordinates (n, 2): the ray of each is (x, y, 1) in the camera's frame."""
    points = np.ascontiguousarray(image_px, np.float64).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-12)
    k, d = np.asarray(camera_matrix, np.float64), np.asarray(distortion, np.float64)
    return np.asarray(cv2.undistortPoints(points, k, d, criteria=criteria), np.float64).reshape(-1, 2)


@dataclass(frozen=True)
class Calibrated:
    """A calibrated camera: matrix (3, 3), distortion (5,) k1 k2 p1 p2 k3, and how well they fit.

    `rms_px` is over all points; for every view there are rotation (3, 3), translation (3,) and rms px. `u` (9,) are
    OpenCV's standard deviations of fx fy cx cy k1 k2 p1 p2 k3.
    """

    rms_px: float
    matrix: Points
    distortion: Points
    rotations: tuple[Points, ...]
    translations: tuple[Points, ...]
    view_rms_px: tuple[float, ...]
    u: Points


FREE_DISTORTION = ("k1", "k2", "p", "k3")


def calibrate_extended(
    object_points: list[Points],
    image_px: list[Points],
    width: int,
    height: int,
    free: tuple[str, ...] = FREE_DISTORTION,
    start: Points | None = None,
) -> Calibrated | None:
    """OpenCV's calibrateCameraExtended on points (n, 3) and pixels (n, 2) per view; None where it finds no camera.

    `free` names the distortion terms that are fitted ("p" is both tangential ones), the others stay 0; `start` is a
    camera matrix to begin with.
    """
    flags = 0 if start is None else cv2.CALIB_USE_INTRINSIC_GUESS
    fixed = {"k1": cv2.CALIB_FIX_K1, "k2": cv2.CALIB_FIX_K2, "p": cv2.CALIB_ZERO_TANGENT_DIST, "k3": cv2.CALIB_FIX_K3}
    flags |= sum(flag for term, flag in fixed.items() if term not in free)
    try:
        rms, k, d, rvecs, tvecs, u, _, view_rms = cv2.calibrateCameraExtended(
            [np.asarray(p, np.float32).reshape(-1, 1, 3) for p in object_points],
            [np.asarray(p, np.float32).reshape(-1, 1, 2) for p in image_px],
            (width, height),
            np.eye(3) if start is None else np.array(start, np.float64),
            np.zeros(5),
            flags=flags,
        )
    except cv2.error:
        return None
    values = np.concatenate([np.ravel(k), np.ravel(d), np.ravel(u)])
    if not np.all(np.isfinite(values)) or k[0, 0] <= 0 or k[1, 1] <= 0:
        return None
    return Calibrated(
        float(rms),
        np.asarray(k, np.float64),
        np.asarray(d, np.float64).ravel()[:5],
        tuple(np.asarray(cv2.Rodrigues(r)[0], np.float64) for r in rvecs),
        tuple(np.asarray(t, np.float64).ravel() for t in tvecs),
        tuple(float(e) for e in np.ravel(view_rms)),
        np.asarray(u, np.float64).ravel()[:9],
    )


def project_with_sensitivities(
    points: Points, rotation: Points, translation: Points, camera_matrix: Points, distortion: Points
) -> tuple[Points, Points, Points]:
    """Pixels (n, 2), and their derivatives (2 n, 6) by the pose and (2 n, 9) by fx fy cx cy k1 k2 p1 p2 k3."""
    image, jacobian = cv2.projectPoints(
        np.ascontiguousarray(points, np.float64).reshape(-1, 1, 3),
        cv2.Rodrigues(np.asarray(rotation, np.float64))[0],
        np.asarray(translation, np.float64).reshape(3, 1),
        np.asarray(camera_matrix, np.float64),
        np.asarray(distortion, np.float64),
    )
    j = np.asarray(jacobian, np.float64)
    return np.asarray(image, np.float64).reshape(-1, 2), j[:, :6], j[:, 6:15]


# ----------------------------------------------------------------------------- masks, networks


def largest_blob(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_] | None:
    """The largest 8-connected part of a mask, or None when the mask is empty."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    best: npt.NDArray[np.bool_] = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return best


def boxes_of(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Boxes (x0, y0, x1, y1), ends excluded, of the mask's connected parts, the largest part first."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    parts = sorted(stats[1:].tolist(), key=lambda row: -row[4])
    return [(x, y, x + w, y + h) for x, y, w, h, _ in parts]


def dilate(mask: npt.NDArray[np.bool_], radius_px: int) -> npt.NDArray[np.bool_]:
    """A mask grown by a square of `radius_px` to every side."""
    return np.asarray(largest_within(mask.astype(np.uint8), radius_px) > 0)


class Network:
    """An ONNX network run by OpenCV's own dnn module: image (1, c, h, w) float32 in, (maps, flags) out."""

    def __init__(self, path: str) -> None:
        self._net = cv2.dnn.readNetFromONNX(path, engine=cv2.dnn.ENGINE_CLASSIC)  # by Winograd's algorithm: faster

    def __call__(self, image: Float32Image) -> tuple[Float32Image, Float32Image]:
        """Maps (n, h', w') and flags (m,) for `image` (c, h, w) in 0..1."""
        self._net.setInput(np.ascontiguousarray(image[None], np.float32))
        maps, flags = self._net.forward(["maps", "flags"])
        return np.asarray(maps, np.float32)[0], np.asarray(flags, np.float32).ravel()
