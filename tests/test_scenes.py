"""The scene generator: its truth against closed forms and OpenCV, its pictures against its truth.

Sources: a sphere's outline is a circle of radius f r / sqrt(d^2 - r^2) (projective geometry,
Hartley and Zisserman ch. 8); great-circle lengths on a sphere; OpenCV's projectPoints,
findHomography and ChArUco detector; EXIF tags as Pillow reads them.
"""

from __future__ import annotations

import dataclasses
import json

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from fixtures.scenes import KINDS, render, sample_scene, save, silhouette_mask, truth
from fixtures.scenes.arrays import look_up, map_directions, to_map
from fixtures.scenes.bench import board
from fixtures.scenes.dressing import dress
from fixtures.scenes.layout import chart_at, layout
from fixtures.scenes.model import Closure
from fixtures.scenes.paint import paint
from fixtures.scenes.quiet import SEWN_LEAN, SEWN_MM
from fixtures.scenes.shape import BlockSurface, Placement
from fixtures.scenes.stages import stitched_later
from placecheck.surface import geodesic_mm, onto

FLAT = {
    "corners": ((0.0, 0.0),) * 4,
    "bow": (0.0, 0.0),
    "ripple": (0.0, 5.0, 5.0, 0.0, 0.0),
    "stretch": (1.0, 1.0),
    "flare": (0.0, 2.0),
}
SPHERE = {"a": 100.0, "b": 100.0, "c": 100.0, "c_low": 100.0, "egg": 0.0, "bumps": (), "lean_deg": 0.0, "stand": "none"}
CLEAN = {"noise": 0.0, "motion": (0.0, 0.0), "sharpen": 0.0, "jpeg": 95, "orientation": 1}


def around(scene, points_px, size=448, margin=1.2):
    """A view of the given size around photo pixels."""
    px = np.asarray(points_px, float)
    low, high = px.min(0), px.max(0)
    k = size / (margin * (high - low).max())
    c = (low + high) / 2
    return np.array([[k, 0, size / 2 - k * c[0]], [0, k, size / 2 - k * c[1]]]), (size, size)


def shortened_mm(surface, start, end, n=25, rounds=500):
    """Geodesic length by curve shortening (Birkhoff): points go to the middle of their neighbours, on the surface."""
    w = np.linspace(0, 1, n)[:, None]
    p = (1 - w) * start + w * end
    for i in range(rounds):
        if i:
            p[1:-1] = (p[:-2] + p[2:]) / 2
        p = onto(surface, p)
    return float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum())


@pytest.fixture(scope="module")
def face():
    scene = sample_scene(
        11,
        lean_deg=42,
        side_deg=3,
        distance_mm=520,
        size=(1600, 1200),
        closure_inch=(5, 5),
        style="roll",
        hair_colour="black",
        cap_colour="beige",
        ball_pins=True,
        dressing={"pin_colour": (0.05, 0.85, 0.1), "pin_diameter": 4.5, "clips": (), "knot_t": 0.6},
        shot=CLEAN,
        hand=False,
    )
    return scene, truth(scene, "face")


def test_same_seed_same_scene_same_picture():
    view = (np.array([[0.25, 0, 0], [0, 0.25, 0]]), (160, 120))
    first = render(sample_scene(5), view=view)
    for other in (6, 7, 8):  # push the first out of the cache
        render(sample_scene(other), view=(np.array([[0.05, 0, 0], [0, 0.05, 0]]), (32, 24)))
    again = sample_scene(5)
    assert again == sample_scene(np.int64(5))
    assert np.array_equal(first, render(again, view=view))
    assert sample_scene(6) != again


def test_landmarks_are_where_opencv_projects_them(face):
    _, facts = face
    cam = facts["camera"]
    k, dist = np.array(cam["K"]), np.array(cam["dist"])
    rvec, _ = cv2.Rodrigues(np.array(cam["R"]))
    marks = facts["landmarks"]
    r, t = np.array(facts["block"]["R_block_to_world"]), np.array(facts["block"]["t_block_to_world"])
    for name in ("cap_front_edge", "cap_centre_line", "hairline", "fold_line", "lace_outline", "ventilated_outline"):
        m = marks[name]
        world = np.array(m["block"]) @ r.T + t
        assert np.abs(world - np.array(m["world"])).max() < 2e-4
        px, _ = cv2.projectPoints(world, rvec, np.array(cam["t"]), k, dist)
        assert np.abs(px.reshape(-1, 2) - np.array(m["px"])).max() < 0.01
        assert len(m["visible"]) == len(m["px"])


def test_landmarks_lie_on_the_surfaces_they_belong_to(face):
    scene, facts = face
    bare = BlockSurface(scene.block)

    def above(points):
        p = np.array(points)
        n = np.linalg.norm(p, axis=-1)
        return n - bare.radius(p / n[..., None])

    marks = facts["landmarks"]
    assert np.abs(above(marks["cap_front_edge"]["block"]) - scene.cap.rim_thickness).max() < 0.01
    assert np.abs(above(marks["cap_centre_line"]["block"]) - scene.cap.thickness).max() < 0.02
    lace = above(marks["lace_outline"]["block"])
    assert lace.min() > scene.closure.lift - 0.05
    assert lace.max() < scene.closure.lift + scene.closure.crease_height + 0.05
    corners = [v["block"] for v in marks["closure_corners"].values()]
    assert np.abs(above(corners) - scene.closure.lift).max() < 0.02


def test_card_corners_obey_a_homography_and_the_detector_finds_them(face):
    scene, facts = face
    card = facts["card"]["cards"][0]
    corners = np.asarray(board().getChessboardCorners(), np.float32)[:, :2]
    straight = dataclasses.replace(scene, camera=dataclasses.replace(scene.camera, k1=0.0))
    px = np.array(truth(straight, full=False)["card"]["cards"][0]["charuco_corners_px"])
    h, _ = cv2.findHomography(corners, px)
    assert np.abs(cv2.perspectiveTransform(corners[None], h)[0] - px).max() < 0.01
    true = np.array(card["charuco_corners_px"])
    view = around(scene, card["sheet_corners_px"], 512)
    picture = render(scene, view=view, supersample=2)
    found, ids, _, _ = cv2.aruco.CharucoDetector(board()).detectBoard(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY))
    assert found is not None
    found = found.reshape(-1, 2)
    assert len(found) == 24
    want = true[np.asarray(ids).ravel()] @ view[0][:, :2].T + view[0][:, 2]
    error = (found - want) / view[0][0, 0]  # photo pixels
    assert np.abs(error.mean(0)).max() < 0.05
    assert np.sqrt((error**2).sum(1).mean()) < 0.15


def test_sphere_measures_have_closed_forms():
    skew = 3.0
    scene = sample_scene(
        3,
        block={**SPHERE, "height": 150.0},
        cap={"yaw_deg": 0.0, "shift": 0.0, "rim": tuple((float(a), 30.0) for a in range(0, 181, 30))},
        closure={**FLAT, "inch": (4.0, 4.0), "offset": 2.0, "skew_deg": 0.0, "clearance": 9.0, "lift": 1.4},
    )
    m = truth(scene)["measures"]
    r, w = 101.4, 101.6
    assert m["fold_offset_front_mm"] == pytest.approx(2.0, abs=2e-3)
    assert m["offset_mm"] == pytest.approx(2.0, abs=2e-3)
    assert m["skew_deg"] == pytest.approx(0.0, abs=1e-3)
    assert m["front_corner_asymmetry_mm"] == pytest.approx(4.0, abs=5e-3)
    # both front corners lie on one geodesic at right angles to the centre line
    assert m["width_front_mm"] == pytest.approx(w, abs=0.02)
    for side, u in (("length_left_mm", 2 - w / 2), ("length_right_mm", 2 + w / 2)):
        lat, lon = u / r, w / r
        angle = 2 * np.arcsin(np.cos(lat) * np.sin(lon / 2))
        assert m[side] == pytest.approx(r * angle, abs=0.02)
    # clearance along lines of constant u from the rim at z = 30 to the hairline
    lon_hair = np.arccos(30 / (r * np.cos(2 / r))) + 9.0 / r
    for side, shift in (("centre", 0.0), ("left", -25.0), ("right", 25.0)):
        lat = (2 + shift) / r
        lon_rim = np.arccos(30 / (r * np.cos(lat)))
        assert m["clearance_mm"][side] == pytest.approx(r * np.cos(lat) * (lon_hair - lon_rim), abs=0.03)
    turned = dataclasses.replace(scene, closure=dataclasses.replace(scene.closure, skew_deg=skew))
    assert truth(turned)["measures"]["skew_deg"] == pytest.approx(skew, abs=0.01)


def test_measures_agree_with_the_landmarks(face):
    scene, facts = face
    m, marks = facts["measures"], facts["landmarks"]
    surface = BlockSurface(scene.block, scene.closure.lift)
    corner = {k: np.array(v["block"]) for k, v in marks["closure_corners"].items()}
    for name, a, b in (
        ("width_front_mm", "front_left", "front_right"),
        ("width_back_mm", "back_left", "back_right"),
        ("length_left_mm", "front_left", "back_left"),
    ):
        assert m[name] == pytest.approx(float(geodesic_mm(surface, corner[a], corner[b], step_mm=1.0)), abs=0.02)
        assert m[name] == pytest.approx(shortened_mm(surface, corner[a], corner[b]), abs=0.04)
    uv = layout(scene).chart.to_uv(np.array([marks["fold_front"]["block"], marks["fold_back"]["block"]]))
    assert uv[0, 0] == pytest.approx(m["fold_offset_front_mm"], abs=0.02)
    assert uv[1, 0] == pytest.approx(m["fold_offset_back_mm"], abs=0.02)
    assert m["skew_deg"] == pytest.approx(np.degrees(np.arctan2(uv[0, 0] - uv[1, 0], uv[0, 1] - uv[1, 1])), abs=0.01)
    hair = np.array(marks["hairline"]["block"])
    along = np.linalg.norm(np.diff(hair, axis=0), axis=1).sum()
    assert along >= m["width_front_mm"] - 0.05


def test_sphere_outline_has_the_projective_radius():
    scene = sample_scene(4, block={**SPHERE, "height": 160.0}, size=(1200, 900))
    r = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    d, f = 560.0, 900.0
    where = np.array([0, 0, 160.0 + d])
    camera = dataclasses.replace(
        scene.camera, R=tuple(map(tuple, r)), t=tuple(-r @ where), f=f, cx=600.0, cy=450.0, k1=0.0, distance=d - 100
    )
    mask = silhouette_mask(dataclasses.replace(scene, camera=camera))
    radius = f * 100 / np.sqrt(d**2 - 100**2)
    assert np.sqrt(mask.sum() / np.pi) == pytest.approx(radius, rel=1e-3)
    y, x = np.nonzero(mask)
    assert (x.mean(), y.mean()) == pytest.approx((600, 450), abs=0.1)


def test_silhouette_follows_the_surface(face):
    scene, facts = face
    view = around(scene, facts["landmarks"]["block_outline_widest"]["px"], 400, 1.9)
    mask = silhouette_mask(scene, view)
    d = map_directions(np, 401).reshape(-1, 3)
    d = d[np.linalg.norm(d, axis=1) > 0.9]
    world = (d * BlockSurface(scene.block).radius(d)[:, None]) @ layout(scene).rotation.T + layout(scene).translation
    world = world[world[:, 2] > 0]
    cam = facts["camera"]
    px, _ = cv2.projectPoints(
        world, cv2.Rodrigues(np.array(cam["R"]))[0], np.array(cam["t"]), np.array(cam["K"]), np.array(cam["dist"])
    )
    at = px.reshape(-1, 2) @ view[0][:, :2].T + view[0][:, 2]
    hull = cv2.convexHull(at.astype(np.float32))
    drawn = cv2.fillPoly(np.zeros((400, 400), np.uint8), [np.round(hull * 16).astype(np.int32)], 1, shift=4) > 0
    assert (mask & ~cv2.dilate(drawn.astype(np.uint8), np.ones((3, 3))).astype(bool)).sum() == 0
    assert (mask & drawn).sum() > 0.985 * drawn.sum()


def test_ball_pins_are_drawn_where_the_truth_says(face):
    scene, facts = face
    checked = 0
    for pin in facts["pins"]:
        if (
            pin["type"] != "ball_pin"
            or not pin["visible"]
            or not pin["name"].startswith(("corner_front", "cap_centre_front"))
        ):
            continue
        c = np.array(pin["head_px"])
        view = (np.array([[4.0, 0, 40 - 4 * c[0]], [0, 4.0, 40 - 4 * c[1]]]), (81, 81))
        p = render(scene, view=view, compress=False).astype(float)
        green = (p[..., 1] > 1.35 * p[..., 2]) & (p[..., 1] > 1.35 * p[..., 0]) & (p[..., 1] > 30)
        _, labels = cv2.connectedComponents(green.astype(np.uint8))
        assert labels[40, 40] > 0, pin["name"]
        y, x = np.nonzero(labels == labels[40, 40])
        assert np.hypot(x.mean() - 40, y.mean() - 40) / 4 < 0.6, pin["name"]
        checked += 1
    assert checked >= 2


def test_hair_hides_the_fold_and_leaves_the_hairline(face):
    scene, facts = face
    marks = facts["landmarks"]
    assert np.mean(marks["hairline"]["visible"]) > 0.9
    fold = np.array(marks["fold_line"]["visible"])
    length = scene.closure.inch[1] * 25.4
    t = np.linspace(scene.closure.bare, -length - scene.closure.selvage, 81)
    assert not fold[(t < -12) & (t > -length + 12)].any()
    assert fold[(t > 1) & (t < scene.closure.bare)].all()
    # the picture agrees: bare lace in front of the hairline, black hair behind it
    at = layout(scene).points(np.array([-20.0, -20.0]), np.array([4.0, -6.0]))
    world = at @ layout(scene).rotation.T + layout(scene).translation
    from fixtures.scenes.draw_view import project

    px = project(scene.camera, world)
    view = (np.array([[1.0, 0, -px[:, 0].min() + 20], [0, 1.0, -px[:, 1].min() + 20]]), (80, 80))
    p = cv2.GaussianBlur(render(scene, view=view, compress=False), (0, 0), 1.5).astype(float).mean(-1)
    ij = np.round(px @ view[0][:, :2].T + view[0][:, 2]).astype(int)
    assert p[ij[0, 1], ij[0, 0]] > 1.3 * p[ij[1, 1], ij[1, 0]]


@settings(max_examples=60, deadline=None)
@given(
    s=st.floats(-0.6, 0.6),
    t=st.floats(-1.1, 0.15),
    skew=st.floats(-8, 8),
    d=st.lists(st.floats(-2, 2), min_size=8, max_size=8),
    amp=st.floats(0, 0.45),
    flare=st.floats(0, 43),
)
def test_placement_goes_there_and_back(s, t, skew, d, amp, flare):
    q = sample_scene(1).closure
    closure: Closure = dataclasses.replace(
        q,
        skew_deg=skew,
        corners=tuple((d[2 * i], d[2 * i + 1]) for i in range(4)),
        ripple=(amp, 5.0, 5.0, 1.0, 2.0),
        flare=(flare, 3.0),
    )
    place = Placement(closure, (3.0, 120.0))
    x, y = s * place.width, t * place.length
    u, v = place.to_uv(x, y)
    back = place.to_st(u, v, rounds=12)
    assert back[0] == pytest.approx(x, abs=1e-3)
    assert back[1] == pytest.approx(y, abs=1e-3)


@pytest.mark.parametrize(("seed", "inch"), [(2, (4, 4)), (9, (7, 7)), (604, (6, 6))])
def test_the_map_of_directions_gives_closure_coordinates(seed, inch):
    scene = sample_scene(seed, closure_inch=inch, block={"a": 80.0})
    lay = layout(scene)
    s, t = np.meshgrid(np.linspace(-0.5, 0.5, 61) * lay.place.width, np.linspace(0.05, -1.03, 61) * lay.place.length)
    x, y, _ = to_map(np, lay.points(s, t), lay.nodes.shape[0])
    u, v, _, _ = chart_at(np, lay.nodes, x, y)
    s2, t2 = lay.place.to_st(u, v)
    error = np.hypot(s2 - s, t2 - t)
    assert np.median(error) < 0.01
    assert error.max() < 0.15  # the widest closures reach where the chart begins to fold
    rim = lay.frame.rim_points(lay.surface, np.linspace(-170, 170, 60))
    x, y, _ = to_map(np, rim, lay.nodes.shape[0])
    assert np.abs(chart_at(np, lay.nodes, x, y)[2]).max() < 0.05


def test_look_up_is_bilinear():
    image = np.arange(12, dtype=np.float32).reshape(3, 4)
    assert look_up(np, image, np.array([1.25]), np.array([0.5]))[0] == pytest.approx(3.25)
    assert look_up(np, image, np.array([-0.5]), np.array([0.0]), wrap=True)[0] == pytest.approx(1.5)


def test_saved_photo_carries_focal_length_and_orientation(tmp_path):
    scene = sample_scene(12, size=(640, 480), shot={"orientation": 6}, distance_mm=700)
    path = save(scene, tmp_path, "turned")
    facts = json.loads((tmp_path / "turned.json").read_text())
    with Image.open(path) as image:
        assert image.size == (480, 640)
        assert image.getexif()[0x0112] == 6
        f35 = image.getexif().get_ifd(0x8769)[0xA405]
    assert f35 == facts["camera"]["focal_35mm"]
    assert f35 == pytest.approx(scene.camera.f * 43.27 / 800, abs=0.51)
    upright = cv2.imread(str(path))
    assert upright.shape == (480, 640, 3)
    assert np.abs(upright.astype(float) - render(scene)).mean() < 6
    assert set(facts) >= {"camera", "card", "block", "landmarks", "pins", "measures", "scene", "expect"}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_drawn(kind):
    scene = sample_scene(21, kind=kind, size=(640, 480), distance_mm=650)
    picture = render(scene, view=(np.array([[0.2, 0, 0], [0, 0.2, 0]]), (128, 96)))
    assert picture.shape == (96, 128, 3)
    facts = truth(scene, full=False)
    assert len(facts["card"]["cards"]) == {"no-card": 0, "two-cards": 2}.get(kind, 1)
    assert bool(facts["landmarks"].get("fold_front")) == (kind not in ("no-closure", "no-cap", "no-block", "cap"))
    if kind in ("dark", "bright"):
        usual = sample_scene(21, size=(640, 480), distance_mm=650)
        level = render(usual, view=(np.array([[0.2, 0, 0], [0, 0.2, 0]]), (128, 96))).mean()
        assert picture.mean() < 0.5 * level if kind == "dark" else picture.mean() > 1.25 * level
    if kind == "card-cut":
        px = np.array(facts["card"]["cards"][0]["sheet_corners_px"])
        assert not ((px > 0) & (px < [640, 480])).all()


def test_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="unknown kind of scene 'odd'"):
        sample_scene(1, kind="odd")


def test_a_cap_alone_has_its_place_in_closed_form():
    # a plane turned by a and shifted by s cuts a sphere of radius R at height z at sqrt(R^2 - s^2 - z^2) before it
    scene = sample_scene(
        9,
        kind="cap",
        block={**SPHERE, "printed": True, "print_x": 1.0, "print_turn_deg": 0.0},
        cap={"shift": 4.0, "yaw_deg": 3.0, "rim_thickness": 0.0, "thickness": 0.0},
    )
    facts = truth(scene, full=False)["cap_on_block"]
    z, a = scene.cap.rim[0][1], np.radians(3.0)
    ahead = np.sqrt(100.0**2 - 4.0**2 - z**2)
    assert facts["cap_shift_mm"] == pytest.approx(4.0 * np.cos(a) - ahead * np.sin(a) - 1.0, abs=0.02)
    assert facts["cap_turn_deg"] == pytest.approx(-3.0)
    line = np.array(facts["block_line"]["block"])
    assert np.abs(line[:, 0] - 1.0).max() < 0.01
    assert line[:, 1].min() > 0
    assert scene.closure is None
    assert scene.cap.seams != "none"


def test_a_stitched_scene_is_the_pinned_one_moved():
    pinned = sample_scene(21, closure_inch=(5, 5))
    later = stitched_later(pinned, 22, right_mm=4.0, turn_deg=0.0, face_mm=-2.0)
    was, now = (truth(s)["measures"]["landmarks_mm"] for s in (pinned, later))
    moved = np.array([np.subtract(now[n], was[n]) for n in was])
    assert np.abs(moved[:, 0] - 4.0).max() < 0.2
    assert np.ptp(moved[:, 1]) < 0.2
    assert truth(later)["pins"] == []
    assert later.cap == pinned.cap
    assert later.dressing.hair == pinned.dressing.hair


def test_quiet_edges_leave_the_geometry_alone_and_come_as_often_as_said():
    """The second draw changes how cap and hair look, never where they are: the truth does not know of it."""
    from fixtures.scenes.quiet import quieten

    sheer = thin = 0
    for seed in range(200):
        scene = sample_scene(seed)
        cap, hair = quieten(seed, scene.block, scene.cap, scene.closure, scene.dressing)
        places = ("yaw_deg", "shift", "rim", "thickness", "seams", "seam_u", "band")
        assert [getattr(cap, n) for n in places] == [getattr(scene.cap, n) for n in places]
        assert (hair.style, hair.knot_s, hair.knot_t, hair.parting) == (
            scene.dressing.style,
            scene.dressing.knot_s,
            scene.dressing.knot_t,
            scene.dressing.parting,
        )
        assert 0.0 <= cap.hole < 1.0
        assert 0.2 < cap.band_opacity <= 0.95
        sheer += scene.cap.band_opacity < 0.95
        thin += scene.dressing.thinning[0] > 0
    # binomial, 200 draws: within three standard deviations of 0.4 (bands of 0.95 aside) and 0.8
    assert 60 <= sheer <= 100
    assert 143 <= thin <= 177


def test_thinned_hair_begins_behind_the_hairline_and_is_full_farther_in():
    bald = {"overrun": (0.0, 0.0, 0.0, 0.0), "retreat": (0.0, 0.0, 0.0, 0.0), "edge_soft": 0.3, "lock": 0.0}
    shares = []
    for thinning in ((0.0, 0.0), (6.0, 0.0)):
        scene = sample_scene(5, style="flat", closure_inch=(5, 5), dressing={**bald, "thinning": thinning})
        dressed = dress(scene, 127.0, 127.0, 0.3, np)
        s, t = np.meshgrid(np.linspace(-50, 50, 300), np.linspace(-20, 0, 200))
        cover = dressed.at(np, s, t)[0][..., 2]
        shares.append([float(cover[(t > -2.0) & (t < -0.8)].mean()), float(cover[(t > -20) & (t < -12)].mean())])
    (full_edge, full_inside), (thin_edge, thin_inside) = shares
    assert full_edge > 0.9
    assert thin_edge < 0.5
    assert min(full_inside, thin_inside) > 0.95


def test_a_seam_runs_where_it_is_sewn():
    """The painted seam's middle, over the unrolled dome, against the line it was told to run along."""
    bold = {
        "seams": "centre",
        "seam_width": 2.0,
        "seam_colour": (0.02, 0.02, 0.02),
        "colour": (0.9, 0.9, 0.9),
        "hole": 0.0,
    }
    scene = sample_scene(4, kind="cap", cap={**bold, "sewn": ((1.5, 0.02), (0.0, 0.0))})
    lay = layout(scene)
    u, v = np.meshgrid(np.arange(-6.0, 6.01, 0.1), np.array([-60.0, -20.0, 20.0]))
    p = lay.chart.to_points(np.stack([u, v], -1)).reshape(-1, 3).astype(np.float32)
    at = to_map(np, p, lay.nodes.shape[0])[:2]
    foot = np.full(len(p), 0.1, np.float32)
    dark = 1.0 - paint(np, lay, None, lay.nodes, p, at, foot, 0.1).colour.mean(-1).reshape(u.shape)
    dark = np.clip(dark - np.median(dark, axis=1, keepdims=True) - 0.2, 0.0, None)
    assert (dark * u).sum(1) / dark.sum(1) == pytest.approx(1.5 + 0.02 * v[:, 0], abs=0.15)


def test_seams_are_sewn_by_their_own_draw():
    drawn = np.array([sample_scene(s).cap.sewn for s in range(120)])
    # the standard deviation of 240 normal numbers is known to 4.6 %: three times that
    assert drawn[..., 0].std() == pytest.approx(SEWN_MM, rel=0.14)
    assert drawn[..., 1].std() == pytest.approx(SEWN_LEAN, rel=0.14)
