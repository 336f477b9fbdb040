"""Makes the two networks for half the scale out of the trained ones, to be trained on.

    python -m calibration.training.coarse state.pt --out coarse.pt

At half the scale one level fewer is needed for as wide a view, so the deepest level is left out and the others
keep their weights: filters that saw 0.5 mm of lace now see 1 mm, and have to learn what that looks like, but what
comes after them is known (train.py --only fp --resume coarse.pt --teacher state.pt). Whatever does not fit, begins
anew.
"""

from __future__ import annotations

from calibration.training.model import Pyramid, block_network, closure_network, first_look_network, place_network
from calibration.training.narrow import make_start


def coarse(net: Pyramid, shallow: Pyramid) -> Pyramid:
    """`shallow` with the weights of `net`, which is one level deeper."""
    source, out = net.state_dict(), shallow.state_dict()
    for name, values in out.items():
        parts = name.split(".")
        if parts[0] == "up":  # counted from below
            parts[1] = str(int(parts[1]) + 1)
        same = source[".".join(parts)]
        if same.shape == values.shape:
            out[name] = same
    shallow.load_state_dict(out)
    return shallow


if __name__ == "__main__":
    both = ("f", "c", closure_network, first_look_network), ("p", "b", block_network, place_network)
    make_start(__doc__, coarse, both)
