"""Makes a narrower network out of a trained one, to be trained on with the wide one as its teacher.

    python -m calibration.training.narrow WIDE/state.pt --out narrow.pt

Most of a network's time goes into the layers of the two finest levels, whose filters overlap most
in what they say. Of each such layer the filters are kept that matter most to what comes after: gain
of the normalisation (how far the filter's answers vary) times the length of the weights that take
them up (structured pruning by magnitude; Li et al., Pruning filters for efficient ConvNets, ICLR
2017). Everything that took up a dropped filter forgets it. What is left is a start, to be trained on
against truth and against the wide network's maps (train.py --teacher; distillation, Hinton et al.
2015): their mean over a picture and its mirror image, for the block over it upright and upside down.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torch

from calibration.training.model import (
    Pyramid,
    block_network,
    fine_closure_network,
    wide_block_network,
    wide_closure_network,
)

Kept = torch.Tensor


def _strongest(block: Any, users: list[torch.Tensor], n: int) -> Kept:
    """The `n` output channels of a block that matter most; `users` are weights (out, in, ...) over those channels."""
    gain = block[1].weight.detach().abs()
    taken = sum((w.detach().transpose(0, 1).flatten(1) ** 2).sum(1) for w in users)
    return torch.argsort(gain * torch.sqrt(torch.as_tensor(taken)), descending=True)[:n].sort().values


def _fill(block: Any, source: Any, inputs: Kept, outputs: Kept) -> None:
    """A block's weights from a wider one's: some of its input and output channels."""
    block[0].weight.data = source[0].weight.data[outputs][:, inputs].clone()
    for name in ("weight", "bias", "running_mean", "running_var"):
        getattr(block[1], name).data = getattr(source[1], name).data[outputs].clone()


def narrowed(wide: Pyramid, narrow: Pyramid) -> Pyramid:
    """`narrow` with the strongest filters of `wide`, which has as many levels."""

    def size(block: Any) -> int:
        return int(block[0].weight.shape[0])

    down: Any = wide.down
    up: Any = wide.up
    levels = len(down)
    skips = [size(wide.first)] + [size(step[1]) for step in down]

    def low(k: int) -> int:
        """Channels that the k-th step up takes from below; those of its skip connection come after them."""
        return int(up[k][0].weight.shape[1]) - skips[levels - 1 - k]

    first_users = [down[0][0][0].weight, up[levels - 1][0].weight[:, low(levels - 1) :]]
    keep_stem = _strongest(wide.stem, [wide.first[0].weight], size(narrow.stem))  # type: ignore[index]
    keep_first = _strongest(wide.first, first_users, size(narrow.first))
    inner, outer = [], []
    narrow_down: Any = narrow.down
    for i, step in enumerate(down):
        inner.append(_strongest(step[0], [step[1][0].weight], size(narrow_down[i][0])))
        if i + 1 < levels:
            k = levels - 2 - i
            users = [down[i + 1][0][0].weight, up[k][0].weight[:, low(k) :]]
        else:
            users = [wide.context[0][0].weight]  # type: ignore[index]
        outer.append(_strongest(step[1], users, size(narrow_down[i][1])))
    colours = torch.arange(wide.stem[0].weight.shape[1])  # type: ignore[index, union-attr]
    _fill(narrow.stem, wide.stem, colours, keep_stem)
    _fill(narrow.first, wide.first, keep_stem, keep_first)
    before = keep_first
    for i, step in enumerate(down):
        _fill(narrow_down[i][0], step[0], before, inner[i])
        _fill(narrow_down[i][1], step[1], inner[i], outer[i])
        before = outer[i]
    for a, b in zip(narrow.context, wide.context, strict=True):
        _fill(a, b, before, before)  # the deepest level stays as wide as it was
    narrow_up: Any = narrow.up
    for k, step in enumerate(up):
        last = k + 1 == levels
        users = [wide.last[0].weight] if last else [up[k + 1][0].weight[:, : low(k + 1)]]  # type: ignore[index]
        kept = _strongest(step, users, size(narrow_up[k]))
        skip = keep_first if last else outer[levels - 2 - k]
        _fill(narrow_up[k], step, torch.cat([before, low(k) + skip]), kept)
        before = kept
    kept = _strongest(wide.last, [wide.maps.weight], size(narrow.last))
    _fill(narrow.last, wide.last, before, kept)
    narrow.maps.weight.data = wide.maps.weight.data[:, kept].clone()
    narrow.maps.bias.data = wide.maps.bias.data.clone()  # type: ignore[union-attr]
    narrow.flags.load_state_dict(wide.flags.state_dict())
    return narrow


Start = tuple[str, str, Callable[[], Pyramid], Callable[[], Pyramid]]


def make_start(
    description: str | None, shrink: Callable[[Pyramid, Pyramid], Pyramid], starts: tuple[Start, ...]
) -> None:
    """The command of a module that makes networks to begin with out of those of a state.

    Of each of `starts`: its kind, that of the trained network it comes from, and what makes the trained one and it.
    """
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("trained", type=Path, help="state.pt")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    trained = torch.load(args.trained, map_location="cpu")
    state: dict[str, Any] = {}
    for kind, source, large, small in starts:
        if "ema_" + source in trained:
            net = large()
            net.load_state_dict(trained["ema_" + source])
            values = shrink(net, small()).state_dict()
            state |= {kind: values, "ema_" + kind: values}
    torch.save(state, args.out)


if __name__ == "__main__":
    both = ("d", "c", wide_closure_network, fine_closure_network), ("b", "b", wide_block_network, block_network)
    make_start(__doc__, narrowed, both)
