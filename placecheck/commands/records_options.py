"""What the commands of `placecheck records` share: their options, and how they open, say and write.

An option that several commands have is written once, so that it is called the same and
explained the same wherever it stands. The store is the one that the settings name, opened
when a command asks for it. Lists and numbers go to standard output; what is said about them
goes to standard error, so that a list can be piped on as it is. A file is written whole or
not at all, and one that is there already only with --force; its name is printed when it is.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from placecheck.commands.filed_under import filed_order

if TYPE_CHECKING:
    from placecheck.records.store import Store

Order = Annotated[str | None, typer.Option(help="Only this order.", callback=filed_order)]
Client = Annotated[str | None, typer.Option(help="Only this client alias, in capitals or not.")]
Maker = Annotated[str | None, typer.Option(help="Only this maker, in capitals or not.")]
Stage = Annotated[str | None, typer.Option(help="Only this stage, such as pinned or stitched.")]
OneVerdict = Annotated[str | None, typer.Option(help="Only this verdict: pass, fix or retake.")]
Closure = Annotated[str | None, typer.Option(help="Only this closure size, however it was written: 5x5.")]
Since = Annotated[str | None, typer.Option(metavar="DATE", help="From this day on: 2026-03-01.")]
Until = Annotated[str | None, typer.Option(metavar="DATE", help="Up to and with this day.")]
By = Annotated[Literal["maker", "closure", "stage"], typer.Option(case_sensitive=False, help="What is compared.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite a file that is there already.")]
Number = Annotated[int, typer.Argument(help="Number of the record.")]
ChartedStage = Annotated[
    Literal["cap", "pinned", "stitched", "stitches", "any"],
    typer.Option(case_sensitive=False, help="Which stage; “any” for all."),
]
MeasuredStage = Annotated[
    Literal["cap", "pinned", "stitched", "stitches", "any"] | None,
    typer.Option(
        case_sensitive=False,
        help="Which stage; without it pinned, or the one that has the measure. “any” for all.",
        show_default=False,
    ),
]


def opened() -> Store:
    """The store that the settings name."""
    from placecheck.records.store import open_store

    return open_store()


def say(text: str) -> None:
    """A sentence about what is printed, to standard error."""
    print(text, file=sys.stderr)


def changed_words(number: int) -> str:
    """What is said of a record that is not what was written."""
    return f"Record {number} was changed after it was written: see `placecheck records verify`."


def numbered(n: int, noun: str) -> str:
    """So many of something: 1 record, 2 records."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


def write(target: Path | None, data: bytes | Iterable[str], force: bool) -> None:
    """To a file, whole or not at all, or (None) to standard output."""
    from placecheck.records.photos import write_atomically
    from placecheck.whole_files import free_path

    if target is None:
        for line in data if not isinstance(data, bytes) else [data.decode()]:
            sys.stdout.write(line)
        return
    pieces = data if isinstance(data, bytes) else (line.encode() for line in data)
    write_atomically(free_path(target, force), pieces, named=True)
    print(target)


def nothing_yet() -> str:
    """What is said where no check was kept yet."""
    return "There are no records yet: check a photo, or see `placecheck records demo`."
