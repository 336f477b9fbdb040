"""`placecheck card-bars`: the measured lengths of the card's two 100 mm bars, entered once.

With a pair of lengths they are kept, without one they are shown, with --forget the check
goes back to the nominal card. With --small all that is said of the small card, whose bars
are 50 mm. The rules are placecheck.card_bars'.
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
    small: Annotated[
        bool, typer.Option("--small", help="The small card's two 50 mm bars (check --stage stitches).")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="These are another card's: overwrite the old.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Go back to the card as designed.")] = False,
) -> None:
    """Keep the measured lengths of your card's two 100 mm bars, or of the small card's two 50 mm bars.

    Checks use them from then on. Without lengths: show what is kept.
    """
    from placecheck.card_bars import forget_bars, load_bars, nominal_mm, outranking, parse_bars, save_bars, warnings_for
    from placecheck.errors import UsageProblem
    from placecheck.settings import home

    card = "small card" if small else "card"
    if outranked := outranking(home(), small):
        print(f"placecheck: {outranked}", file=sys.stderr)
    if forget and bars is not None:
        raise UsageProblem("card-bars-both", "Give either bars or --forget, not both.")
    if forget:
        forgotten = forget_bars(home(), small)
        print(
            f"The {card}'s measured bars are forgotten." if forgotten else f"No measured bars of the {card} were kept."
        )
        return
    if bars is None:
        for which in (True,) if small else (False, True):
            kept, name = load_bars(home(), which), "small card: " if which else ""
            if kept is not None:
                print(f"{name}{kept.x_mm:g} x {kept.y_mm:g} mm (across x down), entered {kept.date}")
            elif which is small:
                nominal = nominal_mm(small)
                print(
                    f"{name}No bars are kept: measure both {nominal:g} mm bars of your {card} and enter them, such as "
                    f"{nominal - 0.8:g}x{nominal - 0.5:g}."
                )
        return
    x, y = parse_bars(bars, small)
    path = save_bars(home(), x, y, replace, small=small)
    for warning in warnings_for(x, y, small):
        print(f"placecheck: {warning.message}", file=sys.stderr)
    print(f"Kept: {x:g} x {y:g} mm in {path}")
