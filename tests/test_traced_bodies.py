"""Meshes and strands of the path-traced scenes, without a renderer: closed forms and the layout.

Sources: volumes of capsule, prism and ring; the divergence theorem for a closed mesh's volume.
"""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.pathtraced.coats import lace_layer
from fixtures.pathtraced.meshes import Sheet, capsule, flat_thing, prism
from fixtures.pathtraced.strands import hair
from fixtures.scenes import sample_scene
from fixtures.scenes.arrays import noise
from fixtures.scenes.layout import layout
from fixtures.scenes.model import Flat, Rod
from fixtures.scenes.shape import BlockSurface


def volume(mesh):
    """Volume within an outward facing closed mesh."""
    a, b, c = (mesh.points[mesh.faces[:, i]] for i in range(3))
    return abs(float((a * np.cross(b, c)).sum() / 6))


def test_bodies_have_their_volumes():
    rod = Rod((10.0, 0.0, 5.0), (30.0, 20.0, 8.0), 3.0, (0.5, 0.5, 0.5), 0.0)
    length = np.linalg.norm(np.subtract(rod.b, rod.a))
    assert volume(capsule(rod)) == pytest.approx(np.pi * 9 * length + 4 / 3 * np.pi * 27, rel=0.02)
    square = np.array([[0.0, 0], [4, 0], [4, 3], [0, 3]])
    assert np.ptp(prism(square, 1.0, 3.0, (0, 0, 0)).points, axis=0) == pytest.approx([4, 3, 2])
    ring = flat_thing(Flat("ring", (5.0, 7.0), (30.0, 15.0), 20.0, (0.5, 0.5, 0.5), 8.0))
    assert np.hypot(*(ring.points[:, :2] - (5, 7)).T).max() == pytest.approx(30.0)
    assert ring.points[:, 2].max() == pytest.approx(8.0)


def test_sheet_is_the_layouts_surface():
    lay = layout(sample_scene(11, closure_inch=(5, 5)))
    rng = np.random.default_rng(3)
    s, t = rng.uniform(-66, 66, 200), rng.uniform(-130, 8, 200)
    want = lay.points(s, t) @ lay.rotation.T + lay.translation
    assert np.linalg.norm(Sheet(lay).at(s, t) - want, axis=1).max() < 0.02


@pytest.mark.parametrize("style", ["roll", "bun", "parted", "plait", "flat"])
def test_strands_lie_on_the_closure_and_end_at_its_edges(style):
    scene = sample_scene(11, closure_inch=(5, 5), style=style, dressing={"retreat": (1.0, 0.5, 0.2, 0.2)})
    lay = layout(scene)
    strands = hair(lay, Sheet(lay)).strands
    loose = strands[0]
    used = np.arange(loose.paths.shape[1])[None, :] < loose.count[:, None]
    p = (loose.paths[used] - lay.translation) @ lay.rotation
    n = np.linalg.norm(p, axis=1)
    high = n - BlockSurface(scene.block, scene.closure.lift).radius(p / n[:, None])
    d = scene.dressing
    most = 1.5 * (d.thickness + 1.0 + (1.2 * d.knot_height if style in ("bun", "parted") else 0.0))
    assert np.isfinite(p).all()
    assert high.min() > -0.1
    assert high.max() < most
    uv = lay.chart.to_uv(p[:: max(1, len(p) // 4000)])
    s, t = lay.place.to_st(uv[:, 0], uv[:, 1], rounds=12)
    ok = np.isfinite(s) & np.isfinite(t)
    assert ok.mean() > 0.97
    beyond = np.maximum(np.abs(s[ok]) - 63.5, np.maximum(t[ok], -127 - t[ok]))
    assert np.percentile(beyond, 99.5) < max(d.overrun) + 0.6
    # hair is rooted close behind the hairline all along its width
    roots = (loose.paths[:, 0] - lay.translation) @ lay.rotation
    uv = lay.chart.to_uv(roots)
    s, t = lay.place.to_st(uv[:, 0], uv[:, 1], rounds=12)
    rooted, _ = np.histogram(s[(t > -5) & (t < 2.5)], bins=np.linspace(-60, 60, 13))
    assert rooted.min() * 2 * np.median(loose.radius) > 5.0  # side by side they would cover half of each 10 mm
    if style in ("roll", "plait"):
        q = (strands[1].paths.reshape(-1, 3) - lay.translation) @ lay.rotation
        n = np.linalg.norm(q, axis=1)
        knot = n - BlockSurface(scene.block, scene.closure.lift).radius(q / n[:, None])
        top = 0.5 * d.thickness + (0.925 * d.knot_size if style == "roll" else 1.02 * d.knot_height)
        assert knot.max() == pytest.approx(top, rel=0.12)


def test_lace_is_as_dense_as_the_scene_says():
    for opacity in (0.15, 0.6):
        changes = {"opacity": opacity, "edge": "straight", "edge_line": 0.0}
        lay = layout(sample_scene(11, closure_inch=(5, 5), style="flat", chalk="none", closure=changes))
        s, t = np.meshgrid(np.arange(-30, 30, 0.2), np.arange(-60, -30, 0.2))
        layer = lace_layer(lay, s, t, 0.15)
        beside = np.abs(s) > 3
        tight = 1 + 0.35 * opacity * noise(
            np, "cloud", s, t, 150.0, lay.scene.closure.key
        )  # as the fast renderer has it
        assert layer.opacity[beside].mean() == pytest.approx((opacity * tight)[beside].mean(), rel=0.12)
        assert layer.opacity[beside].max() > 0.85  # threads, not a veil
        assert layer.opacity[beside].min() < 0.1 or opacity > 0.5
