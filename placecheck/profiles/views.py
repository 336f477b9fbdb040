"""Photos for a calibration: which of them serve, which do not and why, and which poses are still missing.

A camera is well determined when the card was seen in every part of the picture (the
distortion lives at the edges), leaning away to all four sides (only tilt tells focal length
from distance) and turned by a quarter turn at least once (which tells the principal point
from a tilt). Poses are judged before any calibration, with the lens that EXIF names or a
phone's usual one, which is good enough for that. Two photos in nearly the same pose count as
one. What is missing is said in terms of the picture as the user sees it, upright.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.camera import camera_for, pose_from_homography, wrapped_deg
from placecheck.card.detect import CardSighting, card_problems, find_card
from placecheck.errors import PlacecheckError, RetakeNeeded, UsageProblem
from placecheck.photo import Photo, load_photo
from placecheck.profiles.match import TURNED, to_stored, to_upright

FloatArray = npt.NDArray[np.float64]

MIN_PHOTOS = 8
CELL_CORNERS = 4
TILT_DEG = 15.0
FLAT_DEG = 10.0
SAME_TILT_DEG, SAME_TURN_DEG, SAME_PLACE = 4.0, 10.0, 0.05
QUARTER_TURN_DEG = (50.0, 130.0)
BLUR_FACTOR, BLUR_PX = 2.5, 1.5
ROWS, COLUMNS = ("top", "middle", "bottom"), ("left", "middle", "right")


@dataclass(frozen=True, eq=False)
class Sighting:
    """Points of a plane in one photo: points_mm (n, 2), corners_px (n, 2) in the stored picture's frame."""

    name: str
    points_mm: FloatArray
    corners_px: FloatArray


@dataclass(frozen=True)
class PhotoReport:
    """One photo: how the card lay in it (degrees from facing, None where it was not seen), and why it is not used."""

    name: str
    tilt_deg: float | None = None
    rms_px: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Assessment:
    """All photos of a calibration; `usable` ones serve, `missing` says which poses are still to be taken.

    width and height are the stored picture's; `unalike` is the largest angle between two cards' tilts.
    """

    width: int
    height: int
    reports: tuple[PhotoReport, ...]
    usable: tuple[Sighting, ...]
    missing: tuple[str, ...]
    unalike_deg: float
    make: str | None = None
    model: str | None = None
    focal_35mm: float | None = None
    digital_zoom: float = 1.0
    turn_known: bool = True

    def refuse(self) -> None:
        """Raise RetakeNeeded where these photos cannot give a camera: all alike, or too few."""
        seen = [r for r in self.reports if r.tilt_deg is not None]
        if len(seen) >= 2 and self.unalike_deg < FLAT_DEG:
            raise RetakeNeeded(
                "calibration-alike",
                "All photos show the card from the same side, which cannot tell the focal length: lean the phone by "
                "about 30 degrees to the left, right, top and bottom.",
            )
        if len(self.usable) < MIN_PHOTOS:
            of = f"{len(self.usable)} of {len(self.reports)} photos" if self.reports else "No photo"
            raise RetakeNeeded(
                "calibration-too-few",
                f"{of} can be used, and a calibration needs at least {MIN_PHOTOS}: take "
                f"{MIN_PHOTOS - len(self.usable)} more, " + phrase(self.missing, "each in another pose."),
            )


def phrase(missing: Sequence[str], otherwise: str) -> str:
    """The first missing poses as the end of a sentence, or `otherwise`."""
    return f"{'; '.join(missing[:3])}." if missing else otherwise


def assess(paths: Sequence[Path], bars_mm: tuple[float, float] | None = None) -> Assessment:
    """Look at photos of the card. `bars_mm` are the card's measured bars.

    Where more than half are of one phone, lens, zoom and size, the others are named and not used. Raises RetakeNeeded
    for photos that are mixed more than that, and where none can be read, UsageProblem for one that was given twice.
    """
    reports, seen = _cards_in(paths)
    if not seen:
        raise RetakeNeeded(
            "calibration-no-card",
            f"None of the {len(paths)} photos can be used; the first: {reports[0].reason}"
            if reports
            else "No photos were given: name at least 8 photos of the card.",
        )
    foreign = _foreign([(one.photo, one.name) for one in seen])
    seen = [one for one in seen if one.name not in foreign]
    photos = [one.photo for one in seen]
    _refuse_mixed(photos)
    blur = np.array([one.card.blur_px for one in seen])
    limit = max(BLUR_FACTOR * float(np.median(blur)), BLUR_PX)
    blurred = "It is much more blurred than the others: hold still and take it again."
    unsharp = {one.name: blurred for one in seen if one.card.blur_px > limit}
    reports = [replace(r, reason=(foreign | unsharp).get(r.name, r.reason)) for r in reports]
    width, height = photos[0].stored_size
    scale = np.ones(2) if bars_mm is None else np.array(bars_mm) / 100.0
    sightings = [
        Sighting(
            one.name,
            one.card.board_mm * scale,
            to_stored(one.card.corners_px, one.photo.orientation, width, height),
        )
        for one in seen
        if one.name not in unsharp
    ]
    first = photos[0]
    upright = Counter(p.orientation for p in photos).most_common(1)[0][0]
    result = judge_poses(sightings, width, height, reports, upright, first.focal_35mm)
    return replace(
        result,
        make=first.make,
        model=first.model,
        focal_35mm=first.focal_35mm,
        digital_zoom=first.digital_zoom,
        turn_known=all(p.kind != "heic" for p in photos),
    )


@dataclass(frozen=True)
class _CardSeen:
    """A photo in which the card was found well; its pixels are not kept."""

    photo: Photo
    card: CardSighting
    name: str


def _cards_in(paths: Sequence[Path]) -> tuple[list[PhotoReport], list[_CardSeen]]:
    """A report for every photo, with why it cannot be used, and those that can."""
    reports: list[PhotoReport] = []
    seen: list[_CardSeen] = []
    for path, name in zip(paths, _short_names(paths), strict=True):
        try:
            photo = load_photo(Path(path))
            card = find_card(photo.gray)
        except PlacecheckError as error:
            reports.append(PhotoReport(name, reason=error.problem.message))
            continue
        if photo.orientation not in TURNED:
            reports.append(PhotoReport(name, reason="The picture is mirrored: take it with the main camera."))
            continue
        problems = card_problems(card)
        reports.append(PhotoReport(name, reason=problems[0].message if problems else None))
        if not problems:
            seen.append(_CardSeen(photo.emptied(), card, name))
    return reports, seen


def _short_names(paths: Sequence[Path]) -> list[str]:
    """File names, with their folders where two are the same. Raises UsageProblem for a photo that was given twice."""
    count = Counter(Path(p).name for p in paths)
    names = [Path(p).name if count[Path(p).name] == 1 else str(p) for p in paths]
    if len(set(names)) < len(names):
        twice = next(n for n, c in Counter(names).items() if c > 1)
        raise UsageProblem("calibration-twice", f"The photo {twice} was given twice: name each photo once.")
    return names


def _foreign(photos: Sequence[tuple[Photo, str]]) -> dict[str, str]:
    """Why photos are not used that are unlike more than half of all, by name; none where no half is alike."""
    kinds = {
        name: (_phone(p), _lens(p.focal_35mm, p.digital_zoom), "{} x {}".format(*p.stored_size)) for p, name in photos
    }
    usual, count = Counter(kinds.values()).most_common(1)[0]
    if 2 * count <= len(photos):
        return {}
    return {name: _unlike(kind, usual) for name, kind in kinds.items() if kind != usual}


def _unlike(kind: tuple[str, str, str], usual: tuple[str, str, str]) -> str:
    own, others = next((a, b) for a, b in zip(kind, usual, strict=True) if a != b)
    return f"It is unlike most of the photos ({own}; they: {others}): it is left out."


def _phone(photo: Photo) -> str:
    return f"{photo.make or ''} {photo.model or ''}".strip() or "unknown phone"


def _refuse_mixed(photos: Sequence[Photo]) -> None:
    """Raise RetakeNeeded unless all photos are of one phone, lens, zoom and size."""
    phones = Counter(_phone(p) for p in photos)
    if len(phones) > 1:
        raise RetakeNeeded(
            "calibration-phones",
            f"The photos are of {len(phones)} phones ({', '.join(phones)}): calibrate each phone by itself.",
        )
    lenses = Counter((p.focal_35mm, p.digital_zoom) for p in photos)
    if len(lenses) > 1:
        words = " and ".join(_lens(f, zoom) for f, zoom in list(lenses)[:3])
        raise RetakeNeeded(
            "calibration-lenses",
            f"The photos were taken with several lenses or zooms ({words}): take all with the lens and zoom of your "
            "checks, best without zoom.",
        )
    sizes = Counter(p.stored_size for p in photos)
    if len(sizes) > 1:
        words = ", ".join(f"{n} of {w} x {h}" for (w, h), n in sizes.most_common(3))
        raise RetakeNeeded(
            "calibration-sizes",
            f"The photos are not all of one size ({words}): take all with the same setting, none cropped or turned by "
            "a program.",
        )


def _lens(focal_35mm: float | None, zoom: float) -> str:
    words = "unknown lens" if focal_35mm is None else f"{focal_35mm:g} mm"
    return words if zoom == 1.0 else f"{words} zoomed {zoom:g} times"


# ----------------------------------------------------------------------------- poses


def judge_poses(
    sightings: Sequence[Sighting],
    width: int,
    height: int,
    reports: Sequence[PhotoReport] | None = None,
    orientation: int = 1,
    focal_35mm: float | None = None,
) -> Assessment:
    """Which sightings differ enough to serve, and which poses are missing.

    `orientation` is how most pictures were turned to be upright, for the words.
    """
    reports = list(reports) if reports is not None else [PhotoReport(s.name) for s in sightings]
    shown = (height, width) if orientation >= 5 else (width, height)
    px = [to_upright(s.corners_px, orientation, width, height) for s in sightings]
    camera = camera_for(*shown, focal_35mm)
    centre = np.array([camera.cx_px, camera.cy_px])
    turns = [
        pose_from_homography(s.points_mm, p, camera.f_px, centre, camera.k1)[0]
        for s, p in zip(sightings, px, strict=True)
    ]
    normals = np.array([t[:, 2] for t in turns]).reshape(-1, 3)
    inplane = np.array([np.degrees(np.arctan2(t[1, 0], t[0, 0])) for t in turns])
    middles = np.array([p.mean(0) for p in px]).reshape(-1, 2)
    between = np.degrees(np.arccos(np.clip(normals @ normals.T, -1, 1)))
    diagonal = float(np.hypot(width, height))
    kept: list[int] = []
    alike: dict[str, str] = {}
    for i in range(len(sightings)):
        for j in kept:
            if (
                between[i, j] < SAME_TILT_DEG
                and abs(wrapped_deg(inplane[i] - inplane[j])) < SAME_TURN_DEG
                and np.linalg.norm(middles[i] - middles[j]) < SAME_PLACE * diagonal
            ):
                alike[sightings[i].name] = f"It is too much like {sightings[j].name}: take it in another pose."
                break
        else:
            kept.append(i)
    tilt = {s.name: float(np.degrees(np.arccos(min(1.0, n[2])))) for s, n in zip(sightings, normals, strict=True)}
    return Assessment(
        width,
        height,
        tuple(replace(r, tilt_deg=tilt.get(r.name), reason=alike.get(r.name, r.reason)) for r in reports),
        tuple(sightings[i] for i in kept),
        tuple(_missing(shown, [px[i] for i in kept], normals[kept], inplane[kept])),
        float(between.max()) if len(sightings) else 0.0,
    )


def _missing(shown: tuple[int, int], px: Sequence[FloatArray], normals: FloatArray, inplane: FloatArray) -> list[str]:
    """What is still to be taken, most needed first."""
    out = []
    lean = np.sin(np.radians(TILT_DEG))
    # the card's normal points away from the camera; where it leans to +x, the left side is the farther one
    far = {
        "left": normals[:, 0] > lean,
        "right": normals[:, 0] < -lean,
        "top": normals[:, 1] > lean,
        "bottom": normals[:, 1] < -lean,
    }
    sides = [side for side, there in far.items() if not there.any()]
    if sides:
        out.append(
            "one each with the phone leaning about 30 degrees so that the far side of the card is at the "
            f"{' / '.join(sides)} of the picture"
        )
    points = np.concatenate(px) if px else np.zeros((0, 2))
    cell = np.clip((points / (np.array(shown) / 3)).astype(int), 0, 2)
    count = Counter((int(c), int(r)) for c, r in cell)
    empty = [_place(r, c) for r in range(3) for c in range(3) if count[(c, r)] < CELL_CORNERS]
    if empty:
        out.append(f"one each with the card at the {', '.join(empty)} of the picture, as near the edge as it fits")
    pairs = np.abs([wrapped_deg(a - b) for a in inplane for b in inplane])
    if not ((pairs > QUARTER_TURN_DEG[0]) & (pairs < QUARTER_TURN_DEG[1])).any():
        out.append("two with the card turned by a quarter turn")
    return out


def _place(row: int, column: int) -> str:
    if row == column == 1:
        return "middle"
    return " ".join(w for w in (ROWS[row], COLUMNS[column]) if w != "middle")
