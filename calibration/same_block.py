"""Draws what photos of one pinned block would show, without rendering them, and scores the joint measurement.

    python -m calibration.same_block score 100 [--seed 0] [--mark-px 1.0] [--jobs 2] [--out FILE.json]
    python -m calibration.same_block moved 60 [--seed 0]
    python -m calibration.same_block make 12 --folder DIR     # rendered pairs: pair_SEED_a.jpg, pair_SEED_b.jpg
    python -m calibration.same_block photos --folder DIR      # the whole check on them, alone and together

Landmarks, lines, outline and card come from the truth of generated scenes
(fixtures.scenes.pairs) and get known pixel noise: card corners 0.15 px, outline 0.4 px,
landmarks and lines as asked, neighbours along a line sharing theirs over 20 mm; the seam lies
beside the cap's middle by 0.6 mm, alike in every photo. Every photo is fitted alone as the check does, then
all together. `score` prints, per measure, U95 alone and together, errors and coverage;
`moved` shifts the block or the card by 5 to 15 mm and turns it by 3 degrees or more in one
half of the pairs and counts what is noticed. `photos` does the same as `score` on real JPEGs,
with all that finding errs, and prints how far two photos of one block err alike.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fixtures.scenes.layout import layout
from fixtures.scenes.model import Scene
from fixtures.scenes.pairs import pair_scenes
from fixtures.scenes.shape import BlockSurface, CapFrame
from fixtures.scenes.truth import focal_35mm, truth
from placecheck.block import Geometry, outline_px, prior_for, start_place, yaw_on_table
from placecheck.block_fit import RoughStart, fit_block
from placecheck.block_residuals import Shown
from placecheck.camera import camera_for
from placecheck.observed import Line, Mark, Observed
from placecheck.observing import clues_of
from placecheck.request import CheckRequest
from placecheck.same_block.evidence import Seen
from placecheck.units import ClosureSize

FloatArray = np.ndarray
CLEARANCES = ("clearance_left_mm", "clearance_centre_mm", "clearance_right_mm")
PAIR_SEEDS = 20_000_000
SEAM_MM = 0.6


@dataclass(frozen=True)
class Noise:
    """Standard deviations, px: card corners, outline, landmarks, lines."""

    card_px: float = 0.15
    outline_px: float = 0.4
    mark_px: float = 1.0
    line_px: float = 1.0


class _Capped:
    """The bare block with the cap's mesh on it: what the outline in a photo is of."""

    def __init__(self, scene: Scene) -> None:
        assert scene.cap is not None
        self.height_mm = scene.block.c
        self.bare, self.frame, self.thick = BlockSurface(scene.block), CapFrame(scene.cap), scene.cap.thickness

    def radius(self, directions: FloatArray) -> FloatArray:
        r = self.bare.radius(directions)
        above = self.frame.above_rim(directions * r[..., None])
        return r + self.thick * np.clip(0.5 + above / 2.0, 0.0, 1.0)


def request_of(scene: Scene) -> CheckRequest:
    assert scene.closure is not None
    w, length = scene.closure.inch
    size = ClosureSize(w * 25.4, length * 25.4, f"{w:g}x{length:g}")
    return CheckRequest(size, scene.block.tape_inch * 25.4)


def _smooth_noise(rng: np.random.Generator, points_mm: FloatArray, reach_mm: float) -> FloatArray:
    """Noise (N,) of unit variance along a polyline (N, 3), shared over `reach_mm`."""
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1))])
    k = np.exp(-0.5 * ((s[:, None] - s[None]) / (reach_mm / 2)) ** 2) + 1e-6 * np.eye(len(s))
    return np.linalg.cholesky(k) @ rng.normal(size=len(s))


def _across(px: FloatArray) -> FloatArray:
    t = np.gradient(px, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    return np.stack([-t[:, 1], t[:, 0]], -1)


def look(scene: Scene, rng: np.random.Generator, noise: Noise, seam_mm: FloatArray) -> Seen:
    """One photo of the scene as the finders would report it if they erred by `noise` alone, and its own fit."""
    facts = truth(scene, full=False)
    cam = scene.camera
    rb = np.array(facts["block"]["R_block_to_world"])
    tb = np.array(facts["block"]["t_block_to_world"])
    r, t = np.array(cam.R), np.array(cam.t)
    capped = _Capped(scene)
    g = Geometry(
        cam.f,
        np.array([cam.cx, cam.cy]),
        cam.k1,
        capped,
        r @ rb,
        r @ tb + t,
        np.eye(3),
        np.zeros(3),  # type: ignore[arg-type]
    )
    board = np.array([[(i % 6 + 1) * 20.0, (i // 6 + 1) * 20.0] for i in range(24)])
    card = np.array(facts["card"]["cards"][0]["charuco_corners_px"])
    card = card + rng.normal(0, noise.card_px, card.shape)
    outline = outline_px(g, 112)
    outline = outline + rng.normal(0, noise.outline_px, outline.shape)
    marks = {}
    spots = {**facts["landmarks"]["closure_corners"], **{n: facts["landmarks"][n] for n in ("fold_front", "fold_back")}}
    for name, spot in spots.items():
        if g.visible(np.array(spot["block"])[None], 0.1)[0]:
            px = np.array(spot["px"]) + rng.normal(0, noise.mark_px, 2)
            marks[name] = Mark(px, np.eye(2) * noise.mark_px**2, ("set by hand",))
    lines = {}
    for name, key in (("rim", "cap_front_edge"), ("hairline", "hairline"), ("centre", "cap_centre_line")):
        block, px = np.array(facts["landmarks"][key]["block"]), np.array(facts["landmarks"][key]["px"])
        keep = g.visible(block, 0.08)
        if name == "centre":
            keep &= np.array(facts["landmarks"][key]["on_cap"]) & (np.arange(len(keep)) % 3 == 0)
            aside = g.to_px(block + seam_mm[:, None] * CapFrame(scene.cap).plane.normal)  # type: ignore[arg-type]
            per_mm = cam.f / cam.distance
            line = aside + _smooth_noise(rng, block, 20.0)[:, None] * _across(px) * 0.3 * per_mm
            u = np.full(len(px), np.hypot(SEAM_MM, 0.3) * per_mm)
        else:
            line = px + noise.line_px * _smooth_noise(rng, block, 20.0)[:, None] * _across(px)
            u = np.full(len(px), noise.line_px)
        if keep.sum() >= 5:
            lines[name] = Line(line[keep], u[keep], 0.0, ("set by hand",))
    observed = Observed(marks, {}, lines.get("rim"), lines.get("hairline"), lines.get("centre"))
    camera = camera_for(cam.width, cam.height, focal_35mm(scene))
    request = request_of(scene)
    middle = list(outline.mean(0))
    face = np.diff(g.to_px(np.array([[0, 0, 100.0], [0, 20, 100.0]])), axis=0)[0]
    yaw = yaw_on_table(camera, board, card, middle, face / np.linalg.norm(face)) + rng.normal(0, 2.0)
    place = start_place(camera, board, card, middle)
    prior = prior_for(camera, request.block_circumference_mm)
    shown = Shown(camera, board, card, noise.card_px, outline, noise.outline_px)
    fit = fit_block(shown, prior, RoughStart(yaw, place))
    for _ in range(2):
        fit = fit_block(shown, prior, fit.theta, clues_of(observed, fit.geometry, request))
    return Seen(camera, board, card, noise.card_px, outline, noise.outline_px, observed, fit)


def look_all(scenes: tuple[Scene, ...], seed: int, noise: Noise = Noise()) -> list[Seen]:
    """All photos of one block; the seam's place on the cap is theirs in common."""
    rng = np.random.default_rng([seed, 99])
    line = layout(scenes[0]).centre_line()
    seam = SEAM_MM * _smooth_noise(rng, line, 20.0)
    return [look(scene, rng, noise, seam) for scene in scenes]


def true_values(scene: Scene) -> dict[str, float]:
    from calibration.judging import true_values as values
    from fixtures.scenes.truth import _measures

    return values({"measures": _measures(layout(scene))})


def score_one(seed: int, noise: Noise = Noise(), views: Any = None) -> dict[str, Any]:
    """Errors and U95 of every measure: of each photo alone (as the check has it, no factors) and together."""
    from placecheck.measure import measure_at, put_on_dome
    from placecheck.same_block.joint import fit_together
    from placecheck.same_block.together import budgets_together, on_dome
    from placecheck.uncertainty import budgets, total_u

    scenes = pair_scenes(PAIR_SEEDS + seed, views)
    seen = look_all(scenes, seed, noise)
    request, true = request_of(scenes[0]), true_values(scenes[0])
    width = request.closure.width_mm
    alone = []
    for photo in seen:
        on = put_on_dome(photo.fit.geometry, photo.observed)
        values = measure_at(on, width)
        parts = budgets(photo.fit, photo.observed, on, width, values)
        alone.append({n: [values[n] - true[n], 2 * total_u(b)] for n, b in parts.items() if n in true})
    fit = fit_together(seen, request.closure, request.block_circumference_mm)
    values = measure_at(on_dome(fit, {}), width)
    parts = budgets_together(fit, seen, {}, width, values)
    both = {n: [values[n] - true[n], 2 * total_u(b)] for n, b in parts.items() if n in true}
    lean = [scene.camera.lean_deg for scene in scenes]
    return {"seed": seed, "lean": lean, "alone": alone, "together": both, "misfit": fit.misfit}


def report(rows: list[dict[str, Any]]) -> None:
    """Print U95 alone and together, and errors and coverage together."""
    from placecheck.answer import MEASURES

    print(f"{len(rows)} pairs")
    for spec in MEASURES:
        n = spec.name
        found = [r for r in rows if n in r["together"]]
        e, u95 = np.array([r["together"][n] for r in found]).T
        ratios = []
        for r in found:
            if all(n in a for a in r["alone"]):
                u = np.array([a[n][1] for a in r["alone"]])
                order = np.argsort(r["lean"])
                ratios.append(r["together"][n][1] / np.array([u[order[0]], u[order[-1]], u.mean(), u.min()]))
        steep, lean, mean, best = np.median(ratios, axis=0) if ratios else [np.nan] * 4
        alone = np.array([a[n] for r in rows for a in r["alone"] if n in a])
        print(
            f"  {n:28s} U95 alone {np.median(alone[:, 1]):5.2f} together {np.median(u95):5.2f}"
            f"  ratio to steeper {steep:.2f} leaning {lean:.2f} mean {mean:.2f}"
            f" better {best:.2f}  error median {np.median(np.abs(e)):.2f} 95 % "
            f"{np.percentile(np.abs(e), 95):.2f} bias {e.mean():+.2f}  covered {100 * np.mean(np.abs(e) <= u95):.0f} %"
            f" (alone {100 * np.mean(np.abs(alone[:, 0]) <= alone[:, 1]):.0f} %)"
        )
    print(f"  misfit median {np.median([r['misfit'] for r in rows]):.2f}")


def make(seed: int, folder: Path) -> None:
    """Render one pair whose photos are good enough to be measured."""
    from fixtures.scenes.truth import save

    good = {"orientation": 1, "exposure": -0.2, "blur": 0.6, "noise": 1.2, "motion": (0.0, 0.0), "jpeg": 90}
    scenes = pair_scenes(PAIR_SEEDS + seed, size=(1440, 1080), shot=good)
    for letter, scene in zip("abcdef", scenes, strict=False):
        save(scene, folder, f"pair_{PAIR_SEEDS + seed}_{letter}")


def photos_one(paths: list[Path]) -> dict[str, Any]:
    """The whole check of rendered photos of one block, alone and together; what was refused is told in words."""
    from calibration.judging import true_values as values
    from placecheck.errors import PlacecheckError
    from placecheck.measuring import remeasure
    from placecheck.photo import load_photo
    from placecheck.same_block.as_one import measure_together
    from placecheck.sighting import sight

    truths = [json.loads(path.with_suffix(".json").read_text()) for path in paths]
    true, facts = values(truths[0]), truths[0]["scene"]
    w, length = facts["closure_nominal_inch"]
    size = ClosureSize(w * 25.4, length * 25.4, f"{w:g}x{length:g}")
    request = CheckRequest(size, facts["ticket_circumference_inch"] * 25.4)
    out: dict[str, Any] = {"seed": paths[0].stem, "lean": [t["scene"]["lean_deg"] for t in truths], "misfit": 0.0}

    def against(estimates: Any) -> dict[str, list[float]]:
        return {n: [e.value - true[n], e.U95] for n, e in estimates.items() if n in true}

    try:
        seen = [sight(load_photo(path), request) for path in paths]
        out["alone"] = [against(remeasure(one, None).estimates) for one in seen]
        out["together"] = against(measure_together([p.stem for p in paths], seen, request)[0].estimates)
    except PlacecheckError as error:
        out["problem"] = error.problem.code
    return out


def report_alike(rows: list[dict[str, Any]]) -> None:
    """Print how the errors of two photos of one block correlate, each in units of its U95."""
    for names in (CLEARANCES, ("offset_mm",), ("skew_deg",), ("fold_offset_front_mm", "fold_offset_back_mm")):
        both = [[a[n][0] / a[n][1] for a in r["alone"]] for r in rows for n in names if all(n in a for a in r["alone"])]
        z = np.array(both)
        if len(z) > 2:
            r = float((z[:, 0] * z[:, 1]).mean() / np.sqrt((z**2).mean(0).prod()))
            print(f"  errors of two photos correlate by {r:.2f} for {names[0]} ({len(z)})")


def moved_one(seed: int, noise: Noise) -> dict[str, Any]:
    """What the set says of one pair; in two of four nothing was moved, in the others the block or the card was."""
    from placecheck.errors import RetakeNeeded
    from placecheck.same_block.as_one import solve

    rng = np.random.default_rng([seed, 5])
    how, angle, turn = rng.uniform(5, 15), rng.uniform(0, 2 * np.pi), rng.choice([-1, 1]) * rng.uniform(3, 8)
    what = ("", "block", "", "card")[seed % 4]
    move: Any = (
        {"moved": what, "shift_mm": (how * np.cos(angle), how * np.sin(angle)), "turn_deg": turn} if what else {}
    )
    scenes = pair_scenes(PAIR_SEEDS + seed, **move)
    try:
        solve(["A", "B"], look_all(scenes, seed, noise), request_of(scenes[0]))
        said = ""
    except RetakeNeeded as error:
        said = error.problem.code
    return {"moved": what, "said": said}


def report_moved(rows: list[dict[str, Any]]) -> None:
    for what in ("", "block", "card"):
        said = [r["said"] or "measured" for r in rows if r["moved"] == what]
        print(f"  {what or 'nothing'} moved: " + ", ".join(f"{said.count(s)} {s}" for s in sorted(set(said))))


def _score(task: tuple[int, Noise]) -> dict[str, Any]:
    return score_one(*task)


def _moved(task: tuple[int, Noise]) -> dict[str, Any]:
    return moved_one(*task)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("command", choices=["score", "moved", "make", "photos"])
    parser.add_argument("count", type=int, nargs="?", default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--mark-px", type=float, default=1.0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=Path("pairs"))
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    if args.command == "make":
        for i in range(args.count):
            make(args.seed + i, args.folder)
        return
    noise = Noise(mark_px=args.mark_px, line_px=args.mark_px)
    tasks: list[Any] = [(args.seed + i, noise) for i in range(args.count)]
    work: Any = {"score": _score, "moved": _moved, "photos": photos_one}[args.command]
    if args.command == "photos":
        firsts = sorted(args.folder.glob("*_a.jpg"))
        tasks = [[p, *sorted(args.folder.glob(p.stem[:-1] + "[b-f].jpg"))] for p in firsts]
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            rows = list(pool.map(work, tasks))
    else:
        rows = [work(task) for task in tasks]
    if args.out:
        args.out.write_text(json.dumps(rows))
    if args.command == "moved":
        report_moved(rows)
        return
    report([r for r in rows if "problem" not in r])
    if args.command == "photos":
        print("  not measured: " + (", ".join(f"{r['seed']} {r['problem']}" for r in rows if "problem" in r) or "none"))
        report_alike([r for r in rows if len(r.get("alone", ())) == 2])


if __name__ == "__main__":
    main()
