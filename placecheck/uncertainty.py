"""The uncertainty of every measure, first order, in the sense of the GUM (JCGM 100:2008).

Inputs are the unknowns of the block fit with their whole covariance (camera, card, position,
tape, shape, the cap's plane: correlated, GUM 5.2.2), each landmark's position on the dome,
the rim and the hairline at the three stations, and how far lace and cap lie above the block.
Sensitivities are central or forward differences of `measure_at`. The block fit's part is
J C J^T with the full C; in the printed budget it is shared out among groups of unknowns in
proportion to what each group's own block of C would give alone, so that correlations are kept
in the total and the lines' squares add up to its square. Coverage of U95 = 2 u is not
assumed but checked on scenes with truth; factors found there live in calibration.json.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.answer import Contribution
from placecheck.block import GROUPS, NAMES, Geometry, unpack
from placecheck.block_fit import BlockFit
from placecheck.measure import (
    LACE_LIFT_MM,
    RIM_LIFT_MM,
    Line,
    Nuisance,
    Observed,
    OnDome,
    measure_at,
    put_on_dome,
    side_bends,
    station_mm,
)

FloatArray = npt.NDArray[np.float64]

LIFT_U_MM = 0.4
LACE_LIFT_U_MM = 0.4
WORDS = {
    "fold_front": "fold at the hairline",
    "fold_back": "fold at the back edge",
    "front_left": "front left corner",
    "front_right": "front right corner",
    "back_left": "back left corner",
    "back_right": "back right corner",
}


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
    h = 0.5
    around = px + np.array([[h, 0], [-h, 0], [0, h], [0, -h]])
    points = geometry.hit(around, LACE_LIFT_MM)
    uv = on.chart.to_uv(points)
    if not np.isfinite(uv).all():
        return np.eye(2) * 15.0**2
    jac = np.stack([(uv[0] - uv[1]), (uv[2] - uv[3])], -1) / (2 * h)
    out: FloatArray = jac @ covariance_px2 @ jac.T
    return out


def station_u_mm(
    geometry: Geometry, on: OnDome, line: Line | None, uv: FloatArray, u_at: float, lift_mm: float
) -> float:
    """Standard uncertainty along v of a line at a station, from its pixels' uncertainty across the line."""
    if line is None:
        return float("nan")
    gap = np.abs(np.nan_to_num(uv[:, 0], nan=1e9) - u_at)
    near = np.nonzero(gap < 10.0)[0]
    if len(near) < 2:
        return float("nan")
    i = near[np.argmin(gap[near])]
    a, b = line.px[near[0]], line.px[near[-1]]
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    normal = np.array([-along[1], along[0]])
    h = 0.4
    points = geometry.hit(np.stack([line.px[i] + h * normal, line.px[i] - h * normal]), lift_mm)
    ends = on.chart.to_uv(points)
    if not np.isfinite(ends).all():
        return 10.0
    per_px = abs(float(ends[0, 1] - ends[1, 1])) / (2 * h)
    # what neighbouring points share does not average out: the mean variance, not the variance of the mean
    u_px = float(np.sqrt(np.mean(line.u_px[near] ** 2) + line.common_px**2))
    return per_px * u_px


def budgets(
    fit: BlockFit, observed: Observed, on: OnDome, nominal_width_mm: float, values: Mapping[str, float]
) -> dict[str, tuple[Contribution, ...]]:
    """The budget of every measure in `values` that is finite: contributions in the measure's unit, largest first."""
    geometry = fit.geometry
    names = [name for name, value in values.items() if np.isfinite(value)]
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

    def at(theta: FloatArray | None, nuisance: Nuisance | None = None) -> FloatArray:
        g = geometry if theta is None else unpack(theta, fit.frame)
        m = measure_at(put_on_dome(g, slim, nuisance, chart_step_mm=8.0), nominal_width_mm, nuisance, bend)
        return np.array([m[name] for name in names])

    base = at(None)
    # along the principal directions of the covariance, so that what is correlated moves together: one unknown moved
    # by its own uncertainty alone may carry the block off the lines of sight
    u_theta = np.sqrt(np.diag(fit.covariance))
    share, directions = np.linalg.eigh(fit.covariance / np.outer(u_theta, u_theta))
    share = np.sqrt(np.maximum(share, 1e-12))
    moved = np.empty((len(names), len(NAMES)))
    h = 0.3
    for k in range(len(NAMES)):
        moved[:, k] = (at(fit.theta + h * share[k] * directions[:, k] * u_theta) - base) / h
    moved = np.nan_to_num(moved)
    total_fit = (moved**2).sum(1)
    jac = (moved / share) @ directions.T / u_theta
    lines: list[tuple[str, FloatArray]] = []
    explained = np.zeros(len(names))
    for group, members in GROUPS.items():
        index = [NAMES.index(m) for m in members]
        part = np.einsum("ij,jk,ik->i", jac[:, index], fit.covariance[np.ix_(index, index)], jac[:, index])
        lines.append((group, part))
        explained += part
    shrink = np.where(explained > 0, total_fit / np.maximum(explained, 1e-18), 0.0)
    lines = [(group, part * shrink) for group, part in lines]

    def variance_of(nuisance: Nuisance, size: float) -> FloatArray:
        there = measure_at(put_on_dome(geometry, slim, nuisance, 8.0), nominal_width_mm, nuisance, bend)
        change = np.nan_to_num(np.array([there[name] for name in names]) - base)
        out: FloatArray = (change / size) ** 2
        return out

    slim_on = put_on_dome(geometry, slim, None, 8.0)

    def cheap(nuisance: Nuisance) -> FloatArray:
        shifted = replace(
            slim_on,
            marks_uv={n: uv + nuisance.marks_mm.get(n, np.zeros(2)) for n, uv in slim_on.marks_uv.items()},
            inferred_uv={
                n: uv
                + nuisance.marks_mm.get(n, np.zeros(2))
                + nuisance.marks_mm.get(observed.inferred[n].anchor, np.zeros(2))
                for n, uv in slim_on.inferred_uv.items()
            },
        )
        there = measure_at(shifted, nominal_width_mm, nuisance, bend)
        return np.nan_to_num(np.array([there[name] for name in names]) - base)

    for name, mark in observed.marks.items():
        cov = mark_covariance_mm2(geometry, on, mark.px, mark.covariance_px2)
        h = 0.5
        j_u = cheap(Nuisance(marks_mm={name: np.array([h, 0.0])})) / h
        j_v = cheap(Nuisance(marks_mm={name: np.array([0.0, h])})) / h
        part = j_u**2 * cov[0, 0] + 2 * j_u * j_v * cov[0, 1] + j_v**2 * cov[1, 1]
        lines.append((WORDS.get(name, name), np.maximum(part, 0.0)))
    for name, guess in observed.inferred.items():
        j_u = cheap(Nuisance(marks_mm={name: np.array([0.5, 0.0])})) / 0.5
        lines.append((f"{WORDS.get(name, name)}, hidden", j_u**2 * guess.u_mm**2))
    for words, line, uv, lift, key in (
        ("cap rim in the photo", observed.rim, on.rim_uv, RIM_LIFT_MM, "rim_mm"),
        ("hairline in the photo", observed.hairline, on.hair_uv, LACE_LIFT_MM, "hair_mm"),
    ):
        part = np.zeros(len(names))
        for i, u_at in enumerate(stations):
            if key == "hair_mm" and i == 1:
                continue  # the middle station's tip is the fold mark, counted above
            u = station_u_mm(geometry, on, line, uv, float(u_at), lift)
            if np.isfinite(u):
                move = np.zeros(3)
                move[i] = 0.5
                part += (cheap(Nuisance(rim_mm=move) if key == "rim_mm" else Nuisance(hair_mm=move)) / 0.5) ** 2 * u**2
        lines.append((words, part))
    lines.append(("cap thickness over the block", variance_of(Nuisance(lift_mm=0.5), 0.5) * LIFT_U_MM**2))
    lines.append(("lace not lying flat", variance_of(Nuisance(lace_lift_mm=0.5), 0.5) * LACE_LIFT_U_MM**2))
    out: dict[str, tuple[Contribution, ...]] = {}
    for i, name in enumerate(names):
        parts = [Contribution(words, float(np.sqrt(max(v[i], 0.0)))) for words, v in lines]
        out[name] = tuple(sorted((p for p in parts if p.u > 1e-6), key=lambda p: -p.u))
    return out


def total_u(budget: tuple[Contribution, ...], factor: float = 1.0) -> float:
    """Combined standard uncertainty of a budget, times a factor found on judging scenes."""
    return factor * float(np.sqrt(sum(c.u**2 for c in budget)))


@lru_cache(maxsize=1)
def _factors() -> Mapping[str, float]:
    path = Path(__file__).parent / "find" / "networks" / "calibration.json"
    if not path.exists():
        return {}
    factors: Mapping[str, float] = json.loads(path.read_text())["factors"]
    return factors


def factor_for(measure: str) -> float:
    """What a measure's combined uncertainty is multiplied by, found on scenes with truth (calibration.json)."""
    return float(_factors().get(measure, 1.0))
