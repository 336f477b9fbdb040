"""Makes scenes only for judging, scores the check on them, and fits the uncertainty factors.

    python -m calibration.judging make 120 --out DIR [--seed 0] [--cupy] [--pathtraced] [--near | --well]
        [--pins | --as-told] [--cap-first [--alike] | --second] [--stitched] [--kind cap [--bare-first]]
    python -m calibration.judging score DIR [DIR ...] [--jobs 2] [--with-cap] [--with-first] [--saved-block]
        [--taped] [--out errors.json] [--plot chart.svg]
    python -m calibration.judging factors errors.json [--pinned | --cap-tied | --together] [--renew MEASURE ...]
    python -m calibration.judging report errors.json [--plot chart.svg]

Seeds start at 10,000,000, which training never draws. `score` runs the check in process on
every NAME.jpg with NAME.json beside it and prints, per measure, median, 95th percentile and
largest error, bias, the stated U95 and how often it covered the error, then the verdicts;
with --taped the clearances are read off a soft tape too, which errs as taped.py says it does.
`factors` takes errors of scenes set apart for this (not those that are reported on), finds by what every u is to
be multiplied and keeps that (judging_factors.py). `report` judges what was scored once more, with the uncertainties
as they are scaled now.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from placecheck.known_dome import KnownDome


def true_values(truth: dict[str, Any]) -> dict[str, float]:
    """The answer's names for the truth's measures."""
    m = truth["measures"] | truth.get("cap_on_block", {})
    out = {k: v for k, v in m.items() if isinstance(v, (int, float)) and np.isfinite(v)}
    for side in ("centre", "left", "right"):
        value = (m.get("clearance_mm") or {}).get(side)
        if value is not None and np.isfinite(value):
            out[f"clearance_{side}_mm"] = value
    return out


def near_a_limit(truths: dict[str, float], limits: Any) -> bool:
    """Whether some judged measure truly lies within 2 mm, or 1.5 deg, of a limit of its tolerance."""
    return any(
        abs(truths.get(name, np.inf) - limit) <= (1.5 if name.endswith("_deg") else 2.0)
        for name, pair in limits.items()
        for limit in pair
    )


def lean_deg(truth: dict[str, Any]) -> float:
    """The phone's lean toward the face, by the truth, from the crown."""
    cam, block = truth["camera"], truth["block"]
    r = np.array(cam["R"]) @ np.array(block["R_block_to_world"])
    t = np.array(cam["R"]) @ np.array(block["t_block_to_world"]) + np.array(cam["t"])
    eye = -r.T @ t - np.array([0, 30, 0.8 * block["semi_axes_mm"][2]])
    return float(np.degrees(np.arctan2(eye[1], eye[2])))


def tape_readings(name: str, truths: dict[str, float]) -> dict[str, float]:
    """What a soft tape may read of the photo's clearances (mm), to the half millimetre; the same each time."""
    from placecheck.taped import PLACES, TAPE_READ_U_MM

    rng = np.random.default_rng(list(name.encode()))
    drawn = {place: truths[place] + TAPE_READ_U_MM * rng.normal() for place in PLACES.values()}
    return {place: max(0.0, round(2 * mm) / 2) for place, mm in drawn.items()}


def block_of(photos: Path) -> KnownDome | None:
    """The dome that `placecheck block photos` keeps of the bare block in a folder, as a check sees it; None if none."""
    from placecheck.bare_block.photos import PhotosRefused, measure_block
    from placecheck.bare_block.saved import SavedBlock

    try:
        dome = measure_block(sorted(photos.glob("*.jpg")), photos.name, "left", None, photos).dome
    except PhotosRefused:
        return None
    return SavedBlock(photos.name, "photos", dome, False, "").for_check()


def check_one(
    path: Path, with_cap: bool = False, taped: bool = False, saved_block: bool = False, with_first: bool = False
) -> dict[str, Any]:
    """Run the check on one photo with truth beside it.

    `with_cap`: with NAME-cap.jpg, where there is one; `with_first`: together with NAME-first.jpg; `taped`: with what a
    soft tape reads of its clearances; `saved_block`: with the block of NAME-bare's photos.
    """
    from placecheck.errors import PlacecheckError
    from placecheck.judge import judge, verdict_of
    from placecheck.photo import load_photo
    from placecheck.request import CheckRequest, OtherPhoto
    from placecheck.stages import measure_stage
    from placecheck.taped import with_taped
    from placecheck.uncertainty import total_u
    from placecheck.units import ClosureSize

    truth = json.loads(path.with_suffix(".json").read_text())
    scene = truth["scene"]
    w, length = scene.get("closure_nominal_inch") or (5, 5)
    request = CheckRequest(
        ClosureSize(w * 25.4, length * 25.4, f"{w:g}x{length:g}"), scene["ticket_circumference_inch"] * 25.4
    )
    if truth.get("expect") == "cap":
        request = replace(request, stage="cap")
    bare = path.with_name(f"{path.stem}-bare")
    if saved_block and bare.is_dir():
        request = replace(request, block=block_of(bare))
    cap = path.with_name(f"{path.stem}-cap.jpg")
    if with_cap and cap.exists():
        request = replace(request, cap=str(cap))
    first = path.with_name(f"{path.stem}-first.jpg")
    if with_first and first.exists():
        request = replace(request, others=(OtherPhoto(str(first)),))
    out: dict[str, Any] = {"name": path.stem, "expect": truth.get("expect", "normal"), "lean": lean_deg(truth)}
    start = time.perf_counter()
    try:
        measured = measure_stage(load_photo(path), request, None, None)
    except PlacecheckError as error:
        return out | {"verdict": "retake", "problem": error.problem.code, "seconds": time.perf_counter() - start}
    except Exception as error:
        return out | {"verdict": "crash", "problem": repr(error), "seconds": time.perf_counter() - start}
    pinned = path.with_name(f"{path.stem}-pinned.jpg")
    if pinned.exists():
        out["moves"] = moves_since(pinned, path, truth, request)
    truths = true_values(truth)
    if taped and request.stage == "pinned":
        measured = with_taped(measured, tape_readings(path.stem, truths))
    judged = judge(measured, request.tolerances)
    verdict = verdict_of(judged, measured.specs)
    errors = {
        name: [e.value - truths[name], e.u, e.value, total_u(e.budget)]
        for name, e in measured.estimates.items()
        if name in truths
    }
    within = all(low <= truths.get(name, np.inf) <= high for name, (low, high) in request.tolerances.limits.items())
    missing = {n: p.message for n, p in measured.missing.items()}
    return out | {
        "verdict": verdict,
        "true": "pass" if within else "fix",
        "near": near_a_limit(truths, request.tolerances.limits),
        "errors": errors,
        "grounds": asdict(measured.grounds),
        "against": truth.get("cap_on_block", {}).get("against"),
        "taped": taped,
        "missing": missing,
        "seconds": time.perf_counter() - start,
    }


def moves_since(pinned: Path, stitched: Path, truth: dict[str, Any], request: Any) -> list[list[float]]:
    """[error mm, U95 mm] of every landmark's move to the right and toward the face since the pinned photo."""
    from placecheck.errors import PlacecheckError
    from placecheck.measuring import look
    from placecheck.photo import load_photo
    from placecheck.stitched.stage import moves_between

    try:
        before, after = (look(load_photo(path), request)[1:] for path in (pinned, stitched))
        found = moves_between(before, after, True)
    except PlacecheckError:
        return []
    was = json.loads(pinned.with_suffix(".json").read_text())["measures"]["landmarks_mm"]
    now = truth["measures"]["landmarks_mm"]
    out = []
    for name, move in found.items():
        for i, (value, u) in enumerate(((move.right_mm, move.u_right_mm), (move.face_mm, move.u_face_mm))):
            out.append([value - (now[name][i] - was[name][i]), 2 * u])
    return out


def judged_again(row: dict[str, Any]) -> dict[str, Any]:
    """A scored row of the pinned stage with its budgets scaled as they are now, and the verdict that follows."""
    from placecheck.answer import Estimate, Grounds
    from placecheck.judge import judge_estimate, verdict_of
    from placecheck.tolerances import DEFAULTS
    from placecheck.uncertainty import scaled_u

    if row["expect"] != "normal" or "errors" not in row or row.get("taped"):
        return row
    errors = {}
    for name, (error, _, value, raw) in row["errors"].items():
        u = scaled_u(name, raw, Grounds(**row["grounds"]))
        errors[name] = [error, u, value, raw]
    judged = {
        name: judge_estimate(Estimate(errors[name][2], errors[name][1]), *limits, DEFAULTS.guard_factor)
        for name, limits in DEFAULTS.limits.items()
        if name in errors
    }
    return row | {"errors": errors, "verdict": verdict_of(judged)}


def report(rows: list[dict[str, Any]]) -> None:
    """Print the table of errors, coverage and verdicts."""
    from placecheck.answer import JUDGED, MEASURES

    normal = [r for r in rows if r["expect"] == "normal"]
    full = sum(all(n in r.get("errors", {}) for n in JUDGED) for r in normal)
    print(f"normal photos {len(normal)}; all judged measures on {full} ({100 * full / max(1, len(normal)):.0f} %)")
    for title, part in (
        ("leaning 35 deg or more", [r for r in normal if r["lean"] >= 35]),
        ("leaning less", [r for r in normal if r["lean"] < 35]),
        ("all", normal),
    ):
        print(f"{title} ({len(part)})")
        for spec in MEASURES:
            found = np.array([r["errors"][spec.name] for r in part if spec.name in r.get("errors", {})]).reshape(-1, 4)
            if not len(found):
                continue
            e, u95 = np.abs(found[:, 0]), 2 * found[:, 1]
            covered = 100 * np.mean(e <= u95)
            p = np.percentile(e, [50, 95, 100])
            print(
                f"  {spec.name:28s} n {len(e):4d}  median {p[0]:5.2f}  p95 {p[1]:5.2f}  max {p[2]:6.2f}"
                f"  bias {found[:, 0].mean():+5.2f}  U95 {np.median(u95):5.2f}  covered {covered:3.0f} %"
            )
    false_pass = [r["name"] for r in normal if r["verdict"] == "pass" and r.get("true") == "fix"]
    false_fix = [r["name"] for r in normal if r["verdict"] == "fix" and r.get("true") == "pass"]
    near = [r for r in normal if r.get("near")]
    print(
        f"true passes {sum(r.get('true') == 'pass' for r in normal)}, of them passed "
        f"{sum(r.get('true') == r['verdict'] == 'pass' for r in normal)}; measured near a limit {len(near)}, of them "
        f"passed {sum(r['verdict'] == 'pass' for r in near)}, wrongly {sum(r['name'] in false_pass for r in near)}"
    )
    told = {v: sum(r["verdict"] == v for r in normal) for v in ("pass", "fix", "retake", "crash")}
    print(f"verdicts {told}; false pass {false_pass}; false fix {false_fix}")
    for r in normal:
        if r.get("problem"):
            print(f"  {r['name']}: {r['problem']}")
    moved = [r["moves"] for r in rows if r.get("moves")]
    for i, way in enumerate(("to the right", "toward the face")):
        found = np.array([m for moves in moved for m in moves[i::2]]).reshape(-1, 2)
        if len(found):
            e = np.abs(found[:, 0])
            print(
                f"moves {way}: {len(found)} landmarks of {len(moved)} pairs; median {np.median(e):.2f}, "
                f"95 % {np.percentile(e, 95):.2f}, U95 {np.median(found[:, 1]):.2f}, "
                f"covered {100 * np.mean(e <= found[:, 1]):.0f} %"
            )
    caps = [r for r in rows if r["expect"] == "cap"]
    for name, aim in (("cap_shift_mm", 1.0), ("cap_turn_deg", 0.7)):
        found = np.array([r["errors"][name] for r in caps if name in r.get("errors", {})]).reshape(-1, 4)
        if len(found):
            e = np.abs(found[:, 0])
            p = np.percentile(e, [50, 95])
            print(
                f"cap stage {name}: {len(e)} of {len(caps)}; median {p[0]:.2f}, 95 % {p[1]:.2f}, "
                f"within {aim} on {100 * np.mean(e <= aim):.0f} %, U95 {np.median(2 * found[:, 1]):.2f}, "
                f"covered {100 * np.mean(e <= 2 * found[:, 1]):.0f} %"
            )
    for r in rows:
        if r["expect"] == "cap" and r.get("problem"):
            print(f"  {r['name']}: {r['problem']}")
        elif r["expect"] not in ("normal", "cap"):
            print(f"odd {r['name']}: {r['verdict']} {r.get('problem', '')} (expected {r['expect']})")
    print(f"seconds a check: median {np.median([r['seconds'] for r in rows]):.2f}")


def plot(rows: list[dict[str, Any]], path: Path | None) -> None:
    """Draw the chart of the scored rows, where a path is given."""
    if path is not None:
        from calibration.judging_chart import chart

        path.write_text(chart(rows, f"{len(rows)} scenes with truth: error against stated uncertainty"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    make = commands.add_parser("make")
    make.add_argument("count", type=int)
    make.add_argument("--out", type=Path, required=True)
    make.add_argument("--seed", type=int, default=0)
    make.add_argument("--cupy", action="store_true", help="on a GPU")
    make.add_argument("--pathtraced", action="store_true", help="by Mitsuba, 2016 x 1512; a minute or two a scene")
    make.add_argument("--developing", action="store_true", help="seeds below 10,000,000, for looking and tuning")
    make.add_argument("--near", action="store_true", help="closures placed near the limits of the tolerances")
    make.add_argument("--well", action="store_true", help="closures placed so that they should pass")
    make.add_argument("--pins", action="store_true", help="with ball pins at corners, fold and centre line")
    make.add_argument("--as-told", action="store_true", help="leaning 35 to 50 degrees, too")
    make.add_argument("--cap-first", action="store_true", help="with a photo NAME-cap.jpg of the cap alone for each")
    make.add_argument("--alike", action="store_true", help="of these, both leaning from nearly the same side")
    make.add_argument("--second", action="store_true", help="with a photo NAME-first.jpg from another side for each")
    make.add_argument("--stitched", action="store_true", help="each stitched after a photo NAME-pinned.jpg of it")
    make.add_argument("--bare-first", action="store_true", help="with photos of the bare block in NAME-bare for each")
    make.add_argument("--kind", default="normal", help="a kind of scene of fixtures.scenes")
    score = commands.add_parser("score")
    score.add_argument("folders", type=Path, nargs="+")
    score.add_argument("--jobs", type=int, default=2)
    score.add_argument("--with-cap", action="store_true", help="each with its photo of the cap alone")
    score.add_argument("--with-first", action="store_true", help="each together with its photo from another side")
    score.add_argument("--saved-block", action="store_true", help="each with the block that NAME-bare's photos give")
    score.add_argument("--taped", action="store_true", help="each with clearances read off a soft tape")
    score.add_argument("--out", type=Path)
    score.add_argument("--plot", type=Path, help="error against stated U95, SVG")
    fit = commands.add_parser("factors")
    fit.add_argument("errors", type=Path, nargs="+")
    pinned = "those of photos with a pin before the hairline"
    fit.add_argument("--pinned", action="store_true", dest="line_pinned", help=pinned)
    fit.add_argument("--cap-tied", action="store_true", help="those whose rim a photo of the cap alone shows, tied")
    fit.add_argument("--together", action="store_true", help="those measured together with one from another side")
    fit.add_argument("--renew", nargs="+", help="measures to renew; the others' scales stay")
    again = commands.add_parser("report")
    again.add_argument("errors", type=Path, nargs="+")
    again.add_argument("--plot", type=Path, help="error against stated U95, SVG")
    args = parser.parse_args()
    if args.command == "make":
        from calibration.judging_scenes import make_scenes

        make_scenes(args)
    elif args.command == "score":
        photos = sorted(p for folder in args.folders for p in folder.glob("*.jpg") if p.with_suffix(".json").exists())
        asked = {name: getattr(args, name) for name in ("with_cap", "taped", "saved_block", "with_first")}
        check = partial(check_one, **asked)
        for given, ending in ((args.with_cap, "-cap"), (args.with_first, "-first")):
            photos = [p for p in photos if not (given and p.stem.endswith(ending))]
        if args.jobs > 1:
            with ProcessPoolExecutor(args.jobs) as pool:
                rows = list(pool.map(check, photos))
        else:
            rows = [check(p) for p in photos]
        report(rows)
        if args.out:
            args.out.write_text(json.dumps(rows, indent=1))
        plot(rows, args.plot)
    elif args.command == "report":
        rows = [judged_again(row) for path in args.errors for row in json.loads(path.read_text())]
        report(rows)
        plot(rows, args.plot)
    else:
        from calibration.judging_factors import renew

        renew(args)


if __name__ == "__main__":
    main()
