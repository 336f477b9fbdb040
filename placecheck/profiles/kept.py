"""Saved camera profiles: what a calibration found, kept by name under the user's folder.

A profile is OpenCV's full model (fx, fy, cx, cy, k1, k2, p1, p2, k3; Brown 1971) with the
covariance of these nine numbers, the residual of every photo it rests on, and the phone,
lens and zoom it belongs to. It is in the frame in which the sensor stores pictures, so that
it serves the phone held upright or lying. How files of a name are found, written and set
aside is saved_files.py's; a damaged file is named in one sentence and never guessed at. Which
profile fits a photo, and the measuring camera it makes there, is profiles/match.py's business.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.errors import UsageProblem
from placecheck.saved_files import Shelf

FloatArray = npt.NDArray[np.float64]

INTRINSICS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True)
class Profile:
    """A calibrated camera. Pixels are those of the stored picture (width x height), pixel centres at integers.

    `values` (9,) and `covariance` (9, 9) are in the order of INTRINSICS. `photos` holds each photo's name and rms in
    px, `reach_px` is how far from the principal point the calibration saw the card, `distance_mm` how far away the
    card was (median). `turn_known` tells that the photos' EXIF orientation was there (HEIC hides it).
    """

    name: str
    width: int
    height: int
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    rms_px: float
    photos: tuple[tuple[str, float], ...]
    reach_px: float
    distance_mm: float
    date: str
    make: str | None = None
    model: str | None = None
    focal_35mm: float | None = None
    digital_zoom: float = 1.0
    turn_known: bool = True

    def __post_init__(self) -> None:
        values, covariance = np.array(self.values), np.array(self.covariance)
        if self.width <= 0 or self.height <= 0 or values.shape != (9,) or covariance.shape != (9, 9):
            raise ValueError("a profile needs an image size, nine intrinsics and their covariance")
        if not (np.isfinite(values).all() and np.isfinite(covariance).all()) or values[:2].min() <= 0:
            raise ValueError("the intrinsics must be finite, the focal length positive")
        if not np.allclose(covariance, covariance.T) or np.diag(covariance).min() < 0:
            raise ValueError("the covariance must be symmetric with a diagonal that is not negative")
        if not (self.rms_px > 0 and self.reach_px > 0 and self.distance_mm > 0 and self.digital_zoom > 0):
            raise ValueError("residual, reach, distance and zoom must be positive")

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of the nine intrinsics."""
        return np.asarray(np.sqrt(np.diag(np.array(self.covariance))))

    @property
    def phone(self) -> str:
        """The phone in words."""
        return " ".join(w for w in (self.make, self.model) if w) or "unknown phone"


# ----------------------------------------------------------------------------- files


def profiles_folder(home: Path) -> Path:
    """Where profiles lie in the user's folder."""
    return home / "cameras"


def as_json(profile: Profile) -> dict[str, Any]:
    """The profile as its file holds it."""
    fx, fy, cx, cy = profile.values[:4]
    return {
        "schema": 1,
        "name": profile.name,
        "date": profile.date,
        "image_size": [profile.width, profile.height],
        "camera_matrix": [[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]],
        "distortion": dict(zip(INTRINSICS[4:], profile.values[4:], strict=True)),
        "standard_uncertainties": {n: float(u) for n, u in zip(INTRINSICS, profile.u, strict=True)},
        "covariance": [list(row) for row in profile.covariance],
        "rms_px": profile.rms_px,
        "photos": [{"name": n, "rms_px": rms} for n, rms in profile.photos],
        "reach_px": profile.reach_px,
        "distance_mm": profile.distance_mm,
        "phone": {
            "make": profile.make,
            "model": profile.model,
            "focal_35mm": profile.focal_35mm,
            "digital_zoom": profile.digital_zoom,
        },
        "orientation_known": profile.turn_known,
    }


def as_json_text(profile: Profile) -> str:
    """The profile's file, as text."""
    return json.dumps(as_json(profile), indent=1, ensure_ascii=False)


def from_json(data: Mapping[str, Any], path: Path) -> Profile:
    """A profile from its file's contents. Raises UsageProblem naming `path`."""
    try:
        if data["schema"] != 1:
            raise ValueError("unknown schema")
        matrix, phone = np.array(data["camera_matrix"], float), data["phone"]
        distortion = [float(data["distortion"][n]) for n in INTRINSICS[4:]]
        focal = phone["focal_35mm"]
        if not all(isinstance(phone[word], str | None) for word in ("make", "model")):
            raise ValueError("a phone's make and model are words")
        return Profile(
            name=str(data["name"]),
            width=int(data["image_size"][0]),
            height=int(data["image_size"][1]),
            values=(*(float(matrix[i, j]) for i, j in ((0, 0), (1, 1), (0, 2), (1, 2))), *distortion),
            covariance=tuple(tuple(float(c) for c in row) for row in data["covariance"]),
            rms_px=float(data["rms_px"]),
            photos=tuple((str(p["name"]), float(p["rms_px"])) for p in data["photos"]),
            reach_px=float(data["reach_px"]),
            distance_mm=float(data["distance_mm"]),
            date=str(data["date"]),
            make=phone["make"],
            model=phone["model"],
            focal_35mm=None if focal is None else float(focal),
            digital_zoom=float(phone["digital_zoom"]),
            turn_known=bool(data["orientation_known"]),
        )
    except (KeyError, TypeError, ValueError, IndexError):
        raise UsageProblem(
            "profile-damaged", f"The camera profile {path} is damaged: move it away and calibrate again."
        ) from None


PROFILES = Shelf(
    "camera profile",
    "make one with `placecheck camera add`",
    code="profile",
    unknown="profile-missing",
    ending=".removed",
    as_json=as_json,
    from_json=from_json,
)
"""Every saved camera profile lies on this shelf."""
