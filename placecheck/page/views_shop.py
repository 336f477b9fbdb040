"""The screens of the shop's books: orders with their stages, records, charts and reports.

Everything is asked of `shop`, the border to the order and record stores; these screens only
choose and show. An order's form comes back filled, with the one sentence that says what to mend,
when a length could not be meant as it was written; what is merely unusual is shown and kept
once it is accepted. Documents that stand for themselves (reports) are handed out under a
policy that lets them have their own style and nothing that runs.
"""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from placecheck.errors import UsageProblem
from placecheck.page import shop
from placecheck.page.app import bench_of
from placecheck.page.asked import STAGES
from placecheck.page.guard import changes
from placecheck.page.rows import VERDICT_SHORT, answer_of
from placecheck.page.views_photo import CLOSURES


async def orders(request: Request) -> Response:
    """All orders."""
    bench = bench_of(request)
    listed = await asyncio.to_thread(shop.open_orders, bench.config.home)
    return bench.render(request, "orders.html", orders=listed)


def _form(request: Request, texts: dict[str, str], message: str, doubts: tuple[str, ...], status: int) -> Response:
    return bench_of(request).render(
        request,
        "order_new.html",
        status,
        texts=texts,
        message=message,
        doubts=doubts,
        tape=shop.tape_fields(),
        closures=CLOSURES,
    )


async def order_form(request: Request) -> Response:
    """A new order."""
    return _form(request, {}, "", (), 200)


async def order_add(request: Request, form: Any) -> Response:
    """Keep a new order, or ask about it."""
    texts = {name: value[:200] for name, value in form.items() if isinstance(value, str) and name != "token"}
    try:
        kept = await asyncio.to_thread(shop.add_order, texts, bool(texts.get("accept")))
    except UsageProblem as error:
        return _form(request, texts, error.problem.message, (), 400)
    if kept.doubts:
        return _form(request, texts, "", kept.doubts, 200)
    return RedirectResponse(f"/orders/{kept.number}", 303)


async def order(request: Request) -> Response:
    """One order: what the tape said, its stages and photos."""
    bench = bench_of(request)
    shown = await asyncio.to_thread(shop.order_shown, request.path_params["number"])
    jobs = [job for job in bench.inbox.all() if job.spec.get("order") == shown.line.number][:30]

    def listed() -> list[dict[str, Any]]:
        out = []
        for job in jobs:
            answer = answer_of(job)
            out.append({"job": job, "short": VERDICT_SHORT[answer.verdict] if answer else "Measuring"})
        return out

    return bench.render(request, "order.html", order=shown, stages=STAGES, listed=await asyncio.to_thread(listed))


ROUTES = [
    Route("/orders", orders),
    Route("/orders", changes(order_add), methods=["POST"]),
    Route("/orders/new", order_form),
    Route("/orders/{number}", order),
]
