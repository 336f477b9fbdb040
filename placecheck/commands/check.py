"""`placecheck check`: photos in, verdicts out.

Options become a request once, before any photo is opened (check_request.py). One photo is checked
in this process, several in `--jobs` worker processes (worker_processes.py), photos of one block
together (same_block.py); answers come out in the order the photos were named. Standard output
holds the answer and nothing else: a table, or with --json one JSON object (one per line, each with its
"photo", for several). The exit status is that of the photo, or of the worst one. A record that
cannot be saved costs a sentence, never the verdict.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from placecheck.commands.check_request import AsTyped, request_for
from placecheck.commands.filed_under import Names, names_given
from placecheck.commands.picture_names import outputs
from placecheck.commands.worker_processes import Task, check_all

if TYPE_CHECKING:
    from placecheck.one_photo import Checked
    from placecheck.request import CheckRequest

SEVERITY = (0, 1, 3, 2, 4)
"""Exit statuses from best to worst, for several photos."""


def register(app: typer.Typer) -> None:
    app.command("check")(check)


def check(
    photos: Annotated[  # one that may not be read is an answer of its own, and no reason to leave the others
        list[Path], typer.Argument(metavar="PHOTO", help="Photos of the pinned closure.", readable=False)
    ],
    closure: Annotated[
        str | None, typer.Option(metavar="SIZE", help="Closure size, width x front to back: 5x5, 2x6, 12.7x12.7cm.")
    ] = None,
    block_circumference: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Tape round the block's widest level, with unit: 22.75in, 57.8cm."),
    ] = None,
    block: Annotated[
        str | None, typer.Option(metavar="NAME", help="A saved block, in place of its circumference.")
    ] = None,
    stage: Annotated[
        Literal["cap", "pinned", "stitched", "stitches"],
        typer.Option(
            case_sensitive=False,
            help="What the photo shows: cap alone, closure pinned, closure stitched, seam close up.",
        ),
    ] = "pinned",
    same_block: Annotated[
        bool, typer.Option("--same-block", help="All photos show one pinned block: measure them together, one answer.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")] = False,
    no_save: Annotated[bool, typer.Option("--no-save", help="Keep the answer out of the records.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write the photo with lines and numbers (.jpg, .png; several photos: a folder)."
        ),
    ] = None,
    marks: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Landmarks set by hand, JSON; they outrank what is found.")
    ] = None,
    explain: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write a picture of every stage into this folder.")
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Print where each uncertainty comes from.")] = False,
    tolerances: Annotated[Path | None, typer.Option(metavar="FILE", help="The shop's own limits, TOML.")] = None,
    jobs: Annotated[int, typer.Option(min=1, max=64, help="Photos checked at the same time.")] = 1,
    card_bars: Annotated[
        str | None,
        typer.Option(
            metavar="AxB",
            help="Measured length of the card's two 100 mm bars (small card: 50 mm), across x down: 99.2x99.5.",
        ),
    ] = None,
    camera: Annotated[str | None, typer.Option(metavar="NAME", help="A saved camera profile.")] = None,
    cap_photo: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Photo of the cap alone, before the closure: its edge under the hair is then known."
        ),
    ] = None,
    taped_clearance: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PLACE=LENGTH",
            help="What a soft tape reads from the cap's edge to the hairline: left=9mm, middle=10mm, right=3/8in.",
        ),
    ] = None,
    front: Annotated[
        Literal["top", "bottom", "left", "right"] | None,
        typer.Option(case_sensitive=False, help="Side of the photo the face is on, when the photo cannot tell."),
    ] = None,
    order: Annotated[str | None, typer.Option(metavar="NUMBER", help="The order, for the records.")] = None,
    client: Annotated[str | None, typer.Option(metavar="ALIAS", help="The client's alias, for the records.")] = None,
    maker: Annotated[str | None, typer.Option(metavar="NAME", help="Who pinned it, for the records.")] = None,
) -> None:
    """Check photos of a pinned closure: pass, fix or retake.

    With the numbers, their uncertainty, and which pin to move, which way and how far.
    """
    typed = AsTyped(
        closure=closure,
        block_circumference=block_circumference,
        block=block,
        stage=stage,
        marks=marks,
        tolerances=tolerances,
        card_bars=card_bars,
        camera=camera,
        cap_photo=cap_photo,
        taped_clearance=tuple(taped_clearance or ()),
        front=front,
        order=order,
    )
    if same_block:
        from placecheck.commands.same_block import check_same_block, refuse_options

        refuse_options(stage, marks, explain)
        if overlay is not None:
            outputs(photos, overlay, None, [tolerances, cap_photo])
        request = request_for(typed)
        kept = None if no_save else names_given(order, client, maker)
        raise typer.Exit(check_same_block(photos, request, kept, as_json, overlay, budget))
    if marks is not None and len(photos) > 1:
        from placecheck.errors import UsageProblem

        raise UsageProblem(
            "marks-several", "A marks file belongs to one photo: check the photos one at a time with it."
        )
    from placecheck.printout import was_checked

    request = request_for(typed, len(photos))
    places = outputs(photos, overlay, explain, [marks, tolerances, cap_photo])
    tasks: list[Task] = [(p, request, *to) for p, to in zip(photos, places, strict=True)]
    names = None if no_save else names_given(order, client, maker)
    worst = 0
    with tempfile.TemporaryDirectory(prefix="placecheck-") as scratch:
        if names is not None:  # the record keeps the overlay too
            tasks = [(p, r, o or Path(scratch) / f"{i}.jpg", e) for i, (p, r, o, e) in enumerate(tasks)]
        for checked in check_all(tasks, jobs):
            if overlay is None:  # nobody asked for that picture, so nobody is told of it
                checked = replace(checked, notes=tuple(note for note in checked.notes if scratch not in note))
            if names is not None and was_checked(checked.answer):  # first, since whoever reads may stop reading
                _save(checked, request, names)
            _report(checked, as_json, len(photos) > 1, budget)
            worst = max(worst, checked.answer.exit_status, key=SEVERITY.index)
    raise typer.Exit(worst)


def _report(checked: Checked, as_json: bool, several: bool, budget: bool) -> None:
    """The answer on standard output, notes on standard error."""
    if as_json:
        import json

        answer = checked.answer.as_json()
        if several:
            print(json.dumps({"photo": str(checked.path), **answer}, ensure_ascii=False), flush=True)
        else:
            print(json.dumps(answer, ensure_ascii=False, indent=1), flush=True)
    else:
        from placecheck.printout import print_answer, print_budget
        from placecheck.terminal import console

        drawn = console()
        print_answer(drawn, checked.answer, str(checked.path) if several else None)
        if budget:
            print_budget(drawn, checked.answer)
    from placecheck.errors import one_line

    for note in checked.notes:
        print(f"placecheck: {one_line(note)}", file=sys.stderr)


def _save(checked: Checked, request: CheckRequest, names: Names) -> None:
    """Keep photo, answer and overlay in the records; a failure is one sentence and never costs the verdict."""
    try:
        from placecheck.records.request_json import to_json
        from placecheck.records.saving import save_check
        from placecheck.settings import home

        save_check(
            home(),
            checked.path,
            checked.answer.as_json(),
            to_json(request),
            checked.drawn.read_bytes() if checked.drawn is not None else None,
            order=names.order,
            client=names.client,
            maker=names.maker,
            profile=checked.answer.measured.camera_profile,
            checked_sha256=checked.sha256,
        )
    except Exception as error:
        what = str(error).split("\n", 1)[0] or type(error).__name__
        print(f"placecheck: This check was not saved to the records: {what}", file=sys.stderr)
