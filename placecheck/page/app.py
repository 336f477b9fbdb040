"""The application: its parts put together, its routes, and how they are served.

`build_app` makes the ASGI application for one home folder; `bench.Bench` holds what the screens share.
Static files and templates are read once at the start into memory, under names fixed here, so
that nothing in a request's path is ever looked for on the disk. Expected failures
(PlacecheckError) become a page with their sentence; what a screen may be asked is in `ROUTES`
of each views module, and every route that changes something goes through guard.changes. The
server is uvicorn with one process: measuring happens in the pool's worker processes.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

from placecheck.page.bench import CLASS_BYTES, PHOTO_BYTES, Bench, PageConfig, wants_json
from placecheck.page.guard import Guard
from placecheck.page.inbox import Inbox, inbox_folder
from placecheck.page.pairing import PairingCodes
from placecheck.page.pool import Pool
from placecheck.page.sessions import Sessions

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

HERE = Path(__file__).parent
TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


def _templates() -> Environment:
    from jinja2 import DictLoader, Environment, StrictUndefined

    from placecheck import steps
    from placecheck.page import words

    pages = {path.name: path.read_text(encoding="utf-8") for path in (HERE / "templates").glob("*.html")}
    environment = Environment(
        loader=DictLoader(pages), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["when"] = words.when
    environment.filters["ago"] = words.ago
    environment.filters["apart"] = words.apart
    environment.filters["step"] = steps.step_of
    environment.filters["pieces"] = steps.lengths_apart
    environment.filters["begun"] = steps.begun
    environment.filters["spoken"] = steps.spoken
    return environment


def _static() -> dict[str, tuple[bytes, str]]:
    files = sorted((HERE / "static").iterdir())
    return {path.name: (path.read_bytes(), TYPES[path.suffix]) for path in files if path.suffix in TYPES}


async def _tidy(inbox: Inbox) -> None:
    """Remove week-old photos, once an hour."""
    while True:
        await asyncio.sleep(3600)
        await asyncio.to_thread(inbox.forget_old)


def build_app(config: PageConfig) -> Starlette:
    """The ASGI application. Makes its folders; raises OSError where it may not."""
    from starlette.applications import Starlette
    from starlette.exceptions import HTTPException
    from starlette.middleware import Middleware
    from starlette.routing import Route

    from placecheck.errors import PlacecheckError
    from placecheck.page import views_class, views_photo, views_setup, views_shop, views_take
    from placecheck.page.rows import can_be_shown

    folder = config.home / "page"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    inbox = Inbox(inbox_folder(config.home), can_be_shown=can_be_shown)
    sessions = Sessions(folder / "sessions.json")
    static = _static()
    bench = Bench(
        config,
        inbox,
        sessions,
        PairingCodes(lifetime_s=config.code_lifetime_s),
        Pool(inbox, config.workers, config.checker, config.check_s),
        _templates(),
        static,
        {name: hashlib.sha256(data).hexdigest()[:12] for name, (data, _) in static.items()},
    )

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        await bench.pool.start()
        tidying = asyncio.create_task(_tidy(inbox))
        try:
            yield
        finally:
            tidying.cancel()
            await bench.pool.stop()

    async def failed(request: Request, error: Exception) -> Response:
        from starlette.responses import JSONResponse, RedirectResponse

        if isinstance(error, HTTPException):
            status, message = error.status_code, error.detail
            if status == 404:
                message = "There is nothing here: it may have been removed."
        else:
            assert isinstance(error, PlacecheckError)
            status, message = 400, error.problem.message
        if wants_json(request):
            return JSONResponse({"error": message}, status)
        back = "" if status == 404 else request.url.path.rpartition("/")[0]
        if status == 405 and request.method == "GET":  # a form's address, opened or loaded again: to what it is of
            return RedirectResponse(back or "/", 303)
        return bench.render(request, "message.html", status, message=message, title="Not done", back=back)

    async def serve_static(request: Request) -> Response:
        from starlette.responses import Response

        found = static.get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        headers = {"cache-control": "public, max-age=31536000, immutable"}
        return Response(found[0], media_type=found[1], headers=headers)

    limits = {
        "/photos": PHOTO_BYTES + 100_000,
        "/class": CLASS_BYTES,
        "/camera": CLASS_BYTES,
    }
    routes = [
        Route("/static/{name}", serve_static),
        *views_setup.ROUTES,
        *views_take.ROUTES,
        *views_photo.ROUTES,
        *views_class.ROUTES,
        *views_shop.ROUTES,
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, sessions=sessions, hosts=config.hosts, limits=limits)],
        exception_handlers={HTTPException: failed, PlacecheckError: failed},
        lifespan=lifespan,
    )
    app.state.bench = bench
    return app
