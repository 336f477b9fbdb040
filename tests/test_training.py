"""What the networks and the uncertainties learn from: crops kept for training, and how scenes scale a budget."""

from __future__ import annotations

import json
import sys

import numpy as np
import pytest

from calibration import judging, judging_factors
from calibration.judging_factors import SCENES_FOR_ONE, scale_of
from calibration.training import crops, recipe
from calibration.training.crew import closure_view
from fixtures import scenes


def test_a_kept_crop_teaches_what_its_scene_does(tmp_path):
    scene = scenes.sample_scene(3)
    truth = scenes.truth(scene, full=False)
    view, size = closure_view(truth, np.random.default_rng(1))
    image = np.asarray(scenes.render(scene, view=(view, size)))
    crops.write([crops.Crop(image, view, crops.what_targets_need(truth))], tmp_path / "scene.zip")
    (kept,) = crops.read(tmp_path / "scene.zip")
    assert not list(tmp_path.glob("*.part"))
    assert kept.image.shape == image.shape
    assert np.abs(kept.image.astype(int) - image).mean() < 3
    now = recipe.closure_sample(image, view, truth, np.random.default_rng(2))
    then = recipe.closure_sample(kept.image, kept.view, kept.truth, np.random.default_rng(2))
    assert np.array_equal(now.flags, then.flags)
    for name in ("landmarks", "rim", "hairline", "centre"):
        a, b = getattr(now, name), getattr(then, name)
        assert np.array_equal(np.isnan(a), np.isnan(b)), name
        assert np.nanmax(np.abs(a - b)) < 0.2, name  # pixels of half a millimetre


def spread(power, n, seed):
    """Budgets u, and errors whose true standard deviation goes with a power of u."""
    rng = np.random.default_rng(seed)
    u = np.exp(rng.normal(0.5, 0.4, n))
    return rng.normal(0, 0.8 * u**power), u


@pytest.mark.parametrize("power", [0.7, 1.0, 1.6])
def test_scaled_uncertainties_cover_at_every_level(power):
    errors, u = spread(power, 4000, 1)
    scale = scale_of(errors, u)
    assert scale.power == pytest.approx(power, abs=0.2)
    fresh, v = spread(power, 4000, 2)
    wide = np.array([2 * x * scale.times(x) for x in v])
    for part in np.array_split(np.argsort(v), 4):
        assert 0.92 < np.mean(np.abs(fresh[part]) <= wide[part]) < 0.975


def test_the_scale_is_the_quantile_regression_a_linear_program_gives():
    # Koenker and Bassett, Regression quantiles, Econometrica 46 (1978): minimise the check loss, a linear program
    optimize = pytest.importorskip("scipy.optimize")
    errors, u = spread(1.4, 400, 3)
    at = np.median(u)
    x, y = np.log(u / at), np.log(np.abs(errors) / (2 * at))
    n = len(x)
    columns = np.column_stack([np.ones(n), x, np.eye(n), -np.eye(n)])
    cost = np.concatenate([[0.0, 0.0], np.full(n, 0.95), np.full(n, 0.05)])
    free = [(None, None)] * 2 + [(0, None)] * (2 * n)
    exact = optimize.linprog(cost, A_eq=columns, b_eq=y, bounds=free)
    scale = scale_of(errors, u)
    found = 1.0 + (scale.power - 1.0) * (n + SCENES_FOR_ONE) / n  # before it was drawn toward 1
    assert found == pytest.approx(exact.x[1], abs=0.06)
    left = y - found * x
    left -= np.quantile(left, 0.95)
    assert float(np.where(left > 0, 0.95, -0.05) @ left) == pytest.approx(exact.fun, rel=0.01)


def test_few_scenes_tell_a_factor_but_hardly_a_power():
    errors, u = spread(1.6, 40, 4)
    scale = scale_of(errors, u)
    assert abs(scale.power - 1.0) < 0.15
    assert np.mean(np.abs(errors) <= [2 * x * scale.times(x) for x in u]) == pytest.approx(0.95, abs=0.03)


def test_what_is_bent_for_training_takes_its_targets_along():
    """Ridges drawn along the targets still lie under them after the picture is bent, turned and stretched."""
    torch = pytest.importorskip("torch")
    from calibration.training.losses import warped
    from placecheck.find.unroll import HEIGHT, WIDTH

    torch.manual_seed(1)
    x, y = torch.arange(WIDTH).float(), torch.arange(HEIGHT).float()
    rim = (250 + 20 * torch.sin(x / 90))[None].repeat(4, 1)
    centre = (260 + 0.05 * (y - 300))[None].repeat(4, 1)
    marks = torch.tensor([[256.0, 200.0], [150.0, 220.0]])[None].repeat(4, 1, 1)
    ridges = torch.stack(
        [
            torch.exp(-0.5 * ((y[:, None] - rim[0][None]) / 2) ** 2),
            torch.exp(-0.5 * ((x[None] - centre[0][:, None]) / 2) ** 2),
        ]
    )
    spots = sum(torch.exp(-0.5 * ((x[None] - u) ** 2 + (y[:, None] - v) ** 2) / 9) for u, v in marks[0])
    image = torch.stack([*ridges, spots, torch.ones_like(spots)])[None].repeat(4, 1, 1, 1)
    batch = {
        "image": image,
        "rim": rim,
        "hairline": rim - 20,
        "centre": centre,
        "landmarks": marks,
        "mask": torch.zeros(4, HEIGHT // 2, WIDTH // 2),
    }
    out = warped(batch)
    drawn = out["image"]
    assert (drawn - image).abs().mean() > 0.005  # something moved
    rows = (drawn[:, 0] * y[:, None]).sum(1) / drawn[:, 0].sum(1)
    columns = (drawn[:, 1] * x[None]).sum(2) / drawn[:, 1].sum(2)
    inside = slice(60, -60)
    assert torch.nanmean((rows - out["rim"])[:, inside].abs()) < 0.05
    assert torch.nanmean((columns - out["centre"])[:, inside].abs()) < 0.05
    for k in range(2):
        u, v = out["landmarks"][:, k].unbind(-1)
        at = drawn[torch.arange(4), 2, v.round().long(), u.round().long()]
        assert (at > 0.9).all(), at


def test_a_network_narrowed_to_its_own_widths_says_the_same_and_a_narrower_one_keeps_its_strongest_filters():
    """Li et al., Pruning filters for efficient ConvNets (ICLR 2017): filters that say nothing go first."""
    torch = pytest.importorskip("torch")
    from calibration.training.model import Pyramid
    from calibration.training.narrow import narrowed

    torch.manual_seed(2)
    shape = (8, 12, 16)
    wide = Pyramid(4, shape, 10, 5, 2).eval()
    for part in wide.modules():  # statistics and gains as after a training
        if isinstance(part, torch.nn.BatchNorm2d):
            part.running_mean.uniform_(-0.2, 0.2)
            part.running_var.uniform_(0.5, 2.0)
            part.weight.data.uniform_(0.5, 1.5)
    x = torch.rand(2, 4, 32, 32)
    again = narrowed(wide, Pyramid(4, shape, 10, 5, 2).eval())
    with torch.no_grad():
        assert torch.equal(wide(x)[0], again(x)[0])
        assert torch.equal(wide(x)[1], again(x)[1])
        # filters whose gain is nought say nothing, so to leave them out changes nothing
        silent = {"stem": [1, 4], "first": [0, 6], "last": [2, 3, 9]}
        for name, channels in silent.items():
            norm = getattr(wide, name)[1]
            norm.weight[channels], norm.bias[channels] = 0.0, 0.0
        up = wide.up[1][1]
        up.weight[[5, 7]], up.bias[[5, 7]] = 0.0, 0.0
        small = narrowed(wide, Pyramid(4, (6, 12, 16), 7, 5, 2).eval())
        assert torch.allclose(wide(x)[0], small(x)[0], atol=1e-5)
        assert torch.allclose(wide(x)[1], small(x)[1], atol=1e-5)


def test_what_a_teacher_says_of_a_mirrored_picture_is_what_it_says_of_the_picture_mirrored():
    torch = pytest.importorskip("torch")
    from calibration.training.losses import told, unlike
    from calibration.training.model import Pyramid
    from placecheck.find.closure import MIRROR

    torch.manual_seed(3)
    teacher = Pyramid(4, (8, 8, 8), 8, 10, 3).eval()
    x = torch.rand(2, 4, 32, 48)
    said = told(teacher, x)
    assert torch.allclose(told(teacher, x.flip(3)), said[:, MIRROR].flip(3), atol=1e-5)
    least = unlike(said, said)
    moved = said.clone()
    moved[:, 3] = torch.randn_like(moved[:, 3])
    assert unlike(moved, said) > least + 0.01
    louder = said.clone()
    louder[:, :9] += 5.0  # the same probabilities
    assert unlike(louder, said) == pytest.approx(float(least), abs=1e-4)
    for k in (7, 8):
        line = said.clone()
        line[:, k] = torch.randn_like(line[:, k])
        assert unlike(line, said) > least + 0.01, k


def test_what_a_teacher_says_is_pooled_to_half_the_resolution_as_probabilities():
    torch = pytest.importorskip("torch")
    from calibration.training.losses import pooled

    maps = torch.randn(2, 10, 12, 16)
    half = pooled(maps)
    assert half.shape == (2, 10, 6, 8)
    marks = maps[:, :6].flatten(2).softmax(-1).reshape(2, 6, 6, 2, 8, 2).sum((3, 5))
    assert torch.allclose(half[:, :6].flatten(2).softmax(-1).reshape(marks.shape), marks, atol=1e-6)
    columns = maps[:, 6:8].softmax(2).reshape(2, 2, 6, 2, 8, 2).sum(3).mean(-1)
    assert torch.allclose(half[:, 6:8].softmax(2), columns, atol=1e-6)
    rows = maps[:, 8].softmax(2).reshape(2, 6, 2, 8, 2).sum(-1).mean(2)
    assert torch.allclose(half[:, 8].softmax(2), rows, atol=1e-6)


def test_a_network_for_half_the_scale_begins_with_all_but_the_deepest_level():
    torch = pytest.importorskip("torch")
    from calibration.training.coarse import coarse
    from calibration.training.model import Pyramid

    deep, shallow = Pyramid(4, (8, 12, 16, 16), 10, 5, 2), Pyramid(4, (8, 12, 16), 10, 5, 2)
    out = coarse(deep, shallow)
    assert torch.equal(out.down[1][0][0].weight, deep.down[1][0][0].weight)
    for k in range(2):  # counted from below
        assert torch.equal(out.up[k][0].weight, deep.up[k + 1][0].weight)
    assert torch.equal(out.maps.weight, deep.maps.weight)


def test_a_network_that_is_decoded_to_a_quarter_only_says_as_many_values_side_by_side():
    """Sub-pixel convolution: Shi et al., Real-time single image and video super-resolution (CVPR 2016), equation 4."""
    torch = pytest.importorskip("torch")
    from calibration.training.coarse import coarse
    from calibration.training.model import Pyramid
    from placecheck.find.network import side_by_side

    fine, net = Pyramid(4, (8, 12, 16), 10, 5, 2).eval(), Pyramid(4, (8, 12, 16), 20, 5, 2, quarter=True)
    net = coarse(fine, net).eval()
    assert torch.equal(net.up[0][0].weight, fine.up[0][0].weight)
    x = torch.rand(1, 4, 32, 48)
    with torch.no_grad():
        (maps, flags), (_, same) = net(x), fine(x)
        net.apart = True
        apart, _ = net(x)
    assert (maps.shape, apart.shape) == ((1, 5, 16, 24), (1, 20, 8, 12))
    assert torch.equal(flags, same)
    assert np.array_equal(side_by_side(apart[0].numpy(), 2), maps[0].numpy())


def test_weights_kept_in_half_precision_say_the_same(tmp_path):
    """IEEE 754-2019, binary16: a number is kept to one part in 2048."""
    onnx = pytest.importorskip("onnx")
    from calibration.training.half import as_half
    from placecheck.vision import Network

    rng = np.random.default_rng(4)
    weight, bias = rng.normal(0, 0.1, (16, 3, 3, 3)).astype(np.float32), rng.normal(0, 1, 16).astype(np.float32)
    nodes = [
        onnx.helper.make_node("Conv", ["image", "w", "b"], ["maps"], pads=[1, 1, 1, 1]),
        onnx.helper.make_node("ReduceMean", ["maps"], ["flags"], axes=[2, 3], keepdims=0),
    ]
    shape = [1, 3, 16, 16]
    graph = onnx.helper.make_graph(
        nodes,
        "g",
        [onnx.helper.make_tensor_value_info("image", 1, shape)],
        [onnx.helper.make_tensor_value_info(*of) for of in (("maps", 1, [1, 16, 16, 16]), ("flags", 1, [1, 16]))],
        [onnx.numpy_helper.from_array(weight, "w"), onnx.numpy_helper.from_array(bias, "b")],
    )
    path = tmp_path / "net.onnx"
    onnx.save(onnx.helper.make_model(graph, opset_imports=[onnx.helper.make_opsetid("", 13)], ir_version=8), str(path))
    picture = rng.random((3, 16, 16)).astype(np.float32)
    before, size = Network(str(path))(picture)[0], path.stat().st_size
    as_half(path)
    as_half(path)  # a second time changes nothing
    assert path.stat().st_size < size - weight.size
    after = Network(str(path))(picture)[0]
    limit = np.abs(weight).sum((1, 2, 3)).max() / 2048
    assert 0 < np.abs(after - before).max() <= limit


def test_too_few_scenes_for_a_factor_are_told_and_change_nothing(tmp_path, monkeypatch):
    (tmp_path / "errors.json").write_text(json.dumps([{"errors": {"offset_mm": [0.4, 1.0, 0.0, 0.5]}}]))
    monkeypatch.setattr(judging_factors, "CALIBRATION", tmp_path / "calibration.json")
    monkeypatch.setattr(sys, "argv", ["judging", "factors", str(tmp_path / "errors.json")])
    with pytest.raises(SystemExit, match=r"Of these scenes 1 .* no measure wanted has 25 errors"):
        judging.main()
    assert not (tmp_path / "calibration.json").exists()
