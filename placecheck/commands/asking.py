"""Questions on a terminal that nobody answers.

A question ends without an answer in two ways: where nobody is there to answer (a script, a closed
input, Ctrl-D), and where the user stops the command (Ctrl-C). typer makes one `Abort` of both, which
says nothing but "Aborted!" and ends with the status of a fix. Here the first becomes a Problem that
says what was not done and how to do it without being asked, the second stays the KeyboardInterrupt
that it was, so that the command ends as stopped ones do.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import typer


@contextmanager
def asking(unanswered: str) -> Iterator[None]:
    """What asks is done within; `unanswered` is the sentence where no answer comes. Raises UsageProblem."""
    from placecheck.errors import UsageProblem

    try:
        yield
    except typer.Abort as abort:
        if isinstance(abort.__context__, KeyboardInterrupt):
            raise KeyboardInterrupt from None
        raise UsageProblem("not-answered", unanswered) from None
