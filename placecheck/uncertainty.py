"""The uncertainty of every measure, first order, in the sense of the GUM (JCGM 100:2008).

Inputs are the unknowns of the block fit with their whole covariance (camera, card, position,
tape, shape, the cap's plane: correlated, GUM 5.2.2), each landmark's position on the dome,
the rim and the hairline at the three stations, and how far lace and cap lie above the block.
Sensitivities are forward differences of `measures`, taken on stacks: all moved geometries
are evaluated in one call, all moved landmarks and lines in another. The block fit's part is
J C J^T with the full C, the inverse of the normal matrix N. What was seen and what was known
before are independent of each other and N is the sum of theirs, so the line of each in the
printed budget is J C N_s C J^T: correlations are kept, and the lines' squares add up. Coverage
of U95 = 2 u is not assumed but checked on scenes with truth; what was found there lives in
calibration.json (Scale).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.answer import GROUND, LACE_LOOSE, RIM_WORDS, Contribution, Grounds
from placecheck.answer import LANDMARK_WORDS as WORDS
from placecheck.block import NAMES, Geometry, unpack_many
from placecheck.block_fit import BlockFit
from placecheck.measure import (
    LACE_LIFT_MM,
    RIM_LIFT_MM,
    Nuisance,
    OnDome,
    measures,
    put_on_dome,
    side_bends,
    station_mm,
)
from placecheck.observed import Line, Observed

FloatArray = npt.NDArray[np.float64]

LIFT_U_MM = 0.4
FACTOR_BOUNDS = (0.5, 3.0)
LACE_LIFT_U_MM = 0.4


def _near_stations(line: Line | None, uv: FloatArray, stations: FloatArray, reach_mm: float = 11.0) -> Line | None:
    """Only the part of a line that the stations use, so that differentiating costs little."""
    if line is None:
        return None
    keep = np.zeros(len(line.px), bool)
    for u in stations:
        keep |= np.abs(np.nan_to_num(uv[:, 0], nan=1e9) - u) <= reach_mm
    if keep.sum() < 3:
        return line
    return replace(line, px=line.px[keep], u_px=line.u_px[keep])


def mark_covariance_mm2(geometry: Geometry, on: OnDome, px: FloatArray, covariance_px2: FloatArray) -> FloatArray:
    """Covariance (2, 2) in (u, v) of a mark at pixel `px` (2,); huge where the line of sight grazes the dome."""
    return mark_covariances_mm2(geometry, on, px[None], covariance_px2[None])[0]


def mark_covariances_mm2(geometry: Geometry, on: OnDome, px: FloatArray, covariance_px2: FloatArray) -> FloatArray:
    """`mark_covariance_mm2` (M, 2, 2) of marks at `px` (M, 2) with `covariance_px2` (M, 2, 2)."""
    h = 0.5
    around = px[:, None] + np.array([[h, 0], [-h, 0], [0, h], [0, -h]])
    uv = on.chart.to_uv(geometry.hit(around, LACE_LIFT_MM))
    jac = np.stack([uv[:, 0] - uv[:, 1], uv[:, 2] - uv[:, 3]], -1) / (2 * h)
    known = np.asarray(np.isfinite(uv).all((1, 2)))[:, None, None]
    jac = np.where(known, jac, 0.0)
    return np.where(known, jac @ covariance_px2 @ np.swapaxes(jac, 1, 2), np.eye(2) * 15.0**2)


def station_u_mm(
    geometry: Geometry, on: OnDome, line: Line | None, uv: FloatArray, u_at: float, lift_mm: float
) -> float:
    """Standard uncertainty along v of a line at a station, from its pixels' uncertainty across the line."""
    return float(stations_u_mm(geometry, on, line, uv, np.array([u_at]), lift_mm)[0])


def stations_u_mm(
    geometry: Geometry, on: OnDome, line: Line | None, uv: FloatArray, stations: FloatArray, lift_mm: float
) -> FloatArray:
    """`station_u_mm` (S,) at `stations` (S,); NaN where the line does not pass."""
    out = np.full(len(stations), np.nan)
    if line is None:
        return out
    h = 0.4
    sides, u_px, passed = [], [], []
    for k, u_at in enumerate(stations):
        gap = np.abs(np.nan_to_num(uv[:, 0], nan=1e9) - u_at)
        near = np.nonzero(gap < 10.0)[0]
        if len(near) < 2:
            continue
        i = near[np.argmin(gap[near])]
        a, b = line.px[near[0]], line.px[near[-1]]
        along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
        normal = np.array([-along[1], along[0]])
        sides.append(np.stack([line.px[i] + h * normal, line.px[i] - h * normal]))
        # what neighbouring points share does not average out: the mean variance, not the variance of the mean
        u_px.append(np.sqrt(np.mean(line.u_px[near] ** 2) + line.common_px**2))
        passed.append(k)
    if passed:
        ends = on.chart.to_uv(geometry.hit(np.array(sides), lift_mm))
        per_px = np.abs(ends[:, 0, 1] - ends[:, 1, 1]) / (2 * h)
        out[passed] = np.where(np.isfinite(ends).all((1, 2)), per_px * np.array(u_px), 10.0)
    return out


def budgets(
    fit: BlockFit, observed: Observed, on: OnDome, nominal_width_mm: float, values: Mapping[str, float]
) -> dict[str, tuple[Contribution, ...]]:
    """The budget of every measure in `values` that is finite: contributions in the measure's unit, largest first."""
    geometry = fit.geometry
    names = [name for name, value in values.items() if np.isfinite(value)]
    if not names:
        return {}
    front = on.marks_uv.get("fold_front")
    stations = np.zeros(3)
    if front is not None:
        step = station_mm(nominal_width_mm)
        stations = float(front[0]) + np.array([-step, 0.0, step])
    slim = replace(
        observed,
        rim=_near_stations(observed.rim, on.rim_uv, stations),
        hairline=_near_stations(observed.hairline, on.hair_uv, stations),
    )

    bend = side_bends(on, values)

    def values_of(there: OnDome, nuisance: Nuisance) -> FloatArray:
        """The measures (names, B) on a stack."""
        m = measures(there, nominal_width_mm, nuisance, bend)
        return np.array(np.broadcast_arrays(*(m[name] for name in names)))

    u_theta, share, directions = _principal(fit.covariance)
    h, n = 0.3, len(NAMES)
    # the stack: as fitted, moved along each direction, everything raised, only the lace raised
    thetas = np.repeat(fit.theta[None], n + 3, axis=0)
    thetas[1 : n + 1] += (h * share * directions * u_theta[:, None]).T
    lift, lace_lift = np.zeros(n + 3), np.zeros(n + 3)
    lift[n + 1] = lace_lift[n + 2] = 0.5
    raised = Nuisance(lift_mm=lift, lace_lift_mm=lace_lift)
    stack = put_on_dome(unpack_many(thetas, fit.frame), slim, raised, chart_step_mm=8.0)
    there = values_of(stack, raised)
    base = there[:, :1]
    there = np.nan_to_num(there - base)
    moved = there[:, 1 : n + 1] / h
    jac = (moved / share) @ directions.T / u_theta
    lines = _fit_parts(jac, fit, (moved**2).sum(1))
    lines += _found_parts(
        geometry, observed, on, stations, stack, lambda *moved: np.nan_to_num(values_of(*moved) - base)
    )
    lines.append(("card print", (jac @ fit.card_print_move) ** 2))
    lines.append(("cap thickness over the block", (there[:, n + 1] / 0.5 * LIFT_U_MM) ** 2))
    lines.append((LACE_LOOSE, (there[:, n + 2] / 0.5 * LACE_LIFT_U_MM) ** 2))
    return by_measure(names, lines)


def by_measure(names: Sequence[str], lines: Sequence[tuple[str, FloatArray]]) -> dict[str, tuple[Contribution, ...]]:
    """The budget of every measure, largest contribution first, of variances (names,) by where they come from."""
    out = {}
    for i, name in enumerate(names):
        parts = [Contribution(words, float(np.sqrt(max(v[i], 0.0)))) for words, v in lines]
        out[name] = tuple(sorted((p for p in parts if p.u > 1e-6), key=lambda p: -p.u))
    return out


def _principal(covariance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standard uncertainties u (n,), and independent directions (n, n) in units of u, with the u (n,) of each.

    What is correlated is moved together: one unknown moved by its own uncertainty alone may carry the block off the
    lines of sight.
    """
    u = np.sqrt(np.diag(covariance))
    share, directions = np.linalg.eigh(covariance / np.outer(u, u))
    return u, np.sqrt(np.maximum(share, 1e-12)), directions


def _fit_parts(jac: FloatArray, fit: BlockFit, total: FloatArray) -> list[tuple[str, FloatArray]]:
    """The variances (names,) from all that the fit rests on, scaled so that they sum to `total` (names,).

    `jac` (names, n) is how the measures change with the unknowns.
    """
    parts = by_source(jac, fit.covariance, fit.sources)
    explained = np.sum([part for _, part in parts], axis=0)
    shrink = np.where(explained > 0, total / np.maximum(explained, 1e-18), 0.0)
    return [(words, part * shrink) for words, part in parts]


def by_source(
    jac: FloatArray, covariance: FloatArray, sources: Mapping[str, FloatArray]
) -> list[tuple[str, FloatArray]]:
    """The variances (names,) from each of the parts (n, n) of a normal matrix, whose inverse is `covariance` (n, n).

    `jac` (names, n) is how the measures change with the unknowns.
    """
    carried = jac @ covariance
    return [(words, np.einsum("ij,jk,ik->i", carried, normal, carried)) for words, normal in sources.items()]


def _found_parts(
    geometry: Geometry,
    observed: Observed,
    on: OnDome,
    stations: FloatArray,
    stack: OnDome,
    changes: Callable[[OnDome, Nuisance], FloatArray],
) -> list[tuple[str, FloatArray]]:
    """The variances (names,) from where landmarks and lines were found; `stack` begins with things as they are.

    `changes` gives those of the measures (names, K) on a stack of K displacements.
    """
    found, hidden = list(observed.marks), list(observed.inferred)
    by, k = 0.5, 2 * len(found)
    rim_row, hair_row = k + len(hidden), k + len(hidden) + 3
    moves = {name: np.zeros((hair_row + 3, 2)) for name in (*found, *hidden)}
    rim_mm, hair_mm = np.zeros((2, hair_row + 3, 3))
    for j, name in enumerate(found):
        moves[name][2 * j, 0] = moves[name][2 * j + 1, 1] = by
    for j, name in enumerate(hidden):
        moves[name] += moves.get(observed.inferred[name].anchor, 0.0)
        moves[name][k + j, 0] += by
    rim_mm[rim_row : rim_row + 3] = hair_mm[hair_row:] = by * np.eye(3)
    shifted = replace(
        stack,
        chart=replace(stack.chart, points=stack.chart.points[0]),
        marks_uv={n: uv[0] + moves[n] for n, uv in stack.marks_uv.items()},
        inferred_uv={n: uv[0] + moves[n] for n, uv in stack.inferred_uv.items()},
        rim_uv=stack.rim_uv[0],
        hair_uv=stack.hair_uv[0],
    )
    slopes = changes(shifted, Nuisance(rim_mm=rim_mm, hair_mm=hair_mm)) / by
    lines = []
    px = np.array([mark.px for mark in observed.marks.values()]).reshape(-1, 2)
    cov_px2 = np.array([mark.covariance_px2 for mark in observed.marks.values()]).reshape(-1, 2, 2)
    for j, (name, cov) in enumerate(zip(found, mark_covariances_mm2(geometry, on, px, cov_px2), strict=True)):
        jac = slopes[:, 2 * j : 2 * j + 2]
        lines.append((WORDS.get(name, name), np.maximum(np.einsum("ij,jk,ik->i", jac, cov, jac), 0.0)))
    for j, name in enumerate(hidden):
        lines.append((f"{WORDS.get(name, name)}, hidden", (slopes[:, k + j] * observed.inferred[name].u_mm) ** 2))
    u_rim = stations_u_mm(geometry, on, observed.rim, on.rim_uv, stations, RIM_LIFT_MM)
    lines.append((RIM_WORDS, ((slopes[:, rim_row:hair_row] * np.nan_to_num(u_rim)) ** 2).sum(1)))
    u_hair = stations_u_mm(geometry, on, observed.hairline, on.hair_uv, stations, LACE_LIFT_MM)
    u_hair[1] = 0.0  # the middle station's tip is the fold mark, counted above
    lines.append(("hairline in the photo", ((slopes[:, hair_row:] * np.nan_to_num(u_hair)) ** 2).sum(1)))
    return lines


def total_u(budget: tuple[Contribution, ...]) -> float:
    """Combined standard uncertainty of a budget."""
    return float(np.sqrt(sum(c.u**2 for c in budget)))


@dataclass(frozen=True)
class Scale:
    """What scenes with truth say of a measure's combined uncertainty u: by which factor it is multiplied.

    The factor is `factor` where u = `at`, elsewhere factor (u / at)^(power - 1): well found, a measure is better than
    its budget says, badly found worse. What is smaller than `low` or larger than `high`, which few of the scenes were,
    has the factor of these.
    """

    factor: float
    power: float
    at: float
    low: float = 0.0
    high: float = math.inf

    def times(self, u: float | None = None) -> float:
        """The factor on `u`; without, on the usual u."""
        if u is None or u <= 0:
            return self.factor
        known = min(max(u, self.low), self.high)
        return float(np.clip(self.factor * (known / self.at) ** (self.power - 1.0), *FACTOR_BOUNDS))


@lru_cache(maxsize=32)
def _scales(grounds: Grounds) -> Mapping[str, Scale]:
    path = Path(__file__).parent / "find" / "networks" / "calibration.json"
    if not path.exists():
        return {}
    kept = json.loads(path.read_text())
    words = kept["scales"]
    tables = {"pinned": grounds.line_pinned, "together": grounds.together, "cap tied": grounds.cap_tied}
    for table, holds in tables.items():
        words = words | (kept.get(table, {}) if holds else {})
    return {name: Scale(**parts) for name, parts in words.items()}


def factor_for(measure: str, u: float | None = None, grounds: Grounds = GROUND) -> float:
    """What a measure's combined uncertainty `u` is multiplied by, found on scenes with truth (calibration.json)."""
    scale = _scales(grounds).get(measure)
    return 1.0 if scale is None else scale.times(u)


def scaled_u(measure: str, u: float, grounds: Grounds) -> float:
    """A measure's combined uncertainty `u` with its factor, which makes up for what the finders get wrong.

    A clearance from a rim that the photo of the cap alone shows does not need it, unless that rim is in view in both:
    then it has a factor of its own. Where a ball pin holds the cap's centre line before the hairline, so has what rests
    on that line: less is left to get wrong. What several photos were measured together for has factors of its own for
    the clearances: a rim guessed under the hair is guessed alike in all of them.
    """
    shown = grounds.cap_shown and not grounds.cap_tied and measure.startswith("clearance")
    return u if shown else u * factor_for(measure, u, grounds)
