"""The command line: which commands there are, and what happens when one fails.

Every command lives in its own module of placecheck.commands and is registered here by one
line; only the module of the command that was called is imported, and no command module
imports anything slow before it runs, so that `placecheck --help` answers at once. A
command raises a PlacecheckError for whatever the user can mend: its sentence goes to
standard error, its status to the shell. Anything else is a fault of the program: one
sentence as well, status 4, and the traceback only with PLACECHECK_DEBUG=1. Usage errors
are typer's own (status 2); Ctrl-C is 130, as shells have it.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence

import typer

from placecheck.errors import PlacecheckError

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
        build_app(wanted if wanted in COMMANDS else None)(list(arguments), prog_name="placecheck")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except PlacecheckError as error:
        from placecheck.printout import with_option

        _say(with_option(error.problem))
        return error.exit_status
    except KeyboardInterrupt:
        _say("Stopped.")
        return 130
    except BrokenPipeError:
        # whoever read our output has gone; keep Python from complaining about it at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except ImportError as error:
        from placecheck.system import import_problem

        _debug()
        _say(import_problem(error).message)
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
    print(f"placecheck: {message}", file=sys.stderr)


def main() -> None:
    """Entry point of the `placecheck` command."""
    for stream in (sys.stdout, sys.stderr):
        # a terminal that lacks a sign gets "?" in its place, never a traceback
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    sys.exit(run(sys.argv[1:]))
