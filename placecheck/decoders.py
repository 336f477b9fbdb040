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
import tempfile
import threading
import time
from collections.abc import Iterator

SAID = re.compile(
    rb"^(?:libpng (?:error|warning): |(?:Corrupt JPEG data|Premature end of JPEG file|Invalid SOS parameters|"
    rb"Inconsistent progression sequence|Unknown Adobe color transform|Warning: unknown JFIF|Application transferred)"
    rb"|\[ ?(?:WARN|ERROR):).*\n?",
    re.MULTILINE,
)
"""What libpng, libjpeg (the warnings of its jerror.h) and OpenCV's own log say of a picture."""
_hearing = threading.Lock()


@contextlib.contextmanager
def decoders_heard() -> Iterator[list[bytes]]:
    """The decoders' lines, in the list once the block is over."""
    said: list[bytes] = []
    with _hearing, tempfile.TemporaryFile() as heard:
        try:
            own = os.dup(2)
        except OSError:  # standard error is closed: nobody hears the decoders, and nobody is told
            yield said
            return
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
