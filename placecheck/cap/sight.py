"""What is found of a cap without its closure: card, camera and block, the cap's middle and rim, the block's own line.

All but the cap's own is found as in every check (sighting.py). The fit is told that the cap's centre line lies in one
plane and is repeated with closer looks at the outline; a block that the rest shows tilted is looked at once more with
its lean set free. The cap's middle is where the network sees it, about the cap's own plane; a rim that nothing hides
is read point by point. The block's line is looked for about the block's plane, in front of the rim and, under a
cap with a pair of seams, through its mesh (find/block_line.py). What `cap/stage.py` measures, and what `cap/before.py`
carries over into the photo of the pinned closure, rests on this.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck.block_fit import BlockFit
from placecheck.camera import Camera
from placecheck.errors import Problem, RetakeNeeded
from placecheck.find.block_line import AFTER_RIM_MM, BlockLine, find_block_line, find_line_under_mesh
from placecheck.find.closure import ClosureSighting, Trace, find_closure, rim_v_mm, run_of, unroll
from placecheck.find.rim_in_picture import rim_in_view, with_rim
from placecheck.find.seam import find_seam
from placecheck.find.unroll import Unrolling
from placecheck.observed import Line, Observed
from placecheck.observing import by_hand, check_centre_on_block, clues_of, seen_middle
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.saved_shape import saved_shape_weighed
from placecheck.sighting import LEAST_CAP, Close, Standing, again_if_tilted, find_standing, light_blamed_first
from placecheck.standing import Stage, check_block, check_outline, fit_stage, trace_outline

CLOSURE_AREA_MM2 = 3000.0
CLOSURE_MASS = 0.6
LINE_FRONT_MM = 228.0
LINE_REACH_MM = 75.0
"""The block's line is looked for on so much canvas before the rim, and no farther toward the face than this."""
NO_CENTRE = (
    "cap-line-missing",
    "The cap's centre line could not be seen: turn the light so that the seam stands out, lay a thread along the "
    "middle of the cap, or set its centre line by hand, and take the photo again.",
)


@dataclass(frozen=True)
class CapSighting:
    """What was found of a cap without closure.

    `line` is the block's own line where it was seen in front of the rim, `under` the same through the mesh. `grid` and
    `picture` are unrolled about the cap's plane, in which its seams run straight; `line_grid` about the
    block's, in which `line` does. `centre` is None where the cap's middle was not seen; `pair`: seams to both sides.
    """

    standing: Standing
    fit: BlockFit
    grid: Unrolling
    picture: npt.NDArray[np.uint8]
    centre: Line | None
    pair: bool
    rim: Trace
    line: BlockLine | None
    line_grid: Unrolling
    under: BlockLine | None = None
    notes: tuple[Problem, ...] = ()

    @property
    def lines(self) -> tuple[BlockLine, ...]:
        """What is seen of the block's line, before the rim and through the mesh."""
        return tuple(line for line in (self.line, self.under) if line is not None)

    @property
    def middle(self) -> Line:
        """The cap's centre line. Raises RetakeNeeded where it was not seen."""
        if self.centre is None:
            raise RetakeNeeded(*NO_CENTRE)
        return self.centre


def refuse_other(sighting: ClosureSighting) -> None:
    """Raises RetakeNeeded where there is no cap, or a closure on it already."""
    if sighting.cap < LEAST_CAP:
        raise RetakeNeeded("cap-missing", "No cap was found on the block: pull the cap on, then take the photo.")
    masses = sorted(spot.mass for spot in sighting.spots.values())
    area = float((sighting.ventilated > 0.5).sum()) * sighting.cell_mm**2
    if len(masses) >= 5 and masses[-5] > CLOSURE_MASS and area > CLOSURE_AREA_MM2:
        raise RetakeNeeded(
            "closure-on-already",
            "There is a closure on the cap already: check it as pinned, or take the photo of the cap before the "
            "closure goes on.",
        )


def _look_closely(stage: Stage, seen: Close) -> Close:
    """Outline and cap's line more and more closely, and the fit to all of it."""
    way, fit, picture, grid, sighting = seen.way, seen.fit, seen.picture, seen.grid, seen.sighting
    observed = _middle_seen(sighting, grid, fit, stage.request)
    for reaches in ((9.0, 4.0), (2.5,), ()):
        if reaches:
            way = trace_outline(stage, fit, fit.frame, reaches, 112, 4)
        clues = clues_of(observed, fit.geometry, stage.request)
        fit = fit_stage(stage, way.outline_px, way.u_px, fit.theta, clues)
        if reaches:
            picture, grid = unroll(stage.colours, fit.geometry, fit.geometry.cap)
            sighting = find_closure(picture, grid)
            observed = _middle_seen(sighting, grid, fit, stage.request)
    return Close(way, fit, picture, grid, sighting, observed)


def sight_cap(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> CapSighting:
    """Find card, block, cap and the block's line. Raises RetakeNeeded or UsageProblem."""
    with light_blamed_first(photo):
        standing = find_standing(photo, request, camera)
        refuse_other(standing.sighting)
    first, way = standing.stage, standing.way
    close = Close(way, way.fit, standing.picture, standing.grid, standing.sighting, Observed({}))
    stage, close, notes = again_if_tilted(first, _look_closely(first, close), _look_closely)
    fit, grid, picture, sighting, centre = close.fit, close.grid, close.picture, close.sighting, close.observed.centre
    check_centre_on_block(close.observed, fit.geometry)
    check_block(fit, standing.block, request.card_bars_mm)
    clues = clues_of(close.observed, fit.geometry, request)
    stage, fit, doubts = saved_shape_weighed(stage, fit, close.way, clues)
    notes = (*notes, *doubts)
    check_outline(fit, stage)
    bare = with_rim(replace(sighting, ventilated=0 * sighting.ventilated), grid, fit.geometry)
    in_view = rim_in_view(bare, grid)
    rim = in_view if len(in_view.uv) >= 12 else bare.rim
    pair = False
    if centre is not None and not centre.by_hand:
        at, lean = (float(x) for x in run_of(sighting.centre))
        nothing, rim_v = np.zeros(grid.facing.shape, bool), rim_v_mm(sighting.rim)
        lean = float(np.clip(lean, -0.1, 0.1))
        seam = find_seam(picture, grid.facing, nothing, rim_v, at, lean, 5.0, back_v_mm=200.0)
        pair = seam is not None and seam.kind == "a pair of seams"
    about_block, line_grid = unroll(photo.colours, fit.geometry, v_front_mm=LINE_FRONT_MM)
    from_v = rim_v_mm(rim) + AFTER_RIM_MM
    line = find_block_line(about_block, line_grid.facing, from_v, from_v + LINE_REACH_MM, LINE_FRONT_MM)
    under = None
    if line is not None and pair:
        under = find_line_under_mesh(about_block, line_grid.facing, line, rim_v_mm(rim), LINE_FRONT_MM)
    standing = replace(standing, stage=stage, way=close.way, sighting=sighting)
    return CapSighting(standing, fit, grid, picture, centre, pair, rim, line, line_grid, under, notes)


def _middle_seen(sighting: ClosureSighting, grid: Unrolling, fit: BlockFit, request: CheckRequest) -> Observed:
    return Observed({}, centre=centre_seen(sighting, grid, fit, request))


def centre_seen(sighting: ClosureSighting, grid: Unrolling, fit: BlockFit, request: CheckRequest) -> Line | None:
    """The cap's centre line in the photo, where it is set by hand or seen."""
    side = math.ceil(fit.frame.diagonal_px)
    return by_hand(Observed({}, centre=seen_middle(sighting, grid, fit.geometry)), request, side, side).centre
