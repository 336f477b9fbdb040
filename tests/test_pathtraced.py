"""The path-traced scenes: pictures against the truth of fixtures.scenes, found by OpenCV and by thresholds.

Skipped where Mitsuba or an LLVM of 16 or later is missing. Pictures are small, with few samples and small
textures; the bounds are pixels of the rendered crop.
"""

from __future__ import annotations

import dataclasses
import json

import cv2
import numpy as np
import pytest

pytest.importorskip("mitsuba")

from fixtures import scenes
from fixtures.pathtraced import coats, render, save, world
from fixtures.scenes import sample_scene, silhouette_mask, truth
from fixtures.scenes.bench import board

CLEAN = {"noise": 0.0, "motion": (0.0, 0.0), "sharpen": 0.0, "jpeg": 95, "orientation": 1, "blur": 0.4, "exposure": 0.0}


@pytest.fixture(autouse=True, scope="module")
def _small_textures():
    try:
        world._mitsuba()
    except SystemExit as error:
        pytest.skip(str(error))
    saved = coats.TEXELS, world.TABLE_TEXELS
    coats.TEXELS, world.TABLE_TEXELS = 700, 512
    yield
    coats.TEXELS, world.TABLE_TEXELS = saved


def around(points_px, size, margin):
    """A view of the given size around photo pixels."""
    px = np.asarray(points_px, float)
    low, high = px.min(0), px.max(0)
    k = min(np.array(size) / (margin * (high - low)))
    c = (low + high) / 2
    return np.array([[k, 0, size[0] / 2 - k * c[0]], [0, k, size[1] / 2 - k * c[1]]]), size


def in_view(view, px):
    return np.asarray(px) @ view[0][:, :2].T + view[0][:, 2]


def test_card_corners_are_where_the_truth_and_the_fast_picture_have_them():
    scene = sample_scene(11, lean_deg=42, distance_mm=520, size=(1600, 1200), shot=CLEAN, hand=False, clutter=0)
    card = truth(scene, full=False)["card"]["cards"][0]
    view = around(card["sheet_corners_px"], (320, 240), 1.08)
    want = in_view(view, card["charuco_corners_px"])
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.01
    detector = cv2.aruco.CharucoDetector(board(), cv2.aruco.CharucoParameters(), parameters)
    found = {}
    for name, picture in (
        ("traced", render(scene, view, samples=(4, 4), compress=False)),
        ("fast", scenes.render(scene, view=view, supersample=2, compress=False)),
    ):
        assert picture.shape == (240, 320, 3)
        corners, ids, _, _ = detector.detectBoard(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
        assert corners is not None, name
        error = corners.reshape(-1, 2) - want[np.ravel(ids)]
        assert len(error) >= 20, name
        assert np.abs(error.mean(0)).max() < 0.1, name
        assert np.linalg.norm(error, axis=1).max() < 0.5, name
        found[name] = dict(zip(np.ravel(ids).tolist(), corners.reshape(-1, 2), strict=True))
    both = sorted(set(found["traced"]) & set(found["fast"]))
    apart = np.array([found["traced"][i] - found["fast"][i] for i in both])
    assert np.linalg.norm(apart, axis=1).max() < 0.5


def rim_crossings(picture, rim, hair, reach=9.0):
    """Distances (n,) along the line across the rim from the truth to where grey crosses its middle, pixels."""
    grey = cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), (0, 0), 0.8).astype(np.float32)
    along = np.gradient(rim, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], -1)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    across *= np.sign(((hair - rim.mean(0)) * across).sum(-1, keepdims=True))  # toward the cap
    k = np.arange(-reach, reach + 0.01, 0.25)
    at = (rim[:, None] + k[None, :, None] * across[:, None]).astype(np.float32)
    line = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    level = (line[:, :8].mean(1) + line[:, -8:].mean(1)) / 2
    under = line < level[:, None]
    return k[np.argmax(under, axis=1)]


def test_block_and_rim_are_where_the_truth_has_them():
    scene = sample_scene(
        23,
        kind="no-closure",
        lean_deg=40,
        distance_mm=560,
        size=(1600, 1200),
        shot=CLEAN,
        hand=False,
        clutter=0,
        table="laminate",
        light="overcast",
        block={"colour": (0.95, 0.95, 0.93), "printed": False, "texture": 0.2, "canvas": "greywhite", "stand": "none"},
        cap={
            "colour": (0.05, 0.05, 0.05),
            "band_colour": (0.05, 0.05, 0.05),
            "seam_colour": (0.05, 0.05, 0.05),
            "hole": 0.0,
        },
        dressing={"ball_pins": (), "rim_pins": 0, "t_pins": 0, "clips": ()},
    )
    bench = dataclasses.replace(scene.bench, colour=(0.1, 0.3, 0.1), colour2=(0.1, 0.3, 0.1), contrast=0.1, gloss=0.0)
    scene = dataclasses.replace(scene, bench=bench)
    facts = truth(scene)
    view = around(facts["landmarks"]["block_outline_widest"]["px"], (320, 240), 1.5)
    traced = render(scene, view, samples=(4, 8), compress=False)
    # the outline of the bare white block against the green table: nothing wrong beyond 1.5 px of it
    mask = silhouette_mask(scene, view).astype(np.uint8)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    inside, outside = cv2.erode(mask, disc, iterations=2), 1 - cv2.dilate(mask, disc, iterations=2)
    colour = traced.astype(int)
    green = colour[..., 1] > 1.25 * np.maximum(colour[..., 2], colour[..., 0])
    near = cv2.dilate(mask, disc, iterations=12) > 0
    assert (green & (inside > 0)).sum() <= 0.002 * inside.sum()
    assert (green & (outside > 0) & near).sum() > 0.98 * ((outside > 0) & near).sum()
    # the rim of the black cap on the white block
    marks = facts["landmarks"]["cap_front_edge"]
    rim = in_view(view, marks["px"])
    ok = np.array(marks["visible"])
    middle = np.abs(np.arange(len(ok)) - len(ok) // 2) < 45
    cap = in_view(view, facts["landmarks"]["cap_centre_line"]["px"])[120]
    for picture in (traced, scenes.render(scene, view=view, supersample=2, compress=False)):
        off = rim_crossings(picture, rim, cap)[ok & middle]
        assert len(off) > 40
        assert abs(np.median(off)) < 0.7
        assert np.percentile(np.abs(off), 95) < 1.5


def test_saved_scene_has_the_truth_of_the_fast_one(tmp_path):
    scene = sample_scene(
        12, size=(320, 240), distance_mm=500, style="bun", closure_inch=(4, 4), shot={"orientation": 6}
    )
    path = save(scene, tmp_path, "small", samples=(2, 4))
    facts = json.loads((tmp_path / "small.json").read_text())
    assert facts == json.loads(json.dumps(truth(scene, "small")))
    upright = cv2.imread(str(path))
    assert upright.shape == (240, 320, 3)
    assert 20 < upright.mean() < 230
