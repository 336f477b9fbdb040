"""`placecheck block`: measure a bare block once, keep its dome, name it in checks.

`measure` takes three tapes, `photos` six to twelve photos of the bare block with the card
beside it; `list`, `show` and `forget` look after what is kept. The measuring is
placecheck.bare_block.tapes' and placecheck.bare_block.photos', the keeping placecheck.bare_block.saved'.
Nothing kept is overwritten without --replace, and what is forgotten is set aside.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from placecheck.bare_block.photos import BlockPhotoReport
    from placecheck.bare_block.saved import SavedBlock

Name = Annotated[str, typer.Argument(metavar="NAME", help="The block's name.")]
Replace = Annotated[bool, typer.Option("--replace", help="Overwrite the block of that name.")]


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True, help="Measure a bare block once and keep its shape.")
    for name, command in (
        ("measure", measure),
        ("photos", photos),
        ("list", list_blocks),
        ("show", show),
        ("forget", forget),
    ):
        group.command(name)(command)
    app.add_typer(group, name="block")


def measure(
    name: Name,
    around: Annotated[str, typer.Option("--round", metavar="LENGTH", help="Tape round the widest level.")],
    over: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Tape from the widest level in front over the crown to that level behind."),
    ] = None,
    across: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="The same from side to side, over the crown.")
    ] = None,
    crown_height: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="From the table straight up to the crown; only if it always stands so."),
    ] = None,
    replace: Replace = False,
) -> None:
    """Keep a block's shape from three tapes over the bare block."""
    import datetime

    from placecheck.bare_block.saved import BLOCKS, SavedBlock, blocks_folder
    from placecheck.bare_block.tapes import TAPES, fit_tapes
    from placecheck.errors import UsageProblem
    from placecheck.settings import home
    from placecheck.units import parse_circumference_mm, parse_length_mm

    name = BLOCKS.checked_name(name)
    folder = blocks_folder(home())
    BLOCKS.refuse_taken(folder, name, replace)
    if over is None and across is None:
        raise UsageProblem(
            "block-tapes-few",
            "One tape alone does not tell a shape: tape over the crown too, from front to back (--over) and from side "
            "to side (--across).",
        )
    tapes = {"round": parse_circumference_mm(around)}
    for key, text, low, high in (
        ("over", over, 230.0, 420.0),
        ("across", across, 210.0, 400.0),
        ("crown height", crown_height, 150.0, 500.0),
    ):
        if text is None:
            continue
        tapes[key] = parse_length_mm(text, f"tape {TAPES[key]}", 340.0)
        if not low <= tapes[key] <= high:
            raise UsageProblem(
                "block-tape-odd",
                f"{text} is no block's “{key}” ({low:.0f} to {high:.0f} mm are possible): measure again, and mind the "
                "unit.",
            )
    block = SavedBlock(
        name,
        "tapes",
        fit_tapes(name, tapes),
        crown_height is not None,
        datetime.date.today().isoformat(),
        tuple(tapes.items()),
    )
    path = BLOCKS.save(block, folder, replace)
    _print_block(block)
    print(f"Saved: {path}")


def photos(
    name: Name,
    pictures: Annotated[list[Path], typer.Argument(metavar="PHOTO", help="6 to 12 photos of the bare block and card.")],
    card_at: Annotated[
        Literal["left", "right", "face", "nape"],
        typer.Option(
            case_sensitive=False, help="On which side of the block the card lies; left and right are the wearer's."
        ),
    ],
    around: Annotated[
        str | None, typer.Option("--round", metavar="LENGTH", help="Tape round the widest level, to check the card by.")
    ] = None,
    camera: Annotated[str | None, typer.Option(metavar="NAME", help="A saved camera profile.")] = None,
    same_stand: Annotated[
        bool, typer.Option("--same-stand", help="It always stands on this stand: its height over the table counts.")
    ] = False,
    replace: Replace = False,
) -> None:
    """Keep a block's shape, and the line along its middle, from photos of the bare block, taken from all round.

    Nothing is saved unless the photos are enough; each bad one is named with its reason.
    """
    import datetime

    from placecheck.bare_block.photos import LEAST, MOST, PhotosRefused, measure_block
    from placecheck.bare_block.saved import BLOCKS, SavedBlock, blocks_folder
    from placecheck.card_bars import bars_in_use
    from placecheck.commands.check_request import camera_named
    from placecheck.errors import UsageProblem
    from placecheck.settings import home, load_settings
    from placecheck.units import parse_circumference_mm

    name = BLOCKS.checked_name(name)
    folder = blocks_folder(home())
    BLOCKS.refuse_taken(folder, name, replace)
    if not LEAST <= len(pictures) <= 2 * MOST:
        raise UsageProblem(
            "block-photos-count",
            f"{len(pictures)} of {LEAST} to {MOST} photos were given: take them from above and from all sides.",
        )
    files = [path.resolve() for path in pictures]
    for i, path in enumerate(pictures):
        if files[i] in files[:i]:
            raise UsageProblem("block-photos-twice", f"The photo {path} was given twice: name each photo once.")
    taped = parse_circumference_mm(around) if around else None
    settings = load_settings()
    profile = camera_named(camera, settings)  # a name that is not there is said at once
    try:
        result = measure_block(pictures, name, card_at, bars_in_use(home(), settings), home(), taped, profile)
    except PhotosRefused as error:
        _print_reports(error.reports)
        raise
    _print_reports(result.reports)
    for missing in result.missing:
        print(f"Could be better with more photos: {missing}.")
    block = SavedBlock(
        name,
        "photos",
        result.dome,
        same_stand,
        datetime.date.today().isoformat(),
        (("round", taped),) if taped else (),
        tuple((r.name, r.outline_mm) for r in result.reports if r.outline_mm is not None),
    )
    path = BLOCKS.save(block, folder, replace)
    _print_block(block)
    print(f"Saved: {path}")


def _print_reports(reports: tuple[BlockPhotoReport, ...]) -> None:
    for report in reports:
        fits = "" if report.outline_mm is None else f"  outline fits to {report.outline_mm:.1f} mm"
        print(f"{'ok ' if report.reason is None else 'bad'}  {report.name}{fits}")
        if report.reason is not None:
            print(f"     {report.reason}")


def list_blocks() -> None:
    """List the saved blocks."""
    import sys

    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.settings import home
    from placecheck.units import mm_and_inches

    blocks, damaged = BLOCKS.load_all(blocks_folder(home()))
    for block in blocks:
        around, u = block.circumference()
        how = f"{len(block.photos)} photos" if block.way == "photos" else f"{len(block.tapes)} tapes"
        how += ", its middle line" if block.dome.line is not None else ""
        print(f"{block.name}: {mm_and_inches(around)} round ± {2 * u:.1f} mm, {how}, {block.date}")
    if not blocks and not damaged:
        print("No block is saved: tape one with `placecheck block measure NAME`.")
    for problem in damaged:
        print(f"placecheck: {problem.message}", file=sys.stderr)


def show(
    name: Name,
    as_json: Annotated[bool, typer.Option("--json", help="Print the block as it is saved.")] = False,
) -> None:
    """Show one block: its size and shape with their uncertainty."""
    import json

    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.bare_block.saved import as_json as block_json
    from placecheck.settings import home

    block = BLOCKS.load(blocks_folder(home()), name)
    if as_json:
        print(json.dumps(block_json(block), indent=1, ensure_ascii=False))
        return
    _print_block(block)
    for tape, mm in block.tapes:
        print(f"  taped {tape}: {mm:.0f} mm")
    for photo, rms in block.photos:
        print(f"  outline fits to {rms:.1f} mm in {photo}")


def forget(name: Name) -> None:
    """Take a block away; its file is set aside, not erased."""
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.settings import home

    print(f"Set aside as {BLOCKS.set_aside(blocks_folder(home()), name)}")


def _print_block(block: SavedBlock) -> None:
    """Size and half axes with their expanded uncertainty."""
    import math

    from placecheck.answer import MEASURE_BY_NAME
    from placecheck.bare_block.tapes import STANDING
    from placecheck.dome import half_axes_for
    from placecheck.printout import in_words
    from placecheck.units import mm_and_inches

    dome = block.dome
    around, u = block.circumference()
    size, ratio = math.exp(dome.value("log round")), math.exp(dome.value("log ratio"))
    a, b = half_axes_for(size, ratio)
    # half axes move with size and, against each other, with length to breadth
    u_size, u_ratio = dome.u("log round"), dome.u("log ratio")
    u_a, u_b = a * math.hypot(u_size, 0.56 * u_ratio), b * math.hypot(u_size, 0.44 * u_ratio)
    print(f"{block.name}: {mm_and_inches(around)} round ± {2 * u:.1f} mm (95 %), {block.date}")
    print(f"  half breadth {a:.1f} ± {2 * u_a:.1f} mm, half length {b:.1f} ± {2 * u_b:.1f} mm")
    print(f"  crown over the widest level {dome.value('dome height'):.1f} ± {2 * dome.u('dome height'):.1f} mm")
    if dome.line is not None:
        u_turn, u_shift = (2 * math.sqrt(dome.line.covariance[i][i]) for i in (0, 1))
        turn = in_words(MEASURE_BY_NAME["cap_turn_deg"], -dome.line.yaw_deg, u_turn)  # yaw grows to the wearer's left
        shift = in_words(MEASURE_BY_NAME["cap_shift_mm"], dome.line.shift_mm, u_shift)
        print(f"  line along its middle: shifted {shift}, turned {turn} (the wearer's); counts in --stage cap")
    elif block.way == "photos":
        print("  no line along its middle was seen: a cap is compared with the block's own middle")
    if block.same_stand:
        height, u_height = dome.value(STANDING), dome.u(STANDING)
        print(f"  widest level over the table {height:.0f} ± {2 * u_height:.1f} mm, counts in checks")
