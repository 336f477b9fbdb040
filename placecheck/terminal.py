"""What is printed moves no cursor: every sign on its way to the terminal is one to be read.

A name, a note or a file may hold signs that a terminal obeys (escape sequences, a bell, a carriage
return) or that turn a line about (bidirectional overrides). Whatever is printed passes through
here, whichever command prints it: `PlainStream` stands in the place of standard output and standard
error and writes such a sign as JSON escapes it (`\\u001b`), so that JSON stays the same JSON and
everything else shows what is there. Line ends and tabs pass. What the program draws itself, the
styles of a table or a bar of progress, is drawn by a `Console` of `console()`: text is made plain in
it before it is styled, and its own sequences pass the stream unchanged. Files are not printed, and
are written as they are. Nothing slow is imported before something is drawn.
"""

from __future__ import annotations

import io
import re
import sys
from typing import TYPE_CHECKING, Any, TextIO

from placecheck.errors import NO_SIGN

if TYPE_CHECKING:
    from rich.console import Console

_OBEYED = re.compile(rf"(?!\r?\n|\t){NO_SIGN.pattern}")


def readable(text: str) -> str:
    """`text` with what is no sign to be read escaped as in JSON; line ends and tabs stay."""
    return _OBEYED.sub(lambda sign: f"\\u{ord(sign[0]):04x}", text)


class PlainStream(io.TextIOWrapper):
    """A standard stream that prints what is to be read, and obeys nothing of it."""

    def write(self, text: str, /) -> int:
        super().write(readable(text))
        return len(text)

    def draw(self, text: str) -> int:
        """Write what the program draws itself, as it is."""
        return super().write(text)


class _Drawn:
    """The same stream for what the program draws itself, which passes as it is."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        return self._stream.draw(text) if isinstance(self._stream, PlainStream) else self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def console(error: bool = False) -> Console:
    """Where tables and styled lines are printed: standard output, or standard error."""
    from collections.abc import Iterable

    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    class Plain(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
            for part in super().render(renderable, options):
                yield part if part.control else Segment(readable(part.text), part.style)

    stream = sys.stderr if error else sys.stdout  # where there is none, rich prints nowhere, too
    return Plain(file=_Drawn(stream) if stream is not None else None, markup=False, highlight=False)  # type: ignore[arg-type]
