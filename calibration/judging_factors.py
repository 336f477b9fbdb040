"""Fits by what the check's uncertainties are to be multiplied, on errors that calibration.judging has scored.

For every measure: by what factor on u, itself a power of u, U95 would cover 95 % of the errors whether u is small
or large; quantile regression of log |error| on log u (Koenker and Bassett 1978). `renew` writes
placecheck/find/networks/calibration.json: from photos without a ball pin on the cap's centre line before the hairline,
or, --pinned, from those with one, for what rests on that line; or, --cap-tied, for the clearances, from those whose rim
was carried over from the photo of the cap alone and laid on what is in view of it; or, --together, for them, from those
that were measured together with a photo from another side (NAME-first.jpg).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from placecheck.uncertainty import Scale

POWERS = np.arange(0.5, 2.26, 0.05)
LEAST_ERRORS = 25  # fewer tell nothing of their 95th percentile
SCENES_FOR_ONE = 400  # as many scenes as a power of 1 is worth beforehand
EDGES = (0.05, 0.95)  # quantiles of u beyond which the power is not followed
ALIKE = (("clearance_left_mm", "clearance_right_mm"), ("length_left_mm", "length_right_mm"))
CALIBRATION = Path(__file__).parent.parent / "placecheck" / "find" / "networks" / "calibration.json"


def scale_of(errors: np.ndarray, u: np.ndarray) -> Scale:
    """The Scale for which 2 u covers 95 % of `errors` (N,), at every level of the budgets' `u` (N,) alike.

    The line log |error| = a + power log u of which 95 % lie below: of all powers that with the least check loss, drawn
    toward 1 the more, the fewer the scenes.
    """
    from placecheck.uncertainty import FACTOR_BOUNDS, Scale

    at = float(np.median(u))
    x, y = np.log(u / at), np.log(np.maximum(np.abs(errors), 1e-3) / (2 * at))

    def line(power: float) -> tuple[float, float]:
        """Check loss and a."""
        left = y - power * x
        a = float(np.quantile(left, 0.95))
        return float(np.mean(np.where(left > a, 0.95, -0.05) * (left - a))), a

    best = min(POWERS, key=lambda power: line(power)[0])
    power = 1.0 + (best - 1.0) * len(u) / (len(u) + SCENES_FOR_ONE)
    factor = float(np.clip(np.exp(line(power)[1]), *FACTOR_BOUNDS))
    low, high = np.quantile(u, EDGES)
    return Scale(*(round(float(v), 3) for v in (factor, power, at, low, high)))


def scales(rows: list[dict[str, Any]]) -> dict[str, Scale]:
    """`scale_of` every measure that enough of the scored `rows` have; those that are ALIKE are one."""
    from placecheck.answer import MEASURES

    out = {}
    for spec in MEASURES:
        alike = next((names for names in ALIKE if spec.name in names), (spec.name,))
        found = np.array([r["errors"][name] for r in rows for name in alike if name in r.get("errors", {})])
        if len(found) >= LEAST_ERRORS:
            out[spec.name] = scale_of(found[:, 0], found[:, 3])
    return out


def renew(args: argparse.Namespace) -> None:
    """Fit the factors that were asked for on scored errors, and keep them."""
    from placecheck.answer import ON_CENTRE_LINE
    from placecheck.tolerances import CLEARANCES

    rows = [row for path in args.errors for row in json.loads(path.read_text())]
    kept = json.loads(CALIBRATION.read_text()) if CALIBRATION.exists() else {}
    tables = {"line_pinned": ("pinned", ON_CENTRE_LINE)}
    tables |= {"cap_tied": ("cap tied", CLEARANCES), "together": ("together", CLEARANCES)}
    asked = next((key for key in tables if getattr(args, key)), None)
    which, renewed = tables[asked] if asked else ("scales", args.renew)
    for key in tables:
        if key != "line_pinned" or asked in (None, "line_pinned"):  # a clearance needs no pin on the line
            rows = [row for row in rows if row.get("grounds", {}).get(key, False) is (key == asked)]
    found = {n: asdict(s) for n, s in scales(rows).items() if not renewed or n in renewed}
    if not found:
        raise SystemExit(
            f"Of these scenes {len(rows)} are of the kind that is asked for, and no measure wanted has {LEAST_ERRORS} "
            "errors among them, so no factor was renewed: score more scenes."
        )
    CALIBRATION.write_text(json.dumps(kept | {which: kept.get(which, {}) | found}, indent=1) + "\n")
    print(*(f"{n}: {s}" for n, s in found.items()), sep="\n")
