"""`placecheck check`: photos in, verdicts out.

Options are read and refused here, once, before any photo is opened; settings.toml fills
what was not given. One photo is checked in this process, several in `--jobs` worker
processes with progress on standard error; answers come out in the order the photos were named. Standard
output holds the answer and nothing else: a table, or with --json one JSON object (one per
line, each with its "photo", for several). The exit status is that of the photo, or of the
worst one. A record that cannot be saved costs a sentence, never the verdict.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from placecheck.commands.filed_under import Names, filed_order, names_given
from placecheck.commands.picture_names import outputs

if TYPE_CHECKING:
    from placecheck.one_photo import Checked
    from placecheck.records.store import Store
    from placecheck.request import CheckRequest, Stage

SEVERITY = (0, 1, 3, 2, 4)
"""Exit statuses from best to worst, for several photos."""

Task = tuple[Path, "CheckRequest", Path | None, Path | None]


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
        typer.Option(help="What the photo shows: cap alone, closure pinned, closure stitched, seam close up."),
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
        typer.Option(help="Side of the photo the face is on, when the photo cannot tell."),
    ] = None,
    order: Annotated[str | None, typer.Option(metavar="NUMBER", help="The order, for the records.")] = None,
    client: Annotated[str | None, typer.Option(metavar="ALIAS", help="The client's alias, for the records.")] = None,
    maker: Annotated[str | None, typer.Option(metavar="NAME", help="Who pinned it, for the records.")] = None,
) -> None:
    """Check photos of a pinned closure: pass, fix or retake.

    With the numbers, their uncertainty, and which pin to move, which way and how far.
    """
    from placecheck.request import NEEDS_CLOSURE

    if same_block:
        from placecheck.commands.same_block import check_same_block, refuse_options

        refuse_options(stage, marks, explain)
        if overlay is not None:
            outputs(photos, overlay, None, [tolerances, cap_photo])
        request = _request(closure, block_circumference, None, tolerances, card_bars, camera, front, block=block)
        request = replace(request, cap=_cap_photo(cap_photo, order), taped_mm=_taped(taped_clearance, 1, stage))
        kept = None if no_save else names_given(order, client, maker)
        raise typer.Exit(check_same_block(photos, request, kept, as_json, overlay, budget))
    if marks is not None and len(photos) > 1:
        from placecheck.errors import UsageProblem

        raise UsageProblem(
            "marks-several", "A marks file belongs to one photo: check the photos one at a time with it."
        )
    request = _request(closure, block_circumference, marks, tolerances, card_bars, camera, front, stage, block)
    request = replace(request, taped_mm=_taped(taped_clearance, len(photos), stage))
    if cap_photo is not None and stage not in NEEDS_CLOSURE:
        from placecheck.errors import UsageProblem

        raise UsageProblem(
            "cap-photo-stage",
            "--cap-photo goes with a photo of the closure, pinned or stitched: leave it out at this stage.",
        )
    if stage in NEEDS_CLOSURE:
        request = replace(request, cap=_cap_photo(cap_photo, order))
    if stage == "stitched":
        request = replace(request, since=_pinned_record(order))
    places = outputs(photos, overlay, explain, [marks, tolerances, cap_photo])
    tasks: list[Task] = [(p, request, *to) for p, to in zip(photos, places, strict=True)]
    names = Names() if no_save else names_given(order, client, maker)
    worst = 0
    with tempfile.TemporaryDirectory(prefix="placecheck-") as scratch:
        if not no_save:  # the record keeps the overlay too
            tasks = [(p, r, o or Path(scratch) / f"{i}.jpg", e) for i, (p, r, o, e) in enumerate(tasks)]
        for task, checked in zip(tasks, _run(tasks, jobs), strict=True):
            if overlay is None:  # nobody asked for that picture, so nobody is told of it
                checked = replace(checked, notes=tuple(note for note in checked.notes if scratch not in note))
            if not no_save and checked.is_photo:  # first, since whoever reads the answer may stop reading
                _save(checked, request, names, task[2])
            _report(checked, as_json, len(photos) > 1, budget)
            worst = max(worst, checked.answer.exit_status, key=SEVERITY.index)
    raise typer.Exit(worst)


def _request(
    closure: str | None,
    block_circumference: str | None,
    marks: Path | None,
    tolerances: Path | None,
    card_bars: str | None,
    camera: str | None,
    front: Literal["top", "bottom", "left", "right"] | None,
    stage: Stage = "pinned",
    block: str | None = None,
) -> CheckRequest:
    """The request from options and settings. Raises UsageProblem."""
    from placecheck.bare_block.saved import block_for, blocks_folder
    from placecheck.cards import bars_in_use, parse_bars, saved_bars_mm
    from placecheck.errors import UsageProblem
    from placecheck.marks import load_marks
    from placecheck.request import NEEDS_BLOCK, NEEDS_CLOSURE, NO_CLOSURE, CheckRequest
    from placecheck.settings import home, load_settings
    from placecheck.tolerances import load_tolerances
    from placecheck.units import parse_closure

    settings = load_settings()
    closure = closure or settings.check.get("closure")
    if closure is None and stage in NEEDS_CLOSURE:
        raise UsageProblem("closure-not-given", "Which closure is it? Give its size, such as --closure 5x5.")
    defaults = settings.check if stage in NEEDS_BLOCK else {}
    known, around_mm = block_for(blocks_folder(home()), block, block_circumference, defaults)
    if not around_mm and stage in NEEDS_BLOCK:
        raise UsageProblem(
            "circumference-not-given",
            "How large is the block? Tape it round its widest level and give --block-circumference, such as 22.75in.",
        )
    if stage == "stitches":  # the small card has bars of its own
        bars_mm = parse_bars(card_bars, small=True) if card_bars else saved_bars_mm(home(), small=True)
    else:
        bars_mm = parse_bars(card_bars) if card_bars else bars_in_use(home(), settings)
    return CheckRequest(
        closure=parse_closure(closure) if closure else NO_CLOSURE,
        block_circumference_mm=around_mm,
        block=known,
        stage=stage,
        tolerances=load_tolerances(tolerances) if tolerances else settings.tolerances,
        marks=load_marks(marks, stage) if marks else None,
        camera_name=camera or settings.check.get("camera"),
        card_bars_mm=bars_mm,
        front=front,
    )


def _taped(given: list[str] | None, closures: int, stage: Stage) -> dict[str, float]:
    """What a soft tape reads, by measure; `given` is left=9mm and its like. Raises UsageProblem."""
    from placecheck.errors import UsageProblem
    from placecheck.request import NEEDS_CLOSURE
    from placecheck.taped import parse_taped

    if not given:
        return {}
    if stage not in NEEDS_CLOSURE:
        raise UsageProblem(
            "taped-stage",
            "--taped-clearance goes with a photo of the closure, pinned or stitched: leave it out at this stage.",
        )
    if closures > 1:
        raise UsageProblem(
            "taped-several", "A taped clearance belongs to one closure: check the photos one at a time with it."
        )
    places: dict[str, str] = {}
    for text in given:
        place, equals, length = (part.strip() for part in text.partition("="))
        if not equals or place in places:
            raise UsageProblem(
                "taped-unreadable",
                f"The taped clearance “{text}” is not one place and its length: write each place once, as middle=10mm.",
            )
        places[place] = length
    return parse_taped(places)


def _one(task: Task) -> Checked:
    from placecheck.one_photo import check_file

    return check_file(*task)


def _start_worker(threads: int) -> None:
    """Share the cores among the workers; what is missing here is reported with the photo itself."""
    import contextlib
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(ImportError):
        from placecheck import vision

        vision.use_threads(threads)


def _end_with_parent() -> None:
    """A worker whose command was killed has nobody to work for."""
    import os
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _run(tasks: list[Task], jobs: int) -> Iterator[Checked]:
    """Check all tasks, in their order; several show progress on standard error."""
    if len(tasks) == 1:
        yield _one(tasks[0])
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("checking", total=len(tasks))
        for checked in _in_processes(tasks, min(jobs, len(tasks))) if jobs > 1 else map(_one, tasks):
            progress.advance(bar)
            yield checked


def _in_processes(tasks: list[Task], jobs: int) -> Iterator[Checked]:
    import os
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import active_children, get_context

    threads = max(1, (os.cpu_count() or 1) // jobs)
    pool = ProcessPoolExecutor(jobs, get_context("spawn"), _start_worker, (threads,))
    try:
        futures = [pool.submit(_one, task) for task in tasks]
        for task, future in zip(tasks, futures, strict=True):
            try:
                yield future.result()
            except BrokenProcessPool:
                yield _lost(task)
    except BaseException:  # stopped: nobody waits for the photos that are being checked
        for worker in active_children():
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _lost(task: Task) -> Checked:
    """The answer for a photo whose worker process was killed."""
    from placecheck.errors import UnusableFile
    from placecheck.judge import failed_answer
    from placecheck.one_photo import Checked

    message = (
        "The process that checked this photo was stopped from outside, perhaps for want of memory: check it alone."
    )
    return Checked(task[0], failed_answer(UnusableFile("worker-lost", message), task[1].stage), is_photo=False)


def _report(checked: Checked, as_json: bool, several: bool, budget: bool = False) -> None:
    """The answer on standard output, notes on standard error."""
    if as_json:
        import json

        answer = checked.answer.as_json()
        if several:
            print(json.dumps({"photo": str(checked.path), **answer}, ensure_ascii=False), flush=True)
        else:
            print(json.dumps(answer, ensure_ascii=False, indent=1), flush=True)
    else:
        from rich.console import Console

        from placecheck.printout import print_answer, print_budget

        console = Console(highlight=False)
        print_answer(console, checked.answer, str(checked.path) if several else None)
        if budget:
            print_budget(console, checked.answer)
    for note in checked.notes:
        print(f"placecheck: {note}", file=sys.stderr)


def _save(checked: Checked, request: CheckRequest, names: Names, overlay: Path | None) -> None:
    """Keep photo, answer and overlay in the records; a failure is one sentence and never costs the verdict."""
    try:
        from placecheck.records.request_json import to_json
        from placecheck.records.saving import save_check
        from placecheck.settings import home

        picture = overlay.read_bytes() if overlay is not None and overlay.exists() else None
        save_check(
            home(),
            checked.path,
            checked.answer.as_json(),
            to_json(request),
            picture,
            order=names.order,
            client=names.client,
            maker=names.maker,
            profile=checked.answer.measured.camera_profile,
        )
    except Exception as error:
        what = str(error).split("\n", 1)[0] or type(error).__name__
        print(f"placecheck: This check was not saved to the records: {what}", file=sys.stderr)


def _cap_photo(given: Path | None, order: str | None) -> int | str | None:
    """The photo of the cap alone that was named, or the order's on record. Raises UsageProblem."""
    from placecheck.errors import UsageProblem
    from placecheck.records.earlier import cap_photo_of

    if given is None:
        return _on_record(cap_photo_of, order)
    if not given.is_file():
        raise UsageProblem("cap-photo-not-there", f"There is no photo of the cap at {given}: check the name.")
    return str(given)


def _pinned_record(order: str | None) -> int | None:
    """The record of the order's pinned photo that a stitched one is compared with, if there is one."""
    from placecheck.records.earlier import latest_of

    return _on_record(lambda store, name: latest_of(store, name, "pinned"), order)


def _on_record(look: Callable[[Store, str | None], int | None], order: str | None) -> int | None:
    """What `look` finds among the records of an order, a readable one; a sentence where they cannot be read."""
    from placecheck.errors import PlacecheckError
    from placecheck.records.store import open_store

    if (name := filed_order(order)) is None:
        return None
    try:
        with open_store() as store:
            return look(store, name)
    except PlacecheckError as error:
        print(f"placecheck: {error.problem.message}", file=sys.stderr)
        return None
