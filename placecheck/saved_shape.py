"""Does the photo show the block that was measured beforehand?

A saved block's shape is one observation among many in the fit. A leaning photo sees too little of
the block to pull the shape far from a saved one, so a wrong one is believed; but then the outline fits
badly. So the same photo is fitted once more with the shape left as open as that of any block: by how
much the sum of squares falls says how strongly card, outline and closure contradict the saved shape
(a likelihood ratio). An outline that is badly found fits no block, and lets any saved one look wrong:
only a fall that is also more than what is left refuses it. One beyond chance is not averaged away
either: the saved covariance is widened until the contradiction is no more than chance leaves (the idea
of Paule & Mandel 1982), so that the photo's own word counts, and the answer says so.
"""

from __future__ import annotations

from dataclasses import replace

from placecheck.block import AT, ROUND_U, Prior, prior_for
from placecheck.block_fit import BlockFit
from placecheck.block_residuals import Clues
from placecheck.contradictions import STANDING, other_block
from placecheck.errors import Problem
from placecheck.standing import Stage, Traced, fit_stage

BY_CHANCE = 6.0
"""The sum of squares falls by less than so much for nearly all photos of the block that was named."""
OTHER_BLOCK = 8.0
"""By so much, and by more than what is left, it falls where another block stands there."""
WIDER, WIDEST = 2.0, 32.0
"""The saved standard uncertainties are doubled at a time, up to so much; then a saved shape says nothing any more."""


def any_block(stage: Stage) -> Prior:
    """What is known where nobody measured the block, but for the height over the table that was saved with it."""
    prior = prior_for(stage.camera, stage.request.block_circumference_mm, None, stage.lean_u_deg)
    mean, u, known = prior.mean.copy(), prior.u.copy(), stage.request.block
    u[AT["log round"]] = ROUND_U
    if known is not None and STANDING in known.names:
        mean[AT[STANDING]], u[AT[STANDING]] = known.value(STANDING), known.u(STANDING)
    return Prior(mean, u)


def saved_shape_weighed(
    stage: Stage, fit: BlockFit, way: Traced, clues: Clues
) -> tuple[Stage, BlockFit, tuple[Problem, ...]]:
    """Stage and fit as they are, or, where the photo contradicts the saved block, with a shape that is believed less.

    The remark comes third. Raises RetakeNeeded where another block stands there.
    """
    known = stage.request.block
    if known is None:
        return stage, fit, ()

    def fitted(stage: Stage, prior: Prior | None = None) -> BlockFit:
        return fit_stage(stage, way.outline_px, way.u_px, fit.theta, clues, prior=prior)

    free, weighed = fitted(stage, any_block(stage)).cost, fitted(stage)
    if weighed.cost - free > max(OTHER_BLOCK, free):
        raise other_block(known.label, "the photo")
    while weighed.cost - free > BY_CHANCE and stage.wider < WIDEST:
        stage = replace(stage, wider=WIDER * stage.wider)
        weighed = fitted(stage)
    if stage.wider == 1.0:
        return stage, fit, ()
    doubt = Problem(
        "block-doubted",
        f"The saved block “{known.label}” fits the photo less well than another shape would, so it counts less and the "
        "numbers are less sure: see that it is the block on the bench, and that nothing hides its outline.",
    )
    return stage, weighed, (doubt,)
