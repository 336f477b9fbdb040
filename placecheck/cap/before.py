"""The cap's rim under the closure, carried over from a photo of the cap alone.

Lace and hair hide the middle of the rim, and what is guessed there is the largest doubt of every
clearance. Before the closure went on, the whole rim was in view. So the photo of the cap alone and
the photo being checked are fitted together (same_block): one block, one dome, one rim in space from
temple to temple, a camera each, the card free to lie elsewhere. Beside the closure the rim is in
view in both, to 0.2 mm, and so the one is laid on the other closer than the block's outline would.
What the fit says of the rim is projected into the photo being checked, with its uncertainty across
its run, and takes the place of the rim that was found there; every later step goes on as ever.
Pinning tugs at the elastic, which no photo shows: SETTLED_MM allows for it. Where the rims
contradict each other by more than chance, the cap was pinned anew since; where all else does, it is
another block: that photo is not used, and the answer says so.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.answer import CAP_DOUBTED, CAP_SHOWN, CAP_TIED
from placecheck.block import unpack_many
from placecheck.cap.sight import CapSighting, sight_cap
from placecheck.errors import PlacecheckError, Problem
from placecheck.find.closure import Trace, line_in_photo
from placecheck.find.rim_in_picture import RIM_ALIKE_MM, rim_in_view
from placecheck.known_dome import KnownDome
from placecheck.observed import Line, Observed
from placecheck.profiles.match import pick_camera
from placecheck.request import NO_CLOSURE, CheckRequest
from placecheck.same_block.evidence import Seen, known_block, own_share, seen_at, seen_of
from placecheck.same_block.joint import fit_together
from placecheck.same_block.residuals import across
from placecheck.same_block.unknowns import JointFit
from placecheck.same_block.weighing import SHARED_ERROR_MM
from placecheck.settings import home
from placecheck.sighting import Sighted

FloatArray = npt.NDArray[np.float64]

SETTLED_MM, SETTLED_BESIDE_MM = 0.6, 0.3
"""How far pinning a closure moves the rim under it, and beside it (common practice, no published source)."""
GUESSED_MM = 80.0
"""Over which length the points of a rim share their error where they are guessed under the hair: a curve of five
numbers; those that are read are less alike (RIM_ALIKE_MM)."""
LEAST_IN_VIEW = 8
APART_MM = 10.0
BESIDE_MM = 85.0
"""How far beyond the outer clearances the rim is followed."""
OUTLINE_ALONE_MM = 1.5
"""How far the rim may be carried wrongly where nothing of it is in view beside the closure, so that the two photos have
only the block's outline in common (8 of 53 pairs for developing: errors of 3 to 4 mm on three)."""
DOUBT = 0.6
"""The doubt that a contradicting guess leaves, of how far it lies off: either of the two may be wrong."""
WORST_REST = 35.0
"""How much the joint sum of squares, the rim's part left out, may exceed those of the photos alone: of 395 generated
pairs of one cap two lay above, of 151 of other blocks 131, the rest of which the rim tells."""
WORST_RIM, WORST_GUESS = 12.0, 5.0
"""How much of it may come from the rim, where it is in view in both photos and where it is guessed in one. Of 128 pairs
with the rim in view 2 % lay above, of 65 whose cap had been pinned anew, its front edge 8 mm and more elsewhere, 97 %;
of 14 and 6 with a guess 2 and 5 did."""


def with_cap(seen: Sighted, cap: int | str) -> Sighted:
    """The sighting with its rim from the photo of the cap alone: a record's number or a file's name.

    Where that photo cannot be used, the sighting as it was, with a note that says why; where what is guessed under the
    hair contradicts it, the rim is doubted by as much, and a note says so.
    """
    request = seen.stage.request
    name = f"record {cap}" if isinstance(cap, int) else Path(cap).name
    try:
        before = _cap_seen(cap, home(), request.block_circumference_mm, request.block, request.card_bars_mm)
        whole, bare = seen_of_pinned(seen)
        rim = carried_rim(whole, before, request, bare)
    except (PlacecheckError, np.linalg.LinAlgError) as error:
        said = error.problem.message.rstrip(".") if isinstance(error, PlacecheckError) else "It does not fit this one"
        told = Problem(
            "cap-photo-unused",
            f"The photo of the cap alone ({name}) was not used: {said[0].lower()}{said[1:]}. Where the rim runs under "
            "the hair is estimated from what this photo shows.",
        )
        return replace(seen, notes=(*seen.notes, told))
    seen = replace(seen, observed=replace(seen.observed, rim=rim))
    if CAP_DOUBTED not in rim.evidence:
        return seen
    told = Problem(
        "cap-photo-doubted",
        f"Where the cap's edge runs under the hair, the photo of the cap alone ({name}) and what this one shows "
        "differ, so the clearances are unsure by as much: feel for the edge through the lace and lay a soft tape from "
        "it to the hairline, or, if the cap was pinned anew since, photograph it alone again before the next closure "
        "goes on.",
    )
    return replace(seen, notes=(*seen.notes, told))


@lru_cache(maxsize=4)
def _cap_seen(
    cap: int | str, folder: Path, around_mm: float, block: KnownDome | None, card_bars_mm: tuple[float, float] | None
) -> Seen:
    """What the photo of the cap alone shows, looked at again; `folder` holds the records. Raises PlacecheckError."""
    from placecheck.photo import load_photo
    from placecheck.records.earlier import earlier_photo

    if isinstance(cap, int):
        kept, photo, camera = earlier_photo(cap, folder)
        return seen_of_cap(sight_cap(photo, replace(kept, block_circumference_mm=around_mm, block=block), camera))
    request = CheckRequest(NO_CLOSURE, around_mm, "cap", card_bars_mm=card_bars_mm, block=block)
    photo = load_photo(Path(cap))
    return seen_of_cap(sight_cap(photo, request, pick_camera(photo, request).camera))


def seen_of_pinned(sighted: Sighted) -> tuple[Seen, Seen]:
    """What the photo being checked brings to the joint fit: with what is guessed of its rim, and without.

    Of the rim it is what is in view beside the closure; what is guessed under the hair is little more than one number.
    """
    seen, grid, guessed = seen_of(sighted), sighted.grid, sighted.sighting.rim
    if seen.observed.rim is None:
        return seen, seen
    parts, evidence = [], seen.observed.rim.evidence
    beside = rim_in_view(sighted.sighting, grid)
    if len(beside.uv) >= LEAST_IN_VIEW:
        # pinning moved it a little, here as under the closure
        parts.append((replace(beside, u_mm=np.hypot(beside.u_mm, SETTLED_BESIDE_MM)), RIM_ALIKE_MM))
        far = np.abs(guessed.uv[:, :1] - beside.uv[:, 0]).min(1) > APART_MM
        guessed, evidence = Trace(guessed.uv[far], guessed.u_mm[far], guessed.mass[far]), (CAP_TIED,)

    def with_rim_of(traces: list[tuple[Trace, float]]) -> Seen:
        lines = [(line_in_photo(t, grid, sighted.fit.geometry, across_u=False), alike_mm) for t, alike_mm in traces]
        found = [weighed(line, alike_mm) for line, alike_mm in lines if line is not None]
        rim = None
        if found:
            rim = Line(np.concatenate([r.px for r in found]), np.concatenate([r.u_px for r in found]), 0.0, evidence)
        return replace(seen, observed=replace(seen.observed, rim=rim))

    return with_rim_of([*parts, (guessed, GUESSED_MM)]), with_rim_of(parts)


def weighed(rim: Line, alike_mm: float) -> Line:
    """A rim whose points share their error over `alike_mm`, with all of that error its own, for the joint fit."""
    return replace(rim, u_px=rim.u_px * np.sqrt(alike_mm / SHARED_ERROR_MM / own_share(rim)))


def seen_of_cap(cap: CapSighting) -> Seen:
    """What a photo of the cap alone brings to the joint fit: its rim, and how the block stands in it."""
    standing = cap.standing
    rim = line_in_photo(cap.rim, cap.grid, cap.fit.geometry, across_u=False)
    if rim is None:
        raise PlacecheckError("cap-photo-no-rim", "The cap's front edge is not seen in it.")
    rest = Observed({}, rim=weighed(rim, RIM_ALIKE_MM))
    return seen_at(standing.stage, standing.way.outline_px, standing.way.u_px, rest, cap.fit)


def carried_rim(seen: Seen, before: Seen, request: CheckRequest, bare: Seen | None = None) -> Line:
    """The rim in the photo `seen` as this photo and the one of the cap alone, `before`, have it together.

    Raises PlacecheckError where they contradict each other. Where only what is guessed in this photo contradicts, and
    not what is in view of the rim (`bare`: the same without the guess), the line is doubted by as much.
    """
    fit = fitted(seen, before, request)
    own = seen.observed.rim
    tied = own is not None and CAP_TIED in own.evidence
    of_rest, of_rim, without = contradiction(fit, seen, before, request)
    evidence = (CAP_TIED,) if tied else ()
    if of_rest <= WORST_REST and of_rim > (WORST_RIM if tied else WORST_GUESS) and bare is not None:
        fit = fitted(bare, before, request) if tied else without
        of_rim = fit.cost - without.cost
        evidence = (CAP_DOUBTED,)
    if of_rest > WORST_REST or of_rim > (WORST_RIM if tied else WORST_GUESS):
        raise PlacecheckError(
            "cap-photo-other",
            "It does not show this cap as it sits now; photograph the cap alone again where it was pinned anew, before "
            "the next closure goes on.",
        )
    rim = next((k for k, curve in enumerate(fit.curves) if curve.name == "rim"), None)
    if rim is None:
        raise PlacecheckError("cap-photo-no-rim", "Too little of the cap's front edge is seen in both photos.")
    line = projected(fit, rim, SETTLED_MM if tied else math.hypot(SETTLED_MM, OUTLINE_ALONE_MM))
    if own is not None and CAP_DOUBTED in evidence:
        gap_px = np.linalg.norm(line.px[:, None] - own.px[None], axis=-1).min(1)
        line = replace(line, u_px=np.hypot(line.u_px, DOUBT * gap_px))
    return replace(line, evidence=(*line.evidence, *evidence))


def fitted(seen: Seen, before: Seen, request: CheckRequest) -> JointFit:
    """The joint fit of both photos."""
    around_mm, known = request.block_circumference_mm, known_block([seen, before], request)
    return fit_together([seen, before], request.closure, around_mm, moves=True, known=known, reach_mm=BESIDE_MM)


def contradiction(fit: JointFit, seen: Seen, before: Seen, request: CheckRequest) -> tuple[float, float, JointFit]:
    """By how much the joint fit's sum of squares exceeds that of each photo alone: all but the rim's part, and that.

    The rim's part is what the sum falls by when the photo being checked says nothing of its rim; that fit comes third.
    """
    without = fitted(replace(seen, observed=replace(seen.observed, rim=None)), before, request)
    of_rim = fit.cost - without.cost
    return fit.cost - seen.fit.cost - before.fit.cost - max(of_rim, 0.0), of_rim, without


def projected(fit: JointFit, c: int, moved_mm: float) -> Line:
    """The joint fit's curve `c` in its first photo, with its standard uncertainty across it at every point.

    `moved_mm` is how far it may have moved since the other photo.
    """
    curve, index = fit.curves[c], fit.index
    points = curve.weights @ fit.knots(c)
    h = np.minimum(0.3 * np.sqrt(np.diag(fit.covariance)), 0.5)
    shared = np.r_[index.camera(0), index.shared]
    thetas = np.repeat(index.theta(fit.x, 0)[None], len(shared) + 1, axis=0)
    thetas[1:] += np.diag(h[shared])
    px = unpack_many(thetas, fit.frames[0]).to_px(points)
    sideways = across(px[0])
    jac = np.zeros((len(points), index.size))
    jac[:, shared] = (((px[1:] - px[0]) * sideways).sum(-1) / h[shared, None]).T
    geometry = fit.geometry(0)
    settled_px = np.zeros(len(points))
    for j, way in enumerate((curve.along, curve.normal)):
        # a point follows its knots by the spline's weights; the ways they may go change little from knot to knot
        px_per_mm = ((geometry.to_px(points + 0.5 * (curve.weights @ way)) - px[0]) * sideways).sum(-1) / 0.5
        jac[:, np.arange(index.curve(c).start + j, index.curve(c).stop, 2)] = px_per_mm[:, None] * curve.weights
        if j == 0:
            settled_px = px_per_mm * moved_mm
    u_px = np.sqrt(np.einsum("ij,jk,ik->i", jac, fit.covariance, jac) + settled_px**2)
    there = geometry.visible(points, 0.02)
    return Line(px[0][there], u_px[there], 0.0, (CAP_SHOWN,))
