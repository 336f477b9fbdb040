"""The command line: which commands there are, and what happens when one fails.

Every command lives in its own module of placecheck.commands and is registered here by one
line; only the module of the command that was called is imported, and no command module
imports anything slow before it runs, so that `placecheck --help` answers at once. A
command raises a PlacecheckError for whatever the user can mend: its sentence goes to
standard error, its status to the shell. Anything else is a fault of the program: one
sentence as well, status 4, and the traceback only with PLACECHECK_DEBUG=1. Usage errors
are typer's own (status 2); Ctrl-C is 130, as shells have it, and a termination asked for by
the system ends the command as it would have, after what it started is ended too. Whoever reads
the output may stop reading: the command goes on to its end, and its status is what it would be.
"""

from __future__ import annotations

import atexit
import importlib
import io
import os
import signal
import sys
from collections.abc import Sequence
from typing import Any, TextIO

import typer

from placecheck.commands.torn import refuse_torn
from placecheck.errors import PlacecheckError, UnusableFile, one_line
from placecheck.terminal import PlainStream

COMMANDS: dict[str, str] = {
    "check": "placecheck.commands.check",
    "card": "placecheck.commands.card",
    "card-bars": "placecheck.commands.card_bars",
    "camera": "placecheck.commands.camera",
    "block": "placecheck.commands.block",
    "study": "placecheck.commands.study",
    "order": "placecheck.commands.order",
    "page": "placecheck.commands.page",
    "doctor": "placecheck.commands.doctor",
    "records": "placecheck.commands.records",
}
"""Command or command group, and the module whose `register(app)` adds it, in the order of the help."""


def build_app(only: str | None = None) -> typer.Typer:
    """The typer application with all commands, or with one of them."""
    app = typer.Typer(
        name="placecheck",
        help="Checks the placement of a lace closure on a wig cap from one phone photo.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,  # plain help is there in half the time
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_version)
    for name, module in COMMANDS.items():
        if only is None or name == only:
            importlib.import_module(module).register(app)
    return app


def _print_version(wanted: bool) -> None:
    if wanted:
        from placecheck import __version__

        print(f"placecheck {__version__}")
        raise typer.Exit


def _version(
    version: bool = typer.Option(
        False, "--version", help="Print the version and exit.", callback=_print_version, is_eager=True
    ),
) -> None:
    pass


def run(arguments: Sequence[str]) -> int:
    """Run the command line and return the exit status; prints one sentence where something fails."""
    wanted = next((a for a in arguments if not a.startswith("-")), None)
    try:
        try:
            refuse_torn(arguments)
            build_app(wanted if wanted in COMMANDS else None)(list(arguments), prog_name="placecheck")
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()  # here, where it is one sentence if that fails
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except PlacecheckError as error:
        from placecheck.printout import with_option

        _say(with_option(error.problem))
        return error.exit_status
    except KeyboardInterrupt:
        _say("Stopped.")
        return 130
    except ImportError as error:
        from placecheck.system import import_problem

        _debug()
        _say(import_problem(error).message)
        return 4
    except OSError as error:
        _debug()
        _say(_system_stopped(error))
        return 4
    except Exception as error:
        _debug()
        _say(
            f"An internal error stopped the command ({type(error).__name__}: {error}): please report it; "
            "PLACECHECK_DEBUG=1 shows more."
        )
        return 4
    return 0


def _debug() -> None:
    if os.environ.get("PLACECHECK_DEBUG") == "1":
        import traceback

        traceback.print_exc()


def _say(message: str) -> None:
    print(f"placecheck: {one_line(message)}", file=sys.stderr)


def _system_stopped(error: OSError) -> str:
    """A sentence for what the system refused and no command has a better one for."""
    try:
        os.getcwd()
    except OSError:
        return "The folder you are working in is not there any more: change into another one and try again."
    what = f"{error.filename}: " if error.filename is not None else ""
    return (
        f"The system stopped the command ({what}{error.strerror or error}): check that the file or folder is there, "
        "that you may use it, and that the disk is not full."
    )


class _Output(io.FileIO):
    """A standard stream whose reader may go away: what nobody reads is dropped, and the command goes on.

    Raises UnusableFile, once, where it cannot be written for another reason.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number, "wb", closefd=False)
        self.lost = False

    def write(self, data: Any, /) -> int:
        if not self.lost:
            try:
                return super().write(data)
            except OSError as error:
                self.lost = True
                if not isinstance(error, BrokenPipeError) and self.fileno() != sys.stderr.fileno():
                    raise UnusableFile(
                        "output-unwritable",
                        f"The answer cannot be written where standard output goes ({error.strerror}): free some space, "
                        "or send it elsewhere.",
                    ) from None
        return memoryview(data).nbytes


TERMINATED = 128 + signal.SIGTERM


def _terminate(number: int, frame: object) -> None:
    """Leave by an exception, so that what was started is ended and what lies about is tidied on the way out."""
    raise SystemExit(TERMINATED)


def _prepared(stream: TextIO, number: int) -> TextIO:
    """A standard stream as the command needs it."""
    return PlainStream(
        stream.buffer if stream.isatty() else io.BufferedWriter(_Output(number)),
        stream.encoding,
        "replace",  # whoever lacks a sign gets "?" in its place, never a traceback
        line_buffering=getattr(stream, "line_buffering", False),
        write_through=getattr(stream, "write_through", False),
    )


def main() -> None:
    """Entry point of the `placecheck` command."""
    if sys.stdout is not None:
        sys.stdout = _prepared(sys.stdout, 1)
    if sys.stderr is not None:
        sys.stderr = _prepared(sys.stderr, 2)
    if sys.stdin is None:  # closed: questions are not answered then
        sys.stdin = io.StringIO()
    if not os.environ.get("COLUMNS", "").strip("0"):  # a width of nothing shows nothing
        os.environ.pop("COLUMNS", None)
    signal.signal(signal.SIGTERM, _terminate)
    status = 0

    def end_as_terminated() -> None:
        if status == TERMINATED:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)
            os.kill(os.getpid(), signal.SIGTERM)

    atexit.register(end_as_terminated)  # registered first, so called last, when all is tidied up
    status = run(sys.argv[1:])
    sys.exit(status)
