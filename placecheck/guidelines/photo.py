"""The guidelines drawn into the photo in which an order's closure was last measured, pinned or stitched.

The records keep photo and request, so the photo is looked at again by today's program. On its
dome the rows are planned anew from where the fold's ends truly lie (guidelines.plan_in_photo), not from
where the order wants them, and carried into the photo through the camera that took it. Numbers are
those of the plan, 1 at the nape. What turns away behind the block is not drawn, and the panel
says which rows show: a photo leaning toward the face sees the last few, one from above more. Crop,
halo and colours are drawing.py's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.drawing import NAME_PX, SKY, WHITE, Layer, box_round, dash_pieces, framed, wrapped
from placecheck.errors import PlacecheckError, UsageProblem
from placecheck.fitting.closure_place import WIDEST_NET_MM
from placecheck.guidelines.plan import USUAL_ROWS, Plan, RowsWanted, plan_in_photo, rows_in_photo
from placecheck.observed import FOLD
from placecheck.overlay import LINES
from placecheck.records.earlier import earlier_photo
from placecheck.units import mm_and_inches

if TYPE_CHECKING:
    from PIL import Image

    from placecheck.orders.order import Order
    from placecheck.records.model import Summary

FloatArray = npt.NDArray[np.float64]
ROUND = ("fold_front", "front_right", "back_right", "fold_back", "back_left", "front_left")
"""The closure's edge, once round."""
SHOWN_MM = 20.0
"""A row of which less than this is in sight is not drawn."""


@dataclass(frozen=True)
class RowsShown:
    """The plan on the photo's dome, the photo's record, the rows (by number) that can be seen, and the picture (RGB).

    `rows_px` (n, 2) px of the upright photo, NaN where a row runs behind the block.
    """

    record: int
    plan: Plan
    rows_px: Mapping[int, FloatArray]
    picture: Image.Image

    @property
    def seen(self) -> tuple[int, ...]:
        return tuple(self.rows_px)

    @property
    def sentence(self) -> str:
        """Which rows the picture shows."""
        rows, photo = len(self.plan.rows), f"the photo of record {self.record}"
        if len(self.seen) == rows:
            return f"All {rows} rows can be seen in {photo}."
        which = f"row {self.seen[0]}" if len(self.seen) == 1 else f"rows {self.seen[0]} to {self.seen[-1]}"
        return f"Of {rows} rows, {which} can be seen in {photo}; the others lie behind the block."


def closure_record(order: str, home: Path | None = None) -> Summary | None:
    """The order's last record in which its closure was measured, pinned or stitched. Raises PlacecheckError."""
    from placecheck.records.store import open_store

    with open_store(home) as store:
        found = [r.summary for s, r in store.latest_per_stage(order).items() if s in ("pinned", "stitched")]
    return max(found, key=lambda summary: summary.id, default=None)


def rows_shown(
    order: Order,
    home: Path | None = None,
    wanted: RowsWanted = USUAL_ROWS,
) -> RowsShown:
    """Plan the rows behind the closure as it was last measured, and draw them. Raises PlacecheckError."""
    from placecheck.measuring import look

    found = closure_record(order.label, home)
    if found is None:
        raise UsageProblem(
            "rows-no-photo",
            f"No photo of a measured closure is on record for order {order.label}: check the pinned closure under this "
            "order first, then the rows can be drawn into that photo.",
        )
    try:
        request, photo, camera = earlier_photo(found.id, home)
        measured, sighted, on = look(photo, request, None, camera)
    except PlacecheckError as error:
        why = error.problem.message.rstrip(".")
        raise UsageProblem(
            "rows-photo-unusable", f"The rows cannot be drawn into the photo of record {found.id}: {why}."
        ) from error
    if not all(name in on.marks_uv and np.isfinite(on.marks_uv[name]).all() for name in FOLD):
        raise UsageProblem(
            "rows-no-fold",
            f"The photo of record {found.id} does not show both ends of the fold, from which the rows are planned: mark"
            " them with a pin each and check the closure again.",
        )
    geometry = sighted.fit.geometry
    hairline, back = (on.chart.to_points(on.marks_uv[name]) for name in FOLD)
    seen = [on.marks_uv[name] for name in ROUND if name in on.marks_uv and np.isfinite(on.marks_uv[name]).all()]
    outline = on.chart.to_points(np.array(seen)) if len(seen) == len(ROUND) else None
    cut = request.closure.width_mm > WIDEST_NET_MM
    plan = plan_in_photo(geometry, order.measurements, hairline, back, wanted, outline, cut)
    px = rows_in_photo(plan, geometry)
    rows_px = {row.number: line for row, line in zip(plan.rows, px, strict=True) if _shows(row.points, line)}
    if not rows_px:
        raise UsageProblem(
            "rows-unseen",
            f"None of the rows can be seen in the photo of record {found.id}: check the closure in a photo from "
            "straight above.",
        )
    shown = RowsShown(found.id, plan, rows_px, _draw(photo.image, measured.findings.lines_px, rows_px))
    return _with_panel(shown, order)


def _shows(points: FloatArray, px: FloatArray) -> bool:
    """Whether enough of a row (n, 3) mm is in sight, by its pixels (n, 2)."""
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    there = np.isfinite(px[:, 0])
    return float(step[there[1:] & there[:-1]].sum()) >= SHOWN_MM


def _draw(
    image: npt.NDArray[np.uint8], known: Mapping[str, npt.ArrayLike], rows: Mapping[int, FloatArray]
) -> Image.Image:
    """The photo round the block with the closure's edge and fold, of the `known` lines, and the rows."""
    around = np.concatenate([np.asarray(line, float).reshape(-1, 2) for line in (*known.values(), *rows.values())])
    part, placed = framed(image, box_round(around, image.shape[1], image.shape[0]))
    layer = Layer(part.size)
    for name in ("rectangle", "fold"):
        if name in known:
            style = LINES[name]
            layer.stroke(dash_pieces(placed(known[name]), style.dashes), style.colour, 0.6 * style.width)
    for line in rows.values():
        layer.stroke(dash_pieces(placed(line), ()), SKY, 3.5, halo=2.0)
    numbered: list[FloatArray] = []
    for number, line in sorted(rows.items(), reverse=True):  # where rows crowd, the last ones have their numbers
        at = placed(_middle(line))[0]
        w, h = layer.text_size(str(number), NAME_PX)
        if all(np.linalg.norm(at - other) > 1.3 * w for other in numbered):
            layer.text((float(at[0] - w / 2), float(at[1] - h / 2)), str(number), NAME_PX, WHITE)
            numbered.append(at)
    return layer.over(part)


def _middle(line: FloatArray) -> FloatArray:
    """The row's own middle where it is in sight, else the seen point nearest to it."""
    there = np.flatnonzero(np.isfinite(line[:, 0]))
    out: FloatArray = line[there[np.argmin(np.abs(there - len(line) // 2))]]
    return out


def _with_panel(shown: RowsShown, order: Order) -> RowsShown:
    """With a strip below that says what the picture shows."""
    from PIL import Image

    picture = shown.picture
    px = max(22.0, min(36.0, picture.width / 34))
    plan = shown.plan
    words = (
        f"Order {order.label}, guidelines {mm_and_inches(plan.spacing_mm)} apart, 1 at the nape. {shown.sentence} "
        f"From the last row to the closure's back edge: {plan.left_over_mm:.1f} mm along the middle. "
        + " ".join(plan.notes)
    )
    lines = wrapped(Layer((picture.width, 8)), words, px, picture.width - 1.2 * px)
    panel = Layer((picture.width, round(px * (1.35 * len(lines) + 0.9))))
    for k, line in enumerate(lines):
        panel.text((px * 0.6, px * (0.4 + 1.35 * k)), line, px, WHITE, halo=False)
    strip = panel.over(Image.new("RGB", panel.size, (24, 24, 24)))
    whole = Image.new("RGB", (picture.width, picture.height + strip.height))
    whole.paste(picture, (0, 0))
    whole.paste(strip, (0, picture.height))
    return replace(shown, picture=whole)
