"""The guidelines in the photo of an order's closure: command, page, and where the rows lie against the truth.

The photo is one of fixtures/photos; its truth (camera and block) is the scene's, not this program's. The page is a real
server with the real checker.
"""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from types import SimpleNamespace

import httpx
import numpy as np
import pytest
from block_scenes import true_geometry
from page_bench import start
from PIL import Image
from typer.testing import CliRunner

from fixtures.scenes.model import Block, Camera
from placecheck import cli
from placecheck.guidelines.photo import closure_record, rows_shown
from placecheck.orders.files import order_store
from placecheck.overlay import LINES
from placecheck.records.store import open_store
from placecheck.tapeline import middle_line

PHOTO = Path(__file__).parents[1] / "fixtures" / "photos" / "job_pinned_5x5.jpg"
LENGTHS = ("--circumference", "22 1/4", "--front-to-nape", "14 1/4", "--ear-to-ear", "12 3/4", "--nape-width", "5 1/2")
CHECK = ("--closure", "5x5", "--block-circumference", "22.25in")


def run(*arguments: str):
    return CliRunner().invoke(cli.build_app(), list(arguments))


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop with order 1, whose closure was checked, and order 2, whose closure was not."""
    home = tmp_path_factory.mktemp("shop")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PLACECHECK_HOME", str(home))
        for alias in ("Willow", "Fern"):
            made = run("order", "new", alias, *LENGTHS, "--block", "22 1/4", "--closure", "5x5", "--yes")
            assert made.exit_code == 0, made.output
        assert run("check", str(PHOTO), *CHECK, "--order", "willow").exit_code in (0, 1, 3)
        yield home


def test_rows_lie_where_the_true_block_has_them(shop):
    """Along the true block's middle line from the true back end of the fold, as seen by the true camera."""
    truth = json.loads(PHOTO.with_suffix(".json").read_text())
    params = truth["scene"]["params"]
    geometry = true_geometry(SimpleNamespace(camera=Camera(**params["camera"]), block=Block(**params["block"])), 0.0)
    line = middle_line(geometry.dome)
    fold = np.array(truth["landmarks"]["fold_back"]["block"])
    from_v = float(line.v_mm[np.argmin(np.linalg.norm((line.points - fold)[:, 1:], axis=1))])
    shown = rows_shown(order_store().get("1"))
    rows = len(shown.plan.rows)
    assert shown.seen == tuple(range(shown.seen[0], rows + 1))
    assert len(shown.seen) >= 5
    for number in shown.seen[-4:]:
        row = shown.plan.rows[number - 1]
        behind = shown.plan.left_over_mm + (rows - number) * shown.plan.spacing_mm
        expected = geometry.to_px(line.at(from_v - behind))
        drawn = shown.rows_px[number][len(row.points) // 2]
        per_mm = params["camera"]["f"] / params["camera"]["distance"]
        assert np.linalg.norm(drawn - expected) / per_mm < 1.5, number
    # nothing is drawn on the far side: the lowest rows turn away from this camera
    assert 1 not in shown.seen
    # what the panel says is all to be read: its last line, too, stands above the picture's lower edge
    foot = np.asarray(shown.picture.convert("L"), float)[-60:]
    assert (foot > 200).sum() > 300
    assert (foot[-8:] > 60).sum() == 0
    # the fold's purple and the yellow of the closure's edge, which this photo has nowhere else
    drawn, bare = (np.asarray(image.convert("RGB"), float) for image in (shown.picture, Image.open(PHOTO)))
    for name in ("fold", "rectangle"):
        there, before = ((np.abs(image - LINES[name].colour).max(-1) < 20).sum() for image in (drawn, bare))
        assert there > 300 > 10 * before, name


def test_the_command_writes_the_picture_and_says_what_it_shows(shop, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    told = run("order", "guidelines", "willow", "--in-photo", "--spacing", "15mm", "--even")
    assert told.exit_code == 0, told.output
    said = re.search(r"Of (\d+) rows, rows (\d+) to (\d+) can be seen in the photo of record 1", told.stdout)
    assert said is not None, told.stdout
    rows, first, last = map(int, said.groups())
    assert last == rows > first > 1
    assert "14.9 mm" in told.stdout
    # the fold's ends and the corners that the photo shows: some rows run under the closure's back corners
    assert re.search(r"Rows? \d+ .*under the closure's back corners", told.stderr), told.stderr
    picture = Image.open("order-0001-guidelines.jpg")
    assert max(picture.size) == 1600
    # the rows' own blue, which this photo has nowhere else
    blue = np.abs(np.asarray(picture.convert("RGB"), float) - [86, 180, 233]).max(-1) < 30
    assert blue.sum() > 3000
    answer = run("order", "guidelines", "willow", "--in-photo", "--spacing", "15mm", "--even", "--json")
    assert len(json.loads(answer.stdout)["rows"]) == rows


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("fern", "--in-photo"), "No photo of a measured closure is on record for order 0002: check the pinned"),
        (("willow", "--in-photo", "rows.bmp"), "must end in .jpg or .png"),
        (("willow", "--in-photo", "there.jpg"), "is there already"),
    ],
)
def test_what_cannot_be_drawn_is_one_sentence(shop, tmp_path, monkeypatch, capsys, arguments, says):
    monkeypatch.chdir(tmp_path)
    Path("there.jpg").write_bytes(b"mine")
    assert cli.run(["order", "guidelines", *arguments]) == 2
    told = capsys.readouterr().err
    assert says in told
    assert "Traceback" not in told
    assert Path("there.jpg").read_bytes() == b"mine"


def test_the_page_offers_it_beside_the_guidelines(shop):
    running = start(shop, checker="placecheck.page.checking:Checker", workers=1)
    try:
        with httpx.Client(base_url=running.url, follow_redirects=True, timeout=120) as client:
            client.post("/pair", data={"code": running.code})
            offered = 'href="/orders/0001/guidelines.jpg">Guidelines in the photo</a>'
            assert offered in client.get("/orders/0001").text
            assert "Guidelines in the photo" not in client.get("/orders/0002").text
            answer = client.get("/orders/0001/guidelines.jpg")
            assert answer.headers["content-type"] == "image/jpeg"
            assert 'filename="order-0001-guidelines.jpg"' in answer.headers["content-disposition"]
            assert max(Image.open(io.BytesIO(answer.content)).size) == 1600
            refused = client.get("/orders/0002/guidelines.jpg")
            assert refused.status_code == 400
            assert "No photo of a measured closure is on record for order 0002" in refused.text
    finally:
        running.stop()


def test_a_record_without_its_photo_is_said(shop):
    found = closure_record("0001")
    with open_store() as store:
        kept = store.get(found.id).photo
        path = store.photos.path(kept.sha256, kept.ending)
    aside = path.with_suffix(".aside")
    path.rename(aside)
    try:
        told = run("order", "guidelines", "willow", "--in-photo")
        assert "The rows cannot be drawn into the photo of record 1: " in str(told.exception)
    finally:
        aside.rename(path)
