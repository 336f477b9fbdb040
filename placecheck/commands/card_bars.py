"""`placecheck card-bars`: the measured lengths of the card's two 100 mm bars, entered once.

With a pair of lengths they are kept, without one they are shown, with --forget the check
goes back to the nominal card. The rules are placecheck.cards'.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    app.command("card-bars")(card_bars)


def card_bars(
    bars: Annotated[
        str | None,
        typer.Argument(metavar="AxB", help="Measured lengths, across x down: 99.2x99.5 (mm, or with a unit)."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="These are another card's: overwrite the old.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Go back to the card as designed.")] = False,
) -> None:
    """Keep the measured lengths of your card's two 100 mm bars.

    Checks use them from then on. Without lengths: show what is kept.
    """
    from placecheck.cards import forget_bars, load_bars, parse_bars, save_bars, warnings_for
    from placecheck.errors import UsageProblem
    from placecheck.settings import home

    if forget and bars is not None:
        raise UsageProblem("card-bars-both", "Give either bars or --forget, not both.")
    if forget:
        print("The measured bars are forgotten." if forget_bars(home()) else "No measured bars were kept.")
        return
    if bars is None:
        kept = load_bars(home())
        if kept is None:
            print("No bars are kept: measure both 100 mm bars of your card and enter them, such as 99.2x99.5.")
        else:
            print(f"{kept.x_mm:g} x {kept.y_mm:g} mm (across x down), entered {kept.date}")
        return
    x, y = parse_bars(bars)
    path = save_bars(home(), x, y, replace)
    for warning in warnings_for(x, y):
        print(f"placecheck: {warning.message}", file=sys.stderr)
    print(f"Kept: {x:g} x {y:g} mm in {path}")
