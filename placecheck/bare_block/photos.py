"""A bare block photographed from all round: each photo looked at, the bad ones named, one dome of the rest.

Each photo is searched for card and block by the check's own finders; the outline is then
searched near the predicted one, in turns with the joint fit of all photos (bare_block/joint.py).
What cannot be used is set aside with its reason, the worst first: no card or block, an
outline that does not fit, a photo in which the block stands elsewhere than in the others or
is of another size. The side on which the card lies says which end is the face, since a bare
block does not. A taped circumference, where there is one, is compared with the dome, whose
size comes from the card alone: the two contradict each other when the card was not printed
at 100 % or the tape was misread. Too few photos, or all from one side, are refused, and so is a
side of the card that would make the block broader than any head is for its length.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from placecheck.bare_block.joint import BareBlockFit, BlockView, Contradiction, fit_views, rough_place, yaw_from_card
from placecheck.bare_block.plane import line_of
from placecheck.bare_block.saved import circumference_of
from placecheck.block import TAPE_U_MM, outline_px
from placecheck.camera import Camera, wrapped_deg
from placecheck.colours import Colours
from placecheck.errors import PlacecheckError, RetakeNeeded
from placecheck.known_dome import KnownDome
from placecheck.standing import CARD_MEASURED_U, CARD_PRINT_U
from placecheck.units import mm_and_inches

FloatArray = npt.NDArray[np.float64]
CardAt = Literal["left", "right", "face", "nape"]

LEAST, MOST = 6, 12
LONG_SIDE_PX = 2016
FAMILY = 1.2
"""Real blocks follow the shape family only so far: found on generated blocks of other formulas, whose radii the fit

knows 1.0 to 1.4 times worse than its covariance says."""
CARD_TRUE_U = 0.003
"""What a print at 100 % errs by; a contradiction is told by this."""
ODD_CHI2, MOVED_MM, MOVED_DEG, OTHER_REL = 25.0, 3.0, 1.5, 0.02
WORST_OUTLINE_MM = 2.5
FAR_MM = 40.0
BROADEST = 0.95
"""Breadth over length beyond which a block is no head's, so that the card's side was told wrongly. The cephalic
index of adults lies between some 0.65 and 0.95 (Farkas, Anthropometry of the Head and Face, from memory)."""
OTHER_SIDES: Mapping[CardAt, str] = {
    "left": "face or nape",
    "right": "face or nape",
    "face": "left or right",
    "nape": "left or right",
}


@dataclass(frozen=True)
class BlockPhotoReport:
    """One photo: how well its outline fits (mm, None where it was not used), and the reason it was set aside."""

    name: str
    outline_mm: float | None
    reason: str | None


@dataclass(frozen=True)
class BlockPhotos:
    """What the photos gave: the dome, a report on each photo, and views that would make it better."""

    dome: KnownDome
    fit: BareBlockFit
    reports: tuple[BlockPhotoReport, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True)
class _Seen:
    view: BlockView
    colours: Colours
    votes: FloatArray
    vote_grid: FloatArray


class PhotosRefused(RetakeNeeded):
    """The photos give no dome; `reports` says what is wrong with each."""

    def __init__(self, code: str, message: str, reports: Sequence[BlockPhotoReport]) -> None:
        super().__init__(code, message)
        self.reports = tuple(reports)


def _smaller(camera: Camera, scale: float, width: int, height: int) -> Camera:
    return replace(
        camera,
        f_px=camera.f_px * scale,
        cx_px=(camera.cx_px + 0.5) * scale - 0.5,
        cy_px=(camera.cy_px + 0.5) * scale - 0.5,
        u_centre_px=camera.u_centre_px * scale,
        width=width,
        height=height,
    )


def look_at(
    path: Path, name: str, bars_mm: tuple[float, float] | None, home: Path, profile: str | None = None
) -> _Seen:
    """Card and block in one photo, which is called `name`, by the camera `profile`, else the saved one that fits.

    Raises PlacecheckError with the reason it cannot be used.
    """
    from placecheck.camera import camera_for
    from placecheck.card import edges_doubted, find_card
    from placecheck.find.outline import find_block
    from placecheck.light_and_sharpness import blurred_block
    from placecheck.photo import load_photo
    from placecheck.profiles.kept import profiles_folder
    from placecheck.profiles.match import pick_profile
    from placecheck.vision import resize

    photo = load_photo(path)
    gray = photo.gray
    card = find_card(gray)
    doubted = edges_doubted(card)
    camera = pick_profile(photo, profiles_folder(home), profile).camera
    camera = camera or camera_for(photo.width, photo.height, photo.focal_35mm, photo.digital_zoom)
    image = photo.colours.pixels
    if (smaller := LONG_SIDE_PX / max(image.shape)) < 1.0:
        image = resize(image, round(image.shape[1] * smaller), round(image.shape[0] * smaller))
    scale = image.shape[1] / photo.width
    if scale < 1.0:
        camera = _smaller(camera, scale, image.shape[1], image.shape[0])

    def there(px: FloatArray) -> FloatArray:
        return (px + 0.5) * scale - 0.5

    colours = Colours(image)
    block = find_block(colours, card.px_per_mm * scale)
    outline = (block.outline_px + 0.5) / scale - 0.5
    bad = blurred_block(gray, outline, card.px_per_mm) if doubted else None
    if bad is not None:
        raise RetakeNeeded.of(bad)
    board = card.board_mm * (np.array(bars_mm) / 100.0 if bars_mm else 1.0)
    corner_u = max(0.15, float(np.median(card.u_px)) * scale)
    view = BlockView(camera, board, there(card.corners_px), corner_u, block.outline_px, block.u_px, name)
    return _Seen(view, colours, block.votes, block.vote_grid)


def _traced(seen: _Seen, fit: BareBlockFit, i: int, reach_mm: float) -> _Seen:
    """The photo with its outline searched within `reach_mm` of the fitted dome's."""
    from placecheck.find.edge import believed, find_edge

    geometry = fit.geometries[i]
    mm_per_px = geometry.mm_per_px
    ring = outline_px(geometry, 96, 18)
    edge = find_edge(seen.colours, ring, mm_per_px, reach_mm, seen.votes, seen.vote_grid, None)
    px, u_px, _ = believed(edge, seen.colours.photo_shape, mm_per_px, reach_mm)
    return replace(seen, view=replace(seen.view, outline_px=px, outline_u_px=u_px))


def reason_against(fit: BareBlockFit, i: int) -> tuple[float, str] | None:
    """How badly photo i contradicts the others (chi square), and in which way; None where it does not."""
    moved, other = fit.moved[i], fit.other[i]
    far = float(np.hypot(*moved.change[:2]))
    turned = abs(float(moved.change[2]))
    sizes = np.abs(other.change) / np.array([1.0, 1.0, 100.0])
    is_moved = moved.chi2 > ODD_CHI2 and (far > MOVED_MM or turned > MOVED_DEG)
    is_other = other.chi2 > ODD_CHI2 and float(sizes.max()) > OTHER_REL
    if is_moved and (moved.chi2 >= other.chi2 or not is_other):
        if far > FAR_MM:
            return moved.chi2, "this is another block, or block and card were moved far apart between the shots"
        where = f"{far:.0f} mm away" if far > MOVED_MM else f"turned by {turned:.0f} degrees"
        return moved.chi2, (
            f"block or card was moved: here the block stands {where} from where it stands in the other photos; leave "
            "both untouched while you walk round"
        )
    if is_other:
        return other.chi2, "this looks like another block than the one in the other photos"
    if fit.outline_mm[i] > WORST_OUTLINE_MM:
        return 10.0 * fit.outline_mm[i], (
            f"the block's outline does not fit ({fit.outline_mm[i]:.1f} mm): nothing may touch the block, and it must "
            "stand out from the table"
        )
    return None


def directions(fit: BareBlockFit) -> list[tuple[float, float]]:
    """From where each photo looks at the block: azimuth from the face toward the wearer's left, lean, degrees."""
    out = []
    for geometry in fit.geometries:
        x, y, z = geometry.eye_mm - np.array([0.0, 0.0, 0.4 * geometry.dome.height_mm])
        out.append((float(np.degrees(np.arctan2(-x, y))), float(np.degrees(np.arctan2(np.hypot(x, y), z)))))
    return out


def missing_views(looks: Sequence[tuple[float, float]], card_at: CardAt) -> tuple[str, ...]:
    """Views that are not there yet, in words; `card_at` is the side of the block on which the card lies."""
    low = [azimuth for azimuth, lean in looks if lean >= 35.0]

    def near(azimuth: float) -> bool:
        return any(abs(wrapped_deg(a - azimuth)) <= 40.0 for a in low)

    out = []
    if not any(lean < 25.0 for _, lean in looks):
        out.append("one from straight above")
    if not near(0.0):
        out.append("one from the face's side, leaning about 45 degrees")
    if not near(180.0):
        out.append("one from behind, leaning about 45 degrees")
    if not (near(90.0) or near(-90.0)):
        side = "the wearer's left or right" if card_at in ("face", "nape") else "the side where the card lies"
        out.append(f"one from {side}, leaning about 50 degrees")
    return tuple(out)


def sift(
    views: list[BlockView], card_at: CardAt, start: BareBlockFit | None = None
) -> tuple[BareBlockFit, list[BlockView], list[BlockPhotoReport]]:
    """The joint fit of those views that agree, those views, and a report on each that was set aside.

    Raises PhotosRefused where too few are left.
    """
    left, most = list(views), max(1, len(views) // 3)
    reports: list[BlockPhotoReport] = []
    while True:
        if len(left) < LEAST:
            words = "too many photos contradict one another" if reports else "too few photos can be used"
            raise _too_few(len(left), words, reports, [v.name for v in left])
        place = rough_place(left)
        try:
            fit = fit_views(left, yaw_from_card(place, card_at), place, start=start)
        except np.linalg.LinAlgError:
            raise _contradicting("no shape explains them all", reports) from None
        against = [reason_against(fit, i) for i in range(len(left))]
        bad = [(a[0], i, a[1]) for i, a in enumerate(against) if a is not None]
        if not bad:
            return fit, left, reports
        _, i, reason = max(bad)
        if len(reports) == most:
            raise _contradicting(reason, [*reports, *(BlockPhotoReport(left[j].name, None, why) for _, j, why in bad)])
        reports.append(BlockPhotoReport(left[i].name, None, reason))
        del left[i]
        start = None


def _contradicting(reason: str, reports: Sequence[BlockPhotoReport]) -> PhotosRefused:
    return PhotosRefused(
        "block-photos-contradict",
        f"These photos do not show one block standing still ({reason}): take them all again of one block, with block "
        "and card untouched.",
        reports,
    )


def _too_few(n: int, words: str, reports: Sequence[BlockPhotoReport], good: Sequence[str]) -> PhotosRefused:
    every = [*reports, *(BlockPhotoReport(name, None, None) for name in good)]
    return PhotosRefused(
        "block-photos-few",
        f"{n} usable photos are too few ({words}): {LEAST} to {MOST} are needed, from above and from all sides.",
        every,
    )


def dome_from(
    fit: BareBlockFit,
    label: str,
    card_measured: bool,
    taped_mm: float | None = None,
    reports: Sequence[BlockPhotoReport] = (),
) -> KnownDome:
    """The dome of a joint fit with its whole uncertainty, and the tape's word where there is one.

    Raises PhotosRefused when card and tape contradict each other.
    """
    dome = fit.known(label).wider(FAMILY)
    print_u = CARD_MEASURED_U if card_measured else CARD_PRINT_U
    if taped_mm is not None:
        around, u, _ = circumference_of(dome)
        off = around / taped_mm - 1.0
        u_off = float(np.hypot(np.hypot(u, TAPE_U_MM) / taped_mm, CARD_MEASURED_U if card_measured else CARD_TRUE_U))
        if abs(off) > 3.0 * u_off:
            bars = (
                "tape again"
                if card_measured
                else f"measure the card's two 100 mm bars (about {100.0 / (1.0 + off):.0f} mm, if it is to blame) "
                "and enter them with `placecheck card-bars`, and tape again"
            )
            raise PhotosRefused(
                "card-against-tape",
                f"Card and tape contradict each other: by the card the block is {mm_and_inches(around)} round, "
                f"{abs(off):.1%} {'more' if off > 0 else 'less'} than the tape's {mm_and_inches(taped_mm)}; {bars}.",
                reports,
            )
    dome = dome.with_scale_u(print_u)
    if taped_mm is None:
        return dome
    around, _, slope = circumference_of(dome)
    return dome.given(slope, taped_mm - around, TAPE_U_MM)


def refuse_broad(fit: BareBlockFit, card_at: CardAt, reports: Sequence[BlockPhotoReport]) -> None:
    """Raises PhotosRefused where the block would be broader than a head, as it is when the card's side is wrong."""
    dome = fit.geometries[0].dome
    broad_mm, long_mm = 2 * dome.half_breadth_mm, 2 * dome.half_length_mm
    if broad_mm > BROADEST * long_mm:
        raise PhotosRefused(
            "block-card-side",
            f"With the card at its {card_at} the block would be {broad_mm:.0f} mm broad and {long_mm:.0f} mm long, too "
            f"broad for a head: look where its face is and say with --card-at on which side of it the card lies "
            f"({OTHER_SIDES[card_at]}, as the wearer has them).",
            reports,
        )


def names_of(paths: Sequence[Path]) -> list[str]:
    """What each photo is called: its file's name, or its whole path where two of different folders share names."""
    short = [path.name for path in paths]
    return short if len(set(short)) == len(short) else [str(path) for path in paths]


def measure_block(
    paths: Sequence[Path],
    label: str,
    card_at: CardAt,
    bars_mm: tuple[float, float] | None,
    home: Path,
    taped_mm: float | None = None,
    profile: str | None = None,
) -> BlockPhotos:
    """The dome of the bare block in the photos. Raises PhotosRefused, with a report on every photo.

    They are all by the camera `profile`, where one is named.
    """
    seen: dict[str, _Seen] = {}
    reports: list[BlockPhotoReport] = []
    names = names_of(paths)
    for path, name in zip(paths, names, strict=True):
        try:
            seen[name] = look_at(path, name, bars_mm, home, profile)
        except PlacecheckError as error:
            reports.append(BlockPhotoReport(name, None, error.problem.message))
    if len(seen) < LEAST:
        raise _too_few(len(seen), "card and block were found in no more", reports, list(seen))
    views = [one.view for one in seen.values()]
    place = rough_place(views)
    fit = fit_views(views, yaw_from_card(place, card_at), place)
    for reach in (12.0, 6.0, 3.0):
        seen = {name: _traced(one, fit, i, reach) for i, (name, one) in enumerate(seen.items())}
        views = [one.view for one in seen.values()]
        if reach < 12.0:
            try:
                fit, views, odd = sift(views, card_at, fit)
            except PhotosRefused as error:
                raise PhotosRefused(error.problem.code, error.problem.message, [*reports, *error.reports]) from None
            reports += odd
            seen = {view.name: seen[view.name] for view in views}
        else:
            fit = fit_views(views, 0.0, place, start=fit)
    reports += [BlockPhotoReport(v.name, mm, None) for v, mm in zip(views, fit.outline_mm, strict=True)]
    order = {name: i for i, name in enumerate(names)}
    reports.sort(key=lambda r: order.get(r.name, 0))
    refuse_broad(fit, card_at, reports)
    missing = missing_views(directions(fit), card_at)
    if len(missing) > 2:
        raise PhotosRefused(
            "block-photos-alike",
            f"These photos are all from one side and leave the shape open; still missing: {'; '.join(missing)}.",
            reports,
        )
    dome = dome_from(fit, label, bars_mm is not None, taped_mm, reports)
    dome = replace(dome, line=line_of([seen[view.name].colours for view in views], fit.geometries))
    return BlockPhotos(dome, fit, tuple(reports), missing)


__all__ = ["BlockPhotoReport", "BlockPhotos", "Contradiction", "PhotosRefused", "measure_block", "sift"]
