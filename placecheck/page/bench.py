"""What the page's screens share: how the page runs, its folders and queues, its templates.

One Bench is made by app.py for one home folder and kept in the application's state; every screen
gets it from its request (`bench_of`), so that no screen needs to know the application. It holds the
inbox of photos, who is paired with which code, the pool that measures, and the templates, which
`render` fills with what all of them need: the path, the token of the form, whether the phone is
paired, and the versions of the static files. Limits on what may be sent are here too, since the
guard and the screens both tell them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from placecheck.page.inbox import Inbox
from placecheck.page.pairing import PairingCodes
from placecheck.page.pool import CHECK_S, Pool
from placecheck.page.sessions import Sessions
from placecheck.page.worker import CHECKER

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.requests import Request
    from starlette.responses import Response

LOOPBACK = ("127.0.0.1", "localhost", "::1")
PHOTO_BYTES = 60_000_000
CLASS_BYTES = 1_000_000_000
CLASS_PHOTOS = 60


@dataclass
class PageConfig:
    """How the page runs. `hosts` are the names it answers to, `addresses` what a phone is told to open."""

    home: Path
    hosts: tuple[str, ...] = LOOPBACK
    addresses: tuple[str, ...] = ("http://127.0.0.1:8321",)
    secure: bool = False
    workers: int = 2
    checker: str = CHECKER
    check_s: float = CHECK_S
    code_lifetime_s: float = 600.0


@dataclass
class Bench:
    """What the screens share."""

    config: PageConfig
    inbox: Inbox
    sessions: Sessions
    codes: PairingCodes
    pool: Pool
    templates: Environment
    static: Mapping[str, tuple[bytes, str]] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)

    def render(self, request: Request, template: str, status: int = 200, /, **context: Any) -> Response:
        """A template as a page."""
        from starlette.responses import HTMLResponse

        everywhere = {
            "path": request.url.path,
            "token": request.state.form_token,
            "paired": request.state.session is not None,
            "version": self.versions,
            "most_bytes": PHOTO_BYTES,
        }
        return HTMLResponse(self.templates.get_template(template).render(everywhere | context), status)


def bench_of(request: Request) -> Bench:
    """The application's Bench."""
    bench: Bench = request.app.state.bench
    return bench


def named(name: str, shown: str = "inline") -> dict[str, str]:
    """The header that says what a file is called once it is kept (RFC 6266)."""
    said = f'filename="{name}"' if quote(name) == name else f"filename*=utf-8''{quote(name)}"
    return {"content-disposition": f"{shown}; {said}"}


def wants_json(request: Request) -> bool:
    """Whether a script asks, not a browser's form."""
    return "application/json" in request.headers.get("accept", "")
