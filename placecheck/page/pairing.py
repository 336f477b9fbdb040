"""Pairing codes: how a phone shows that its owner can see the computer's screen.

A code is eight letters and digits out of 31 that are not mistaken for each other (40 bits less
a little: 8.5e11 codes), made by the system's random source. It works once and for ten
minutes; wrong guesses are counted for each address and for all together, and too many in a
minute are not even looked at, so that guessing through half of the codes at the greatest
allowed rate would take thousands of years. Codes are kept as SHA-256 and compared in constant
time. In the address of the QR code it stands behind the "#", which a browser does not send: it
reaches no log and no page but the form that asks for it. Times are seconds of `clock`.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 8
LIFETIME_S = 600.0
GUESSES_PER_MINUTE, GUESSES_PER_MINUTE_IN_ALL = 10, 60
MAX_CODES = 40


def normalised(text: str) -> str:
    """A code as typed: capitals, without blanks and dashes; at most as long as a code and a little."""
    return "".join(c for c in text[:40].upper() if c.isalnum())


def spaced(code: str) -> str:
    """`ABCDEFGH` as it is shown: `ABCD-EFGH`."""
    return f"{code[:4]}-{code[4:]}"


def _digest(code: str) -> bytes:
    return hashlib.sha256(code.encode()).digest()


@dataclass
class PairingCodes:
    """The codes that are open, and the guesses of the last minute."""

    clock: Callable[[], float] = time.monotonic
    lifetime_s: float = LIFETIME_S
    _open: dict[bytes, float] = field(default_factory=dict)
    _wrong: deque[tuple[float, str]] = field(default_factory=deque)

    def new(self) -> str:
        """A fresh code, `ABCD-EFGH`; the oldest open one makes way when there are too many."""
        self._forget_old()
        while len(self._open) >= MAX_CODES:
            del self._open[min(self._open, key=self._open.__getitem__)]
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._open[_digest(code)] = self.clock() + self.lifetime_s
        return spaced(code)

    def may_guess(self, address: str) -> bool:
        """Whether this address may try a code now."""
        self._forget_old()
        mine = sum(1 for _, who in self._wrong if who == address)
        return mine < GUESSES_PER_MINUTE and len(self._wrong) < GUESSES_PER_MINUTE_IN_ALL

    def redeem(self, text: str, address: str) -> bool:
        """Whether `text` is an open code; it is spent by that. A wrong one counts against `address`."""
        if not self.may_guess(address):
            return False
        given = _digest(normalised(text))
        found = None
        for digest in self._open:
            if hmac.compare_digest(digest, given):
                found = digest
        if found is None:
            self._wrong.append((self.clock(), address))
            return False
        del self._open[found]
        return True

    def _forget_old(self) -> None:
        now = self.clock()
        for digest in [d for d, until in self._open.items() if until <= now]:
            del self._open[digest]
        while self._wrong and self._wrong[0][0] <= now - 60:
            self._wrong.popleft()
