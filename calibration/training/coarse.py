"""Makes networks that say less finely, for less time, out of the trained ones, to be trained on.

    python -m calibration.training.coarse state.pt --out coarse.pt

At half the scale one level fewer is needed for as wide a view, so the deepest level is left out and the others
keep their weights: filters that saw 0.5 mm of lace now see 1 mm, and have to learn what that looks like, but what
comes after them is known (train.py --only fp --resume coarse.pt --teacher state.pt). The closure's network, which
is decoded to a quarter of the resolution only, keeps all of the fine one but its last step up (--only c). Whatever
does not fit, begins anew.
"""

from __future__ import annotations

from calibration.training.model import (
    Pyramid,
    block_network,
    closure_network,
    fine_closure_network,
    first_look_network,
    place_network,
)
from calibration.training.narrow import make_start


def coarse(net: Pyramid, small: Pyramid) -> Pyramid:
    """`small` with the weights of `net`, which has as many levels or more of them below."""
    source, out = net.state_dict(), small.state_dict()
    deeper = len(net.down) - len(small.down)
    for name, values in out.items():
        parts = name.split(".")
        if parts[0] == "up":  # counted from below
            parts[1] = str(int(parts[1]) + deeper)
        same = source[".".join(parts)]
        if same.shape == values.shape:
            out[name] = same
    small.load_state_dict(out)
    return small


if __name__ == "__main__":
    starts = (
        ("c", "d", fine_closure_network, closure_network),
        ("f", "c", closure_network, first_look_network),
        ("p", "b", block_network, place_network),
    )
    make_start(__doc__, coarse, starts)
