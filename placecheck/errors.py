"""What can go wrong, as values.

Every failure the user can meet is a Problem: a stable code for programs and one
sentence for the person at the bench that says what is wrong and what to do next.
Steps raise PlacecheckError when they cannot go on; the check turns it into an
answer, the command line into an exit status. A photo's own failure never ends
in a traceback. UnusableFile is for files that are no usable photo at all
(exit 4), RetakeNeeded for photos that show too little (exit 3), UsageProblem
for a length, size or setting that makes no sense (exit 2).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Self

NO_SIGN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
"""What moves a terminal's cursor, or turns its text about: nothing of a sentence, but a file's name may hold it."""
INSTALL_EXTRA = 'run `.venv/bin/pip install -e ".[{}]"` once in placecheck\'s folder'
"""How an extra is installed beside what is there: a pip of the system's own is none on Debian, or refuses."""


def one_line(text: str) -> str:
    """`text` with "?" for what is no sign to be read."""
    return NO_SIGN.sub("?", text)


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong: a stable `code` and a sentence that says what to do next."""

    code: str
    message: str

    def __post_init__(self) -> None:
        if not self.code or not self.message:
            raise ValueError("a problem needs a code and a message")
        object.__setattr__(self, "message", one_line(self.message))


class PlacecheckError(Exception):
    """A step cannot go on; carries the Problem and the exit status of the command."""

    exit_status = 4

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.problem = Problem(code, message)

    @classmethod
    def of(cls, problem: Problem) -> Self:
        """The error that a problem is."""
        return cls(problem.code, problem.message)


class UnusableFile(PlacecheckError):
    """The file is not a photo that can be used at all (exit status 4)."""

    exit_status = 4


class RetakeNeeded(PlacecheckError):
    """The photo is readable but shows too little to measure (exit status 3)."""

    exit_status = 3


class UsageProblem(PlacecheckError):
    """A value given by the user makes no sense (exit status 2, nothing was measured)."""

    exit_status = 2
