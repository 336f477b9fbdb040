"""Sessions: the devices that are paired, and the tokens that guard their forms.

A session is a random token of 256 bits in a cookie that scripts cannot read (HttpOnly) and that
no other site's page can make a browser send (SameSite=Strict). The server keeps only its
SHA-256, in one small file that is replaced whole, so that a restart does not ask everybody to
pair again and a copy of the file opens nothing. A device that has not come for two weeks, or
was paired three months ago, is forgotten; any paired device can unpair any. The form token
(against forged requests) is an HMAC of the session's token, so that it needs no keeping and
differs from device to device.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import secrets
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from placecheck.whole_files import small_json, write_whole

COOKIE = "placecheck"
IDLE_S, LIFETIME_S = 14 * 86400.0, 90 * 86400.0
MAX_SESSIONS = 500
SEEN_STEP_S = 3600.0
"""How often "last seen" is written to disk: not with every picture."""


@dataclass
class Session:
    """One paired device. `key` names it in forms; the cookie's token itself is not kept."""

    key: str
    digest: str
    device: str
    paired: float
    seen: float


def device_name(user_agent: str) -> str:
    """A word for the device by what its browser says of itself."""
    for sign, name in (
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android phone"),
        ("Windows", "Windows computer"),
        ("Macintosh", "Mac"),
        ("Linux", "Linux computer"),
    ):
        if sign in user_agent:
            return name
    return "device"


def form_token(token: str) -> str:
    """What forms of this session carry."""
    return hmac.new(token.encode(), b"placecheck form", hashlib.sha256).hexdigest()


class Sessions:
    """All paired devices, kept in `path`."""

    def __init__(self, path: Path, clock: Callable[[], float] = time.time) -> None:
        self._path, self._clock = path, clock
        self._by_digest: dict[str, Session] = {}
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
            for entry in small_json(path):
                session = Session(**entry)
                self._by_digest[session.digest] = session

    def pair(self, user_agent: str) -> str:
        """A new session; returns its token."""
        self._forget_old()
        while len(self._by_digest) >= MAX_SESSIONS:
            del self._by_digest[min(self._by_digest, key=lambda d: self._by_digest[d].seen)]
        token, now = secrets.token_urlsafe(32), self._clock()
        digest = hashlib.sha256(token.encode()).hexdigest()
        self._by_digest[digest] = Session(secrets.token_hex(6), digest, device_name(user_agent), now, now)
        self._save()
        return token

    def of(self, token: str | None) -> Session | None:
        """The session of a cookie's token, or None."""
        if not token or len(token) > 100:
            return None
        session = self._by_digest.get(hashlib.sha256(token.encode()).hexdigest())
        now = self._clock()
        if session is None or now - session.seen > IDLE_S or now - session.paired > LIFETIME_S:
            return None
        if now - session.seen > SEEN_STEP_S:
            session.seen = now
            self._save()
        return session

    def unpair(self, key: str) -> None:
        """Forget the device that forms name `key`."""
        for digest in [d for d, s in list(self._by_digest.items()) if s.key == key]:
            del self._by_digest[digest]
        self._save()

    def all(self) -> list[Session]:
        """The devices that may come in, latest seen first."""
        self._forget_old()
        return sorted(list(self._by_digest.values()), key=lambda s: -s.seen)

    def _forget_old(self) -> None:
        now = self._clock()
        for digest, s in list(self._by_digest.items()):
            if now - s.seen > IDLE_S or now - s.paired > LIFETIME_S:
                del self._by_digest[digest]

    def _save(self) -> None:
        data = json.dumps([asdict(s) for s in list(self._by_digest.values())])
        with contextlib.suppress(OSError):  # a full disk costs the pairing after a restart, not the work now
            write_whole(self._path, data.encode())
