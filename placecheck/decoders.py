"""What the decoders of pictures say while they decode.

libjpeg makes a picture of damaged data and only says so, on standard error, its first complaint
alone; libpng says there why it gave up, OpenCV why it doubts. They know no other place, and file
descriptor 2 belongs to the whole process, with its threads. So it points to a passing file while
a picture is decoded, one thread at a time; what the decoders said is handed over, and what
others wrote meanwhile is passed on to where it was to go. A process that another thread starts
just then has the passing file for its standard error. photo.py says what of it means damage.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from typing import BinaryIO

SAID = re.compile(
    rb"^(?:libpng (?:error|warning): |(?:Corrupt JPEG data|Premature end of JPEG file|Invalid SOS parameters|"
    rb"Inconsistent progression sequence|Unknown Adobe color transform|Warning: unknown JFIF|Application transferred)"
    rb"|\[ ?(?:WARN|ERROR):).*\n?",
    re.MULTILINE,
)
"""What libpng, libjpeg (the warnings of its jerror.h) and OpenCV's own log say of a picture."""
_hearing = threading.Lock()


def _passing_file() -> BinaryIO | None:
    """Where the decoders write meanwhile; None where nobody can hear them."""
    if sys.__stderr__ is None:  # closed at the start: descriptor 2 is some other file's, or nobody's
        return None
    try:
        return tempfile.TemporaryFile()
    except OSError:  # no folder for passing files
        return None


@contextlib.contextmanager
def decoders_heard() -> Iterator[list[bytes]]:
    """The decoders' lines, in the list once the block is over."""
    said: list[bytes] = []
    heard = _passing_file()
    if heard is None:
        yield said
        return
    with _hearing, heard:
        own = os.dup(2)
        os.dup2(heard.fileno(), 2)
        try:
            yield said
        finally:
            os.dup2(own, 2)
            os.close(own)
            if threading.active_count() > 1:
                time.sleep(0.0005)  # for what another thread was just writing
            heard.seek(0)
            text = heard.read()
            said += SAID.findall(text)
            others = SAID.sub(b"", text)
            if others:
                with contextlib.suppress(OSError):
                    os.write(2, others)
