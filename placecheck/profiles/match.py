"""Which saved profile fits a photo, and the measuring camera it makes there.

A photo gets a profile by itself only if phone, lens, zoom and shape of picture are the
same; it may be turned by quarter turns (EXIF orientation says how the sensor lay) and
uniformly resized. The measuring camera (camera.py) has one f and one k1: `single_radial` is
the best such camera over the part of the picture that the calibration saw, and what it
cannot follow goes into its uncertainties, never away. A phone's f also changes with the
focus distance d, by about f_lens / d (thin lens); that share is added for the distances at
which closures are photographed. What does not fit is said in one sentence each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.camera import Camera
from placecheck.errors import Problem, UsageProblem
from placecheck.photo import Photo
from placecheck.profiles.kept import PROFILES, Profile, as_json, profiles_folder
from placecheck.propagation import propagate
from placecheck.request import CheckRequest
from placecheck.settings import home

FloatArray = npt.NDArray[np.float64]

TURNED = (1, 3, 6, 8)
"""EXIF orientations that turn a picture without mirroring it."""
LENS_MM = 6.0
"""Focal length of a phone's main lens, 4 to 7 mm (common knowledge, no published source)."""
CHECK_DISTANCE_MM = (500.0, 1000.0)


# ----------------------------------------------------------------------------- turned pictures


def to_upright(px: FloatArray, orientation: int, width: int, height: int) -> FloatArray:
    """Points (..., 2) of a stored width x height picture in the upright one; `orientation` is one of TURNED."""
    x, y = px[..., 0], px[..., 1]
    turned = {1: (x, y), 3: (width - 1 - x, height - 1 - y), 6: (height - 1 - y, x), 8: (y, width - 1 - x)}
    return np.stack(turned[orientation], -1)


def to_stored(px: FloatArray, orientation: int, width: int, height: int) -> FloatArray:
    """Inverse of `to_upright`; width and height are the stored picture's."""
    x, y = px[..., 0], px[..., 1]
    turned = {1: (x, y), 3: (width - 1 - x, height - 1 - y), 6: (y, height - 1 - x), 8: (width - 1 - y, x)}
    return np.stack(turned[orientation], -1)


# ----------------------------------------------------------------------------- one f, one k1


def _grid(profile: Profile) -> FloatArray:
    """Pixels (n, 2) evenly over the picture, within the reach of the calibration."""
    x, y = np.linspace(0, profile.width - 1, 25), np.linspace(0, profile.height - 1, 25)
    px = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    near = np.linalg.norm(px - np.array(profile.values[2:4]), axis=1) <= profile.reach_px
    return px[near] if near.sum() >= 50 else px


def _refit(values: FloatArray, px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(f, cx, cy, k1) of the single-k1 pinhole nearest to the full model at `px`, and its residuals (n, 2) px.

    px = c + f xy + (f k1) xy r^2 is linear in c, f and f k1, so this is one linear least-squares solution.
    """
    matrix = np.array([[values[0], 0, values[2]], [0, values[1], values[3]], [0, 0, 1.0]])
    xy = vision.undistort_points(px, matrix, values[4:9])
    r2 = (xy**2).sum(-1)
    n, zero, one = len(px), np.zeros(len(px)), np.ones(len(px))
    rows = np.concatenate(
        [np.stack([xy[:, 0], xy[:, 0] * r2, one, zero], -1), np.stack([xy[:, 1], xy[:, 1] * r2, zero, one], -1)]
    )
    right = np.concatenate([px[:, 0], px[:, 1]])
    (f, fk, cx, cy), *_ = np.linalg.lstsq(rows, right, rcond=None)
    rest = (right - rows @ np.array([f, fk, cx, cy])).reshape(2, n).T
    return np.array([f, cx, cy, fk / f]), rest


def single_radial(profile: Profile) -> Camera:
    """The measuring camera (one f, one k1) nearest to the profile's full model, in the stored picture's frame.

    Fitted over the part of the picture that the calibration saw. Its uncertainties are the calibration's own carried
    through the fit, joined by what one k1 cannot follow: the radial part of the residual as that much focal length
    and that much k1, all of it as that much principal point. u_f_rel also holds the change of f with focus distance.
    """
    px = _grid(profile)
    found, covariance = propagate(
        lambda v: _refit(v, px)[0], np.array(profile.values), np.array(profile.covariance, np.float64)
    )
    f, cx, cy, k1 = found
    rest = _refit(np.array(profile.values), px)[1]
    away = px - np.array([cx, cy])
    r = np.linalg.norm(away, axis=1)
    radial = float(np.sqrt(np.mean(((rest * away).sum(-1) / np.maximum(r, 1.0)) ** 2)))
    r_rms = float(np.sqrt(np.mean((r / f) ** 2)))
    r3_rms = float(np.sqrt(np.mean((r / f) ** 6)))
    u = np.sqrt(np.diag(covariance))
    return Camera(
        float(f),
        float(cx),
        float(cy),
        float(k1),
        profile.width,
        profile.height,
        float(np.sqrt((u[0] / f) ** 2 + (radial / f / r_rms) ** 2 + focus_u_rel(profile.distance_mm) ** 2)),
        float(np.sqrt((u[1] ** 2 + u[2] ** 2) / 2 + np.mean(rest**2))),
        float(np.hypot(u[3], radial / f / r3_rms)),
        f"profile {profile.name}",
    )


def focus_u_rel(distance_mm: float) -> float:
    """Relative standard uncertainty of f at a check's distance when calibrated at `distance_mm`.

    A lens of focal length F focused at d images at F (1 + F / d) behind it (thin lens, F << d): the camera's f differs
    by F (1/d1 - 1/d2) between two distances. Checks are taken to lie in CHECK_DISTANCE_MM, even in 1/d.
    """
    near, far = CHECK_DISTANCE_MM
    middle, half = (1 / near + 1 / far) / 2, (1 / near - 1 / far) / 2
    return float(LENS_MM * np.hypot(1 / distance_mm - middle, half / np.sqrt(3)))


# ----------------------------------------------------------------------------- which profile fits a photo


@dataclass(frozen=True)
class Picked:
    """The camera for a photo and the profile it is from, None where none fits, and what the user should know."""

    camera: Camera | None
    profile: Profile | None = None
    notes: tuple[Problem, ...] = ()

    @property
    def name(self) -> str | None:
        return None if self.profile is None else self.profile.name

    @property
    def kept(self) -> Mapping[str, Any] | None:
        """The profile as its file has it, where it gave the camera."""
        return None if self.profile is None or self.camera is None else as_json(self.profile)


def pick_profile(photo: Photo, folder: Path, name: str | None = None) -> Picked:
    """The saved profile that fits `photo`, or the one called `name`, as a camera of the upright photo.

    Without a name: same phone, lens, zoom and shape of picture, the same size first, then the newest. Where a profile
    of the phone is there but does not fit, a note says why and the camera is None, so that the check goes on with
    EXIF. Raises UsageProblem for a name that is not there or is another phone's.
    """
    if name is not None:
        profile = PROFILES.load(folder, name)
        if _known(photo) and _known(profile) and not _same_phone(profile, photo):
            raise UsageProblem(
                "profile-other-phone",
                f"The profile “{profile.name}” is of a {profile.phone}, and the photo of a "
                f"{photo.make} {photo.model}: name that phone's profile, or none, as “camera” in the settings.",
            )
        problem = misfit(profile, photo)
        if problem is not None:
            return Picked(None, None, (problem,))
        notes = _size_notes(profile, photo)
        if not _known(photo):
            notes += (
                Problem(
                    "profile-unchecked",
                    f"The photo does not say which phone took it: “{profile.name}” is used because you named it.",
                ),
            )
        return Picked(camera_in(profile, photo), profile, notes)
    profiles, damaged = PROFILES.load_all(folder)
    if not _known(photo):
        if profiles:
            damaged += (
                Problem(
                    "profile-unknown-phone",
                    "The photo does not say which phone took it, so no camera profile was used: give the photo as "
                    "the phone saved it.",
                ),
            )
        return Picked(None, None, damaged)
    of_phone = [p for p in profiles if _same_phone(p, photo)]
    fitting = [p for p in of_phone if misfit(p, photo, by_itself=True) is None]
    if fitting:
        fitting.sort(key=lambda p: (_scale_of(p, photo) == 1.0, p.date), reverse=True)
        best = fitting[0]
        return Picked(camera_in(best, photo), best, damaged + _size_notes(best, photo))
    if of_phone:
        newest = max(of_phone, key=lambda p: p.date)
        problem = misfit(newest, photo, by_itself=True)
        return Picked(None, None, damaged + ((problem,) if problem else ()))
    return Picked(None, None, damaged)


def _known(of: Photo | Profile) -> bool:
    return bool(of.make and of.model)


def _same_phone(profile: Profile, photo: Photo) -> bool:
    return all(
        (a or "").strip().casefold() == (b or "").strip().casefold()
        for a, b in ((profile.make, photo.make), (profile.model, photo.model))
    )


def _scale(profile: Profile, width: int, height: int) -> float | None:
    """How many times larger a width x height picture is than the profile's; None where the shape differs.

    A resized picture's sides are whole pixels, so each may be one off.
    """
    scale = float(np.sqrt(width * height / (profile.width * profile.height)))
    fits = abs(width - scale * profile.width) <= 1.0 and abs(height - scale * profile.height) <= 1.0
    return scale if fits else None


def _scale_of(profile: Profile, photo: Photo) -> float | None:
    """The scale of the photo, lying or standing."""
    width, height = photo.stored_size
    along = _scale(profile, width, height)
    return along if along is not None else _scale(profile, height, width)


def misfit(profile: Profile, photo: Photo, by_itself: bool = False) -> Problem | None:
    """Why a profile of the same phone does not fit the photo (another lens, zoom, crop), or None.

    A profile chosen `by_itself`, not named by the user, must be of a lens that the photo names too.
    """
    words = f"The camera profile “{profile.name}” was not used: "
    if abs(np.log(photo.digital_zoom / profile.digital_zoom)) > 0.01:
        return Problem(
            "profile-zoom",
            f"{words}the photo is zoomed {photo.digital_zoom:g} times, the profile's photos "
            f"{profile.digital_zoom:g} times; photograph without zoom.",
        )
    a, b = profile.focal_35mm, photo.focal_35mm
    if a is not None and b is not None and abs(a - b) > 0.6:
        return Problem(
            "profile-lens",
            f"{words}the photo was taken with another lens or zoom ({b:g} mm against {a:g} mm); use the same lens, "
            "without zoom.",
        )
    if by_itself and a is not None and b is None:
        return Problem(
            "profile-lens-unknown",
            f"{words}the photo does not say which lens took it; give the photo as the phone saved it.",
        )
    if by_itself and a is None and b is not None:
        return Problem(
            "profile-lens-unknown",
            f"{words}its own photos do not say which lens took them; calibrate with photos as the phone saved them.",
        )
    if _scale_of(profile, photo) is None:
        return Problem(
            "profile-crop",
            f"{words}the photo ({photo.width} x {photo.height}) is cropped or of another shape than the profile's "
            f"({profile.width} x {profile.height}); use the whole photo as the phone saved it.",
        )
    return None


def _size_notes(profile: Profile, photo: Photo) -> tuple[Problem, ...]:
    scale = _scale_of(profile, photo)
    if scale is None or scale == 1.0:
        return ()
    return (
        Problem(
            "profile-size",
            f"The photo ({photo.width} x {photo.height}) is not of the size of those of the camera profile "
            f"“{profile.name}” ({profile.width} x {profile.height}): it is taken for the whole picture made "
            f"{'smaller' if scale < 1 else 'larger'}; if it was cropped, use the photo as the phone saved it.",
        ),
    )


def camera_in(profile: Profile, photo: Photo) -> Camera:
    """The profile's camera for the upright photo, which may be turned and uniformly resized.

    Where it is not known which way the picture was turned (HEIC, or turned by a program), the principal point is taken
    in the middle, and its distance from there becomes uncertainty. Raises ValueError where `misfit` would object.
    """
    camera = single_radial(profile)
    scale = _scale_of(profile, photo)
    if scale is None:
        raise ValueError("the profile does not fit the photo")
    centre = np.array([camera.cx_px, camera.cy_px])
    middle = np.array([(profile.width - 1) / 2, (profile.height - 1) / 2])
    u_centre = camera.u_centre_px
    known = profile.turn_known and photo.kind != "heic" and photo.orientation in TURNED
    if known and _scale(profile, *photo.stored_size) is not None:
        centre = to_upright(centre, photo.orientation, profile.width, profile.height)
        centre = (centre + 0.5) * scale - 0.5
    else:
        u_centre = float(np.sqrt(u_centre**2 + ((centre - middle) ** 2).sum() / 2))
        centre = np.array([(photo.width - 1) / 2, (photo.height - 1) / 2])
    rounding = 0.0 if scale == 1.0 else 0.5 / max(photo.width, photo.height)
    return Camera(
        camera.f_px * scale,
        float(centre[0]),
        float(centre[1]),
        camera.k1,
        photo.width,
        photo.height,
        float(np.hypot(camera.u_f_rel, rounding)),
        u_centre * scale,
        camera.u_k1,
        camera.source,
    )


def pick_camera(photo: Photo, request: CheckRequest) -> Picked:
    """The user's saved profile for this photo, if one fits. Raises UsageProblem for a name that cannot be used."""
    picked = pick_profile(photo, profiles_folder(home()), request.camera_name)
    if request.stage == "stitches":  # a close-up may be zoomed
        picked = replace(picked, notes=tuple(n for n in picked.notes if n.code not in ("profile-zoom", "profile-lens")))
    return picked
