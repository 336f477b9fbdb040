"""Generated blocks as a camera sees them, without pixels: outline, card corners and landmarks with noise.

The block is one of fixtures/scenes (its own formula and its own bumps, not dome.py's), so that a shape which the
program's family cannot follow is part of what is tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fixtures.scenes import sample_scene
from fixtures.scenes.bench import board, card_pose
from fixtures.scenes.draw_view import project
from fixtures.scenes.layout import Layout, layout
from fixtures.scenes.model import Scene
from fixtures.scenes.shape import BlockSurface, block_to_world
from fixtures.scenes.truth import Sketch, _landmarks, _measures, focal_35mm
from placecheck.bare_block.joint import BlockView
from placecheck.block import Geometry, outline_px, prior_for, start_place, yaw_on_table
from placecheck.block_fit import BlockFit, RoughStart, fit_block
from placecheck.block_residuals import Shown
from placecheck.camera import Camera, camera_for
from placecheck.measure import measure_at, put_on_dome
from placecheck.observed import Line, Mark, Observed
from placecheck.observing import clues_of
from placecheck.request import CheckRequest
from placecheck.uncertainty import budgets, total_u
from placecheck.units import ClosureSize

BOARD_MM = np.asarray(board().getChessboardCorners(), float).reshape(-1, 3)[:, :2]
CORNER_U_PX, OUTLINE_U_PX, MARK_U_PX = 0.15, 0.5, 0.5


class TrueDome(BlockSurface):
    """A scene's block with `lift` mm of cap over it, as far as Geometry needs it to be a Dome."""

    @property
    def height_mm(self) -> float:
        return self.block.c


def true_geometry(scene: Scene, lift: float) -> Geometry:
    """The scene's own camera and block."""
    cam = scene.camera
    r, t = np.array(cam.R), np.array(cam.t)
    r_block, origin = block_to_world(scene.block)
    return Geometry(
        cam.f, np.array([cam.cx, cam.cy]), cam.k1, TrueDome(scene.block, lift), r @ r_block, r @ origin + t, r, t
    )


@dataclass(frozen=True)
class View:
    """One photo's worth of numbers: camera as EXIF tells it, card corners, outline, landmarks, all in px."""

    scene: Scene
    camera: Camera
    corners_px: np.ndarray
    outline_px: np.ndarray
    observed: Observed
    truth: dict[str, float]
    request: CheckRequest


def corners_of(scene: Scene) -> np.ndarray:
    """True pixels of the card's corners."""
    card = scene.cards[0]
    r, t = card_pose(card)
    flat = np.concatenate([BOARD_MM, np.zeros((len(BOARD_MM), 1))], 1)
    return project(scene.camera, flat * card.print_scale @ r.T + t)


def outline_of(scene: Scene, lift: float, rng: np.random.Generator, n: int = 112) -> np.ndarray:
    """The outline's pixels with noise, half of it shared by neighbours (as edges of cloth have it)."""
    px = outline_px(true_geometry(scene, lift), n)
    wave = rng.normal(0, 1, (n, 2))
    smooth = np.fft.ifft(np.fft.fft(wave, axis=0) * np.exp(-((np.fft.fftfreq(n, 1 / n) / 12.0) ** 2))[:, None], axis=0)
    shared = smooth.real / smooth.real.std()
    return px + OUTLINE_U_PX * (0.7 * wave + 0.7 * shared)


def phone(scene: Scene) -> Camera:
    return camera_for(scene.camera.width, scene.camera.height, focal_35mm(scene))


@lru_cache(maxsize=64)
def pinned(seed: int, lean_deg: float | None = None, inch: tuple[int, int] = (5, 5)) -> Scene:
    """A pinned closure on a block; the size of the picture is fixed so that noise means the same everywhere."""
    fixed = {} if lean_deg is None else {"lean_deg": lean_deg}
    no_ridge = {"crease_height": 0.0}  # the fold mark would stand on a ridge of its own
    return sample_scene(seed, size=(2016, 1512), closure_inch=inch, distance_mm=560.0, closure=no_ridge, **fixed)


def _line(marks: dict, keep: np.ndarray, rng: np.random.Generator, u_px: float) -> Line:
    px = np.array(marks["px"])[keep]
    return Line(px + rng.normal(0, u_px, px.shape), np.full(len(px), u_px))


@lru_cache(maxsize=64)
def pinned_view(seed: int, lean_deg: float, mark_u_px: float = MARK_U_PX) -> View:
    """A view of `pinned`, always with the same noise; drawing one costs as much as fitting it three times."""
    return view_of(pinned(seed, lean_deg), np.random.default_rng(seed + 100), mark_u_px)


def view_of(scene: Scene, rng: np.random.Generator, mark_u_px: float = MARK_U_PX) -> View:
    """What a careful finder would see of a scene."""
    lay: Layout = layout(scene)
    marks = _landmarks(Sketch(scene, lay))
    true = true_geometry(scene, scene.closure.lift)

    def faces(mark: dict) -> np.ndarray:
        return true.visible(np.array(mark["block"]), 0.08)

    m = _measures(lay)
    truth = {k: v for k, v in m.items() if isinstance(v, float)}
    truth |= {f"clearance_{side}_mm": m["clearance_mm"][side] for side in ("left", "centre", "right")}
    cov = np.eye(2) * mark_u_px**2
    points = {n: marks[n] for n in ("fold_front", "fold_back")} | marks["closure_corners"]
    seen = {n: Mark(np.array(p["px"]) + rng.normal(0, mark_u_px, 2), cov) for n, p in points.items() if faces(p)}
    rim = marks["cap_front_edge"]
    centre = marks["cap_centre_line"]
    observed = Observed(
        seen,
        {},
        _line(rim, faces(rim), rng, mark_u_px),
        _line(marks["hairline"], faces(marks["hairline"]), rng, mark_u_px),
        _line(centre, faces(centre) & np.array(centre["on_cap"]), rng, mark_u_px),
    )
    w, ln = scene.closure.inch
    request = CheckRequest(ClosureSize(w * 25.4, ln * 25.4, f"{w}x{ln}"), scene.block.tape_inch * 25.4)
    corners = corners_of(scene) + rng.normal(0, CORNER_U_PX, (len(BOARD_MM), 2))
    return View(
        scene,
        phone(scene),
        corners,
        outline_of(scene, scene.cap.thickness, rng),
        observed,
        truth,
        request,
    )


def fit_view(
    view: View, prior=None, board_mm: np.ndarray = BOARD_MM, circumference_mm: float | None = None
) -> BlockFit:
    """The block fitted as the check does it: outline first, then with the closure's clues."""
    around = circumference_mm or view.request.block_circumference_mm
    prior = prior or prior_for(view.camera, around)
    truth = true_geometry(view.scene, 0.0)
    middle = view.outline_px.mean(0)
    face = np.diff(truth.to_px(np.array([[0, 0, 100.0], [0, 20, 100.0]])), axis=0)[0]
    yaw = yaw_on_table(view.camera, board_mm, view.corners_px, middle, face / np.linalg.norm(face)) + 3.0
    place = start_place(view.camera, board_mm, view.corners_px, middle)
    shown = Shown(view.camera, board_mm, view.corners_px, CORNER_U_PX, view.outline_px, OUTLINE_U_PX)
    fit = fit_block(shown, prior, RoughStart(yaw, place))
    for _ in range(2):
        fit = fit_block(shown, prior, fit.theta, clues_of(view.observed, fit.geometry, view.request), iterations=8)
    return fit


def measured(view: View, fit: BlockFit) -> dict[str, tuple[float, float]]:
    """Error and standard uncertainty (no factors) of every measure that can be had."""
    width = view.request.closure.width_mm
    on = put_on_dome(fit.geometry, view.observed, chart_step_mm=2.0)
    values = measure_at(on, width)
    parts = budgets(fit, view.observed, on, width, values)
    return {n: (values[n] - view.truth[n], total_u(p)) for n, p in parts.items() if n in view.truth}


def seen_from(scene: Scene, name: str, rng: np.random.Generator) -> BlockView:
    """One photo of the bare block, as a careful finder would see it."""
    corners = corners_of(scene) + rng.normal(0, CORNER_U_PX, (len(BOARD_MM), 2))
    outline = outline_of(scene, 0.0, rng, 72)
    return BlockView(phone(scene), BOARD_MM, corners, CORNER_U_PX, outline, OUTLINE_U_PX, name)
