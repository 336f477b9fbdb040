"""`placecheck card`: the scale card as a file to print.

A true-scale page for A4 or Letter paper as PDF, or as SVG or PNG where the file's name or --svg or
--png says so; with --small the card for close-ups of the seam. The drawing is
placecheck.card.printing's. A file that is there already is not overwritten unless --force says so.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer


def register(app: typer.Typer) -> None:
    app.command("card")(card)


def card(
    file: Annotated[Path | None, typer.Argument(help="Name of the file; placecheck-card.pdf (or .svg, .png).")] = None,
    paper: Annotated[
        Literal["a4", "letter"], typer.Option(case_sensitive=False, help="Paper it is printed on.")
    ] = "a4",
    svg: Annotated[bool, typer.Option("--svg", help="Write SVG instead of PDF.")] = False,
    png: Annotated[bool, typer.Option("--png", help="Write PNG, 600 dpi, instead of PDF.")] = False,
    small: Annotated[
        bool, typer.Option("--small", help="The small card, for close-ups of the seam (check --stage stitches).")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file if it is there already.")] = False,
) -> None:
    """Write the scale card to print.

    Print it at 100 % on matt paper and glue it to stiff board.
    """
    from placecheck.card.page_layout import SCALE_SHEET, SMALL_SHEET
    from placecheck.card.printing import write_card
    from placecheck.errors import UsageProblem
    from placecheck.whole_files import ending_in, free_path

    if svg and png:
        raise UsageProblem("card-kind", "Choose one of --svg and --png, or neither for PDF.")
    asked = "svg" if svg else "png" if png else None
    if file is not None:
        ending_in(file, *([f".{asked}"] if asked else [".pdf", ".svg", ".png"]))
    kind = asked or (file.suffix.lower().lstrip(".") if file is not None else "pdf")
    sheet = SMALL_SHEET if small else SCALE_SHEET
    path = file or Path(f"placecheck-{'small-' if small else ''}card.{kind}")
    write_card(free_path(path, force), paper=paper, kind=kind, sheet=sheet)
    print(path)
    print(
        "Print at 100 % (not “fit to page”), matt, and glue it to stiff board; then measure both "
        f"{sheet.bar_mm:g} mm bars."
    )
