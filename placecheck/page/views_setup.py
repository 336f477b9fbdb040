"""The screens around the job: pairing, devices, the printed card, limits, the camera.

Pairing is the only screen an unpaired device sees; the code comes typed or from behind the "#" of
the QR code's address, and is spent by a form, never by opening a link. The limits a shop
judges by and the card's measured bars are kept where the command line keeps them, so that both
judge alike; settings.toml is rewritten whole with its other tables as they were, and the
file before it stays beside it. Calibration photos are looked at in a worker process like
all others.
"""

from __future__ import annotations

import asyncio
import io
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from placecheck.answer import JUDGED, MEASURE_BY_NAME
from placecheck.errors import UsageProblem
from placecheck.page import camera_photos, limits
from placecheck.page.bench import Bench, bench_of
from placecheck.page.guard import changes
from placecheck.page.pairing import normalised
from placecheck.page.sessions import COOKIE, LIFETIME_S
from placecheck.page.views_take import photos_in

WRONG_CODE = "That code is not open: it works once and for ten minutes. Get a new one from the computer's screen."
TOO_MANY = "Too many wrong codes in a minute: wait a minute, then type the code from the computer's screen."


async def pair(request: Request) -> Response:
    """Where an unpaired device lands; its form is filled from behind the # by the page's script."""
    if request.state.session is not None:
        return RedirectResponse("/", 303)
    return bench_of(request).render(request, "pair.html", message="", code="")


async def pair_with(request: Request) -> Response:
    """Spend a code, hand out the cookie. No session yet, so the code itself is what guards this form."""
    bench = bench_of(request)
    async with request.form(max_files=0, max_fields=3, max_part_size=1000) as form:
        code = str(form.get("code", ""))[:40]
    address = request.client.host if request.client else ""
    if not bench.codes.may_guess(address):
        return bench.render(request, "pair.html", 429, message=TOO_MANY, code="")
    if not normalised(code) or not bench.codes.redeem(code, address):
        return bench.render(request, "pair.html", 403, message=WRONG_CODE, code="")
    token = await asyncio.to_thread(bench.sessions.pair, request.headers.get("user-agent", ""))
    response = RedirectResponse("/", 303)
    response.set_cookie(
        COOKIE, token, max_age=int(LIFETIME_S), httponly=True, samesite="strict", secure=bench.config.secure, path="/"
    )
    return response


async def more(request: Request) -> Response:
    """Everything that is not in the bar."""
    return bench_of(request).render(request, "more.html")


async def devices(request: Request) -> Response:
    """Who is paired, and pairing one more."""
    return _devices(request, None)


def _devices(request: Request, code: str | None) -> Response:
    bench = bench_of(request)
    shown = []
    if code is not None:
        for address in bench.config.addresses:
            shown.append((address, _qr(f"{address}/pair#{code.replace('-', '')}")))
    return bench.render(
        request, "devices.html", devices=bench.sessions.all(), mine=request.state.session.key, code=code, shown=shown
    )


def _qr(text: str) -> str:
    """A QR code (ISO/IEC 18004) as SVG with its quiet zone; dark on white in light and dark mode alike."""
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out, kind="svg", scale=6, border=4, dark="#000", light="#fff", xmldecl=False, svgns=False, omitsize=True,
        svgclass="qr", lineclass=None,
    )  # fmt: skip
    return out.getvalue().decode()


async def new_code(request: Request, form: Any) -> Response:
    """A code for one more device."""
    return _devices(request, bench_of(request).codes.new())


async def unpair(request: Request, form: Any) -> Response:
    """Forget a device, perhaps this one."""
    bench = bench_of(request)
    await asyncio.to_thread(bench.sessions.unpair, str(form.get("key", "")))
    return RedirectResponse("/devices", 303)


async def card(request: Request) -> Response:
    """The cards to print, and their measured bars."""
    return await _card(request)


async def _card(request: Request, message: str = "", texts: Mapping[str, str] | None = None) -> Response:
    """The cards, with what is wrong with bars that were typed, which stay as `texts`."""
    from placecheck.card_bars import load_bars, outranking, warnings_for

    bench, cards = bench_of(request), []
    for small in (False, True):
        kept = await asyncio.to_thread(load_bars, bench.config.home, small)
        odd = warnings_for(kept.x_mm, kept.y_mm, small) if kept else ()
        outranked = await asyncio.to_thread(outranking, bench.config.home, small)
        cards.append({"kept": kept, "odd": [*(problem.message for problem in odd), *filter(None, [outranked])]})
    status = 400 if message else 200
    return bench.render(request, "card.html", status, cards=cards, message=message, texts=texts or {})


async def card_file(request: Request) -> Response:
    """The card, or as small-PAPER the small one, as PDF."""
    from placecheck.card.page_layout import SCALE_SHEET, SMALL_SHEET
    from placecheck.card.printing import card_pdf
    from placecheck.units import PAPERS_MM

    paper = request.path_params["paper"]
    size = paper.removeprefix("small-")
    if size not in PAPERS_MM:
        raise UsageProblem("paper-unknown", "The card is there for A4 and for Letter.")
    data = await asyncio.to_thread(card_pdf, size, SCALE_SHEET if size == paper else SMALL_SHEET)
    headers = {"content-disposition": f'inline; filename="placecheck-card-{paper}.pdf"'}
    return Response(data, media_type="application/pdf", headers=headers)


async def save_bars(request: Request, form: Any) -> Response:
    """Keep a card's measured bars."""
    from placecheck import card_bars

    home, small = bench_of(request).config.home, form.get("card") == "small"
    texts = {name: str(form.get(name, ""))[:20] for name in ("card", "across", "down")}
    try:
        x, y = card_bars.parse_bars(f"{texts['across']}x{texts['down']}", small)
    except UsageProblem as error:
        return await _card(request, error.problem.message, texts)
    await asyncio.to_thread(card_bars.save_bars, home, x, y, True, small=small)
    return RedirectResponse("/card#small-bars" if small else "/card#bars", 303)


async def tolerances(request: Request) -> Response:
    """The shop's limits."""
    return await _tolerances(request)


async def _tolerances(request: Request, message: str = "", texts: Mapping[str, str] | None = None) -> Response:
    """The limits' form, with what is wrong with it and what was typed."""
    bench = bench_of(request)
    shown = await asyncio.to_thread(limits.shown, bench.config.home, texts)
    names = [(name, MEASURE_BY_NAME[name]) for name in JUDGED]
    status = 400 if message else 200
    return bench.render(request, "tolerances.html", status, shown=shown, measures=names, message=message)


async def set_tolerances(request: Request, form: Any) -> Response:
    """Keep other limits."""
    texts = {name: value[:20] for name, value in form.items() if isinstance(value, str)}
    try:
        await asyncio.to_thread(limits.keep, bench_of(request).config.home, texts)
    except UsageProblem as error:
        return await _tolerances(request, error.problem.message, texts)
    return RedirectResponse("/tolerances", 303)


async def camera(request: Request) -> Response:
    """The guided calibration."""
    return await _camera(request)


async def _camera(request: Request, message: str = "", name: str = "") -> Response:
    """The guided calibration, with what is wrong with the name that was typed."""
    bench = bench_of(request)
    shown = await asyncio.to_thread(camera_photos.shown, bench.config.home)
    return bench.render(request, "camera.html", 400 if message else 200, message=message, name=name, **shown)


async def camera_add(request: Request, form: Any) -> Response:
    """Photos of the card come in; all are then looked at."""
    from placecheck.page.bench import PHOTO_BYTES

    bench = bench_of(request)
    files = photos_in(form)
    if not files:
        raise UsageProblem("no-photo", "There is no photo in what was sent: take or choose one first.")
    for file in files:
        await asyncio.to_thread(camera_photos.add, bench.config.home, file.file, PHOTO_BYTES)
    await _look(bench)
    return RedirectResponse("/camera", 303)


async def _look(bench: Bench, name: str = "", replace: bool = False) -> None:
    message = await asyncio.to_thread(camera_photos.message, bench.config.home, name, replace)
    header = await bench.pool.card_photos(message)
    try:
        await asyncio.to_thread(camera_photos.keep, bench.config.home, header)
    except (ValueError, TypeError):
        raise UsageProblem("camera-lost", "The report on these photos could not be read: start over.") from None


async def camera_finish(request: Request, form: Any) -> Response:
    """Calibrate from the photos there, keep the profile."""
    bench = bench_of(request)
    name = str(form.get("name", ""))[:60]
    try:
        await _look(bench, name, bool(form.get("replace")))
    except UsageProblem as error:
        return await _camera(request, error.problem.message, name)
    return RedirectResponse("/camera", 303)


async def camera_clear(request: Request, form: Any) -> Response:
    """Start over."""
    await asyncio.to_thread(camera_photos.clear, bench_of(request).config.home)
    return RedirectResponse("/camera", 303)


ROUTES = [
    Route("/pair", pair),
    Route("/pair", pair_with, methods=["POST"]),
    Route("/more", more),
    Route("/devices", devices),
    Route("/devices/code", changes(new_code), methods=["POST"]),
    Route("/devices/unpair", changes(unpair), methods=["POST"]),
    Route("/card", card),
    Route("/card/{paper}.pdf", card_file),
    Route("/card/bars", changes(save_bars), methods=["POST"]),
    Route("/tolerances", tolerances),
    Route("/tolerances", changes(set_tolerances), methods=["POST"]),
    Route("/camera", camera),
    Route("/camera/photos", changes(camera_add, max_files=31), methods=["POST"]),
    Route("/camera/finish", changes(camera_finish), methods=["POST"]),
    Route("/camera/clear", changes(camera_clear), methods=["POST"]),
]
