"""The check of a close-up of the seam, from the photo to what was measured; every refusal of this stage is here.

Card, ground, both sides unrolled, the row, its spacing: one step after the other, each by its own module. A photo is
refused where its numbers could not be believed: without the small card (or with the large one), from so far away that
a thread is less than two pixels wide, blurred by more than a thread's width, with a card that leans away from the
line of sight (it then does not lie flat with the seam, or the phone was not held above it), without a seam along the
card, with fewer than four stitches, which have no rhythm, or with stitches that cannot be counted. The scale card's
bars do not apply to the small card: `card_bars_mm` of the request are the small card's own 50 mm bars at this stage.
A gap that is wide for the row but within the limit is a remark, never a fix.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from placecheck.answer import Findings, Judged, Measured, View
from placecheck.camera import Camera, camera_for
from placecheck.card import card_problems, find_card
from placecheck.card.board import SMALL_CARD
from placecheck.card.detect import CardSighting
from placecheck.errors import RetakeNeeded
from placecheck.judge import judge_estimate
from placecheck.request import CheckRequest
from placecheck.stitches.ground import Ground, fit_ground, to_px
from placecheck.stitches.row import Row, find_row
from placecheck.stitches.sewn import Sewn
from placecheck.stitches.spacing import Spacing, begin_of, measure_spacing
from placecheck.stitches.unroll import sides
from placecheck.stitches.words import remarks
from placecheck.tolerances import Tolerances

if TYPE_CHECKING:
    from placecheck.photo import Photo

Explain = Callable[[str, Any], None]

MIN_PX_PER_MM = 5.0
"""Photo scale at the card below which threads of 0.4 mm are two pixels wide and a stitch two millimetres ten."""
MAX_BLUR_MM = 0.2
"""Standard deviation of the blur: an edge is then half a millimetre wide, a thread is a smear."""
MAX_SLANT_DEG = 38.0
OBLIQUE_DEG = (40.0, 46.0, 50.0, 54.0)
"""How obliquely the cap's sides may be seen: at first, and where too little of the seam is seen so. The farther down
the side, the more a cap's unknown curvature counts."""
UNKNOWN_F35 = 37.0, 0.34
"""What a photo that does not name its lens was taken with, 35 mm equivalent in mm and its relative u: between the main
lens and twice its zoom, since either is asked for; two u reach from less than 24 mm to 72."""
LEAST_STITCHES = 4
MOST_UNSURE, MOST_DOUBT = 0.7, 0.15
"""Standard uncertainty of the count, and U95 of the mean as a share of it, beyond which the stitches have not been told
from the lace (a mean within 5 % is the aim)."""
MEAN, SMALLEST, LARGEST = "stitch_spacing_mean_mm", "stitch_spacing_smallest_mm", "stitch_spacing_largest_mm"


def measure_stitches(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Spacing of the stitches in a close-up. Raises RetakeNeeded where the photo does not show enough."""
    card = _find_small_card(photo)
    _refuse_far_or_blurred(card)
    camera = camera or camera_for(photo.width, photo.height, photo.focal_35mm, photo.digital_zoom, UNKNOWN_F35)
    ground = fit_ground(card, camera, request.card_bars_mm)
    _refuse_slanted(ground)
    row = _see_row(photo, ground, card, explain)
    spacing = measure_spacing(row, ground, card, camera, request.card_bars_mm)
    relative = spacing.mean.U95 / spacing.mean.value
    if spacing.u_count > MOST_UNSURE or relative > MOST_DOUBT:
        raise RetakeNeeded(
            "stitches-unclear",
            "The stitches cannot be told from the lace well enough to count them: let light fall along the seam from "
            "one side, comb the hair off it, come closer, and retake.",
        )
    sewn = _sewn(spacing, to_px(ground, row.line_mm), request.tolerances)
    upright = ground.rotation[2, 2]
    return Measured(
        estimates={MEAN: spacing.mean, SMALLEST: spacing.smallest, LARGEST: spacing.largest},
        findings=Findings(lines_px={"seam": np.array(sewn.line_px)}),
        problems=remarks(sewn),
        view=View(
            float(np.degrees(np.arccos(np.clip(upright, -1, 1)))), float(ground.translation[2]), float(card.px_per_mm)
        ),
        stage="stitches",
        sewn=sewn,
    )


def _find_small_card(photo: Photo) -> CardSighting:
    """The small card in good light. What spoils a photo is said of the stitches here: no block may be in sight."""
    try:
        card = find_card(photo.gray, SMALL_CARD)
        for problem in card_problems(card):
            raise RetakeNeeded.of(problem)
    except RetakeNeeded as refused:
        problem = refused.problem
        raise RetakeNeeded(problem.code, problem.message.replace("the block", "the stitches")) from None
    return card


def _see_row(photo: Photo, ground: Ground, card: CardSighting, explain: Explain | None) -> Row:
    """The seam and its stitches, seen as little obliquely as shows enough of them."""
    for most_deg in OBLIQUE_DEG:
        last = most_deg == OBLIQUE_DEG[-1]
        flat = sides(photo.image, ground, card.homography, most_deg)
        if explain:
            for name, side in zip(("beside", "beside-other"), flat, strict=True):
                explain(name, np.clip(side.image, 0, 255).astype(np.uint8))
        try:
            row = find_row(flat)
        except RetakeNeeded as refused:
            if last or refused.problem.code != "seam-missing":
                raise
            continue
        if len(row.feet_mm) >= LEAST_STITCHES:
            return row
    raise RetakeNeeded(
        "stitches-few",
        f"Only {len(row.feet_mm)} stitches can be made out along the seam: hold the phone straight above it, "
        "with more of it in the picture, comb the hair off it, and retake.",
    )


def _sewn(spacing: Spacing, line_px: Any, tolerances: Tolerances) -> Sewn:
    guard_factor = tolerances.guard_factor
    kinds = kinds_of(
        spacing.mm.tolist(),
        (2 * spacing.u_mm).tolist(),
        np.where(spacing.crowded, "crowded", np.where(spacing.wide, "wide", "even")).tolist(),
        judge_estimate(spacing.largest, *tolerances.limits_of(LARGEST), guard_factor),
        judge_estimate(spacing.smallest, *tolerances.limits_of(SMALLEST), guard_factor),
        guard_factor,
    )
    return Sewn(
        px=tuple((float(x), float(y)) for x, y in spacing.px),
        along_mm=tuple(map(float, spacing.along_mm)),
        certainty=tuple(map(float, spacing.certainty)),
        spacing_mm=tuple(map(float, spacing.mm)),
        U95_mm=tuple(float(2 * u) for u in spacing.u_mm),
        kinds=kinds,
        begin=begin_of(spacing.px),
        u_count=spacing.u_count,
        line_px=tuple((float(x), float(y)) for x, y in line_px),
    )


def kinds_of(
    spacing_mm: Sequence[float],
    U95_mm: Sequence[float],
    rhythm: Sequence[str],
    largest: Judged,
    smallest: Judged,
    guard_factor: float,
) -> tuple[str, ...]:
    """The kind of every spacing; `rhythm` (wide, crowded or even) is what it is where no limit is in question."""
    kinds = list(rhythm)
    for judged, kind, sign in ((smallest, "under", -1), (largest, "over", 1)):
        limit = judged.high if sign > 0 else judged.low
        beyond = [sign * (mm - limit) for mm in spacing_mm]
        extreme = max(range(len(beyond)), key=beyond.__getitem__)
        back = sign * (spacing_mm[extreme] - judged.estimate.value)  # the extreme of many is read too far out
        for k, (by, u95) in enumerate(zip(beyond, U95_mm, strict=True)):
            if judged.state == "out" and by - back >= guard_factor * max(judged.estimate.u, u95 / 2):
                kinds[k] = kind
            elif kinds[k] != "under" and (by > 0 or (k == extreme and judged.state == "unsure")):
                kinds[k] = "unsure"
        if judged.state == "out" and beyond[extreme] > 0:
            kinds[extreme] = kind
    return tuple(kinds)


def _refuse_far_or_blurred(card: CardSighting) -> None:
    if card.px_per_mm < MIN_PX_PER_MM:
        raise RetakeNeeded(
            "too-far",
            f"The photo was taken from too far away to see single stitches ({card.px_per_mm:.1f} pixels to a "
            f"millimetre, {MIN_PX_PER_MM:g} are needed): hold the phone a hand's length above the seam, so that card "
            "and seam fill the picture, and retake.",
        )
    if card.blur_px / card.px_per_mm > MAX_BLUR_MM:
        raise RetakeNeeded(
            "too-blurred",
            "The close-up is blurred: hold the phone a little higher if it cannot focus, tap on the stitches, hold "
            "still and retake.",
        )


def _refuse_slanted(ground: Ground) -> None:
    sight = ground.translation / np.linalg.norm(ground.translation)
    slant = float(np.degrees(np.arccos(np.clip(abs(ground.rotation[:, 2] @ sight), 0, 1))))
    if slant > MAX_SLANT_DEG:
        raise RetakeNeeded(
            "card-slanted",
            f"The small card is seen from {slant:.0f} degrees aside: it does not lie flat with the seam, or the phone "
            "was not held straight above. Lay the card flat beside the stitches, hold the phone above both and retake.",
        )
