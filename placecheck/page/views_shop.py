"""The screens of the shop's books: orders with their stages, records, charts and reports.

Everything is asked of `shop` and `books`, the borders to the order and record stores; these
screens only choose and show. An order's form comes back filled, with the one sentence that says
what to mend, when a length could not be meant as it was written; what is merely unusual is shown
and kept once it is accepted. Documents that stand for themselves (reports) are handed out under a
policy that lets them have their own style and nothing that runs. A new order's form carries a token of
its own, which is kept with the order, so that two taps on its button are one order.
"""

from __future__ import annotations

import asyncio
import secrets
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from placecheck.answer import MEASURE_BY_NAME
from placecheck.errors import PlacecheckError
from placecheck.page import books, shop
from placecheck.page.asked import STAGE_WORDS, STAGES
from placecheck.page.bench import bench_of, named
from placecheck.page.guard import DOCUMENT_CSP, changes
from placecheck.page.hands import moved_words
from placecheck.page.rows import VERDICT_SHORT, listed, rows_of_record
from placecheck.page.views_take import CLOSURES, next_stages
from placecheck.page.words import apart
from placecheck.printout import in_words
from placecheck.records.compare import Change
from placecheck.records.model import ORIGIN_WORDS, Record, report_name
from placecheck.request import STAGES as JOB

FRONTAL = "13x4"  # can be ordered, but is not checked


async def orders(request: Request) -> Response:
    """All orders."""
    bench = bench_of(request)
    orders = await asyncio.to_thread(shop.all_orders, bench.config.home)
    return bench.render(request, "orders.html", orders=orders)


def _form(
    request: Request, texts: dict[str, str], message: str, doubts: tuple[str, ...], status: int, number: str = ""
) -> Response:
    """The form of a new order, or of the one with that number."""
    return bench_of(request).render(
        request,
        "order_new.html",
        status,
        number=number,
        once=texts.get("once") or secrets.token_hex(8),
        texts=texts,
        message=message,
        doubts=doubts,
        tape=shop.tape_fields(),
        closures=(*CLOSURES, FRONTAL),
    )


async def order_form(request: Request) -> Response:
    """A new order."""
    return _form(request, {}, "", (), 200)


async def order_change_form(request: Request) -> Response:
    """An order's form, filled."""
    number = request.path_params["number"]
    texts = await asyncio.to_thread(shop.order_texts, number)
    return _form(request, texts, "", (), 200, await asyncio.to_thread(shop.order_label, number))


async def order_change(request: Request, form: Any) -> Response:
    """Change an order, or ask about it."""
    return await _keep(request, form, await asyncio.to_thread(shop.order_label, request.path_params["number"]))


async def order_add(request: Request, form: Any) -> Response:
    """Keep a new order, or ask about it."""
    return await _keep(request, form, "")


async def _keep(request: Request, form: Any, number: str) -> Response:
    texts = {name: value[:200] for name, value in form.items() if isinstance(value, str) and name != "token"}
    try:
        kept = await asyncio.to_thread(shop.keep_order, texts, number)
    except PlacecheckError as error:
        message = error.problem.message
        if error.problem.code == "order-changed-meanwhile":
            texts, message = await asyncio.to_thread(shop.changed_meanwhile, texts, number)
        return _form(request, texts, message, (), 400, number)
    if kept.doubts:
        return _form(request, texts, "", kept.doubts, 200, number)
    return RedirectResponse(f"/orders/{kept.number}", 303)


async def order(request: Request) -> Response:
    """One order: what the tape said, its stages and photos."""
    bench = bench_of(request)
    shown = await asyncio.to_thread(shop.order_shown, bench.config.home, request.path_params["number"])
    jobs = [job for job in bench.inbox.all() if job.spec.get("order") == shown.line.number][:30]

    wanted = await asyncio.to_thread(books.filter_of, {"order": shown.line.number})
    saved, _ = await asyncio.to_thread(books.find, bench.config.home, wanted, 0)
    return bench.render(
        request,
        "order.html",
        order=shown,
        stages=[(stage, STAGE_WORDS[stage]) for stage in JOB],
        listed=await asyncio.to_thread(listed, jobs),
        saved=[_line(summary) for summary in saved],
        next=(await asyncio.to_thread(next_stages, bench, [shown.line.number])).get(shown.line.number, STAGES[0]),
        measured=any(s.attempt is not None and s.stage in ("pinned", "stitched") for s in saved),
    )


async def sheet(request: Request) -> Response:
    """The order's bench sheet or guidelines, PDF on A4, or as -letter on Letter."""
    bench, kind = bench_of(request), request.path_params["sheet"]
    kind, _, paper = kind.partition("-")
    if kind not in ("sheet", "guidelines") or paper not in ("", "letter"):
        raise HTTPException(404)
    number = request.path_params["number"]
    rows = kind == "guidelines"
    data, name = await asyncio.to_thread(shop.order_sheet, bench.config.home, number, rows, paper or "a4")
    return Response(data, media_type="application/pdf", headers=named(name))


async def rows_picture(request: Request) -> Response:
    """The order's guidelines in the photo of its closure, JPEG."""
    bench = bench_of(request)
    order = await asyncio.to_thread(shop.order_label, request.path_params["number"])
    headers = named(await asyncio.to_thread(shop.rows_name, order))
    return Response(await bench.pool.rows_picture(order), media_type="image/jpeg", headers=headers)


async def report(request: Request) -> Response:
    """The order's report as a document of its own."""
    bench, number = bench_of(request), request.path_params["number"]
    kind = request.path_params["kind"]
    if kind not in ("pdf", "html"):
        raise HTTPException(404)
    data = await asyncio.to_thread(books.report, bench.config.home, number[:60], kind == "pdf")
    headers = named(report_name(number[:60], kind), "inline" if kind == "pdf" else "attachment")
    if kind == "pdf":
        return Response(data, media_type="application/pdf", headers=headers)
    return Response(data, media_type="text/html", headers=headers | {"content-security-policy": DOCUMENT_CSP})


# ----------------------------------------------------------------------------- records


def _query(request: Request) -> dict[str, str]:
    return {name: request.query_params[name] for name in books.FILTERS if request.query_params.get(name)}


async def records(request: Request) -> Response:
    """Records, newest first, filtered."""
    bench, texts = bench_of(request), _query(request)
    text = request.query_params.get("page", "0")
    page = min(int(text), 100_000) if text.isdecimal() else 0
    wanted = await asyncio.to_thread(books.filter_of, texts)
    found, count = await asyncio.to_thread(books.find, bench.config.home, wanted, page)
    return bench.render(
        request,
        "records.html",
        found=[_line(summary) for summary in found],
        count=count,
        texts=texts,
        any_there=count or await asyncio.to_thread(books.any_there, bench.config.home),
        stages=STAGES,
        query=urlencode(texts),
        page=page,
        pages=-(-count // books.PAGE_OF_RECORDS),
    )


def _line(summary: Any) -> dict[str, Any]:
    from placecheck.records.model import local_text

    offset = summary.readings.get("offset_mm")
    return {
        "number": summary.id,
        "verdict": VERDICT_SHORT[summary.verdict],
        "kind": summary.verdict,
        "when": local_text(summary.created_at),
        "about": ", ".join(
            text
            for text in (
                f"order {summary.order_ref}" if summary.order_ref else "",
                apart(summary.client or ""),
                apart(summary.maker or ""),
                summary.closure,
                summary.stage,
                ORIGIN_WORDS.get(summary.origin, ""),
            )
            if text
        ),
        "reads": in_words(MEASURE_BY_NAME["offset_mm"], offset.value, offset.U95) if offset else "",
    }


def _number(request: Request) -> int:
    text = request.path_params["number"]
    if not text.isdecimal() or len(text) > 12:
        raise HTTPException(404)
    return int(text)


async def record(request: Request) -> Response:
    """One record, whole."""
    from placecheck.records.report import rows_of as all_rows
    from placecheck.records.report import taped_words, verdict_words

    bench = bench_of(request)
    found = await asyncio.to_thread(books.record, bench.config.home, _number(request))
    pinned, moved = await asyncio.to_thread(books.changes_since_pinned, bench.config.home, found)
    marks = found.request.get("marks") or {}
    return bench.render(
        request,
        "record.html",
        found=found,
        line=_line(found.summary),
        order=await asyncio.to_thread(shop.order_kept, found.summary.order_ref),
        words=verdict_words(found.summary.stage, found.summary.verdict),
        rows=rows_of_record(found.answer, float((found.request.get("tolerances") or {}).get("guard_factor", 1.645))),
        table=[row for row in all_rows(found) if not row.limits],
        fixes=found.answer.get("fixes", []),
        problems=[p["message"] for p in found.answer.get("problems", [])],
        by_hand=moved_words(marks.get("landmarks_px") or {}, marks.get("lines_px") or {}),
        others=_measured_with(found),
        pinned=pinned,
        moved=[(c.label, _was_and_is(c)) for c in moved if c.moved],
        taped=taped_words(found),
    )


def _was_and_is(change: Change) -> str:
    """A measure before and after, its sides in words: `1.5 ± 0.8 mm left → 4.1 ± 1.5 mm right`."""
    spec = MEASURE_BY_NAME[change.name]
    return " → ".join(in_words(spec, r.value, r.U95) for r in (change.before, change.after) if r is not None)


def _measured_with(found: Record) -> list[int]:
    """The records of the photos that a record was measured together with."""
    alone = any(problem["code"] == "others-unused" for problem in found.answer.get("problems", ()))
    return [] if alone else [other["photo"] for other in found.request.get("others") or ()]


async def record_picture(request: Request) -> Response:
    """A record's picture, JPEG."""
    name = request.path_params["picture"]
    if name not in ("overlay", "photo"):
        raise HTTPException(404)
    bench = bench_of(request)
    data = await asyncio.to_thread(books.record_picture, bench.config.home, _number(request), name == "overlay")
    if data is None:
        raise HTTPException(404)
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=600"})


async def records_csv(request: Request) -> Response:
    """The filtered records as CSV."""
    wanted = await asyncio.to_thread(books.filter_of, _query(request))
    data = await asyncio.to_thread(books.export_csv, bench_of(request).config.home, wanted)
    headers = {"content-disposition": 'attachment; filename="placecheck-records.csv"'}
    return Response(data, media_type="text/csv; charset=utf-8", headers=headers)


async def charts(request: Request) -> Response:
    """Whether placements are under control, by maker, closure or stage."""
    bench = bench_of(request)
    by = request.query_params.get("by", "maker")
    if by not in ("maker", "closure", "stage"):
        raise HTTPException(404)

    def drawn() -> dict[str, Any]:
        from placecheck.quality.charts_svg import bars_svg, individuals_svg
        from placecheck.records.overview import fault_words, help_sentence, yield_words

        found = books.quality(bench.config.home, by)
        yields = [
            (
                g.name or "all",
                g.first_pass.share or 0.0,
                yield_words(g.first_pass),
                (g.first_pass.low, g.first_pass.high),
            )
            for g in found.groups
        ]
        return {
            "records": found.records,
            "together": yield_words(found.together.first_pass),
            "help": help_sentence(found) or "",
            "yields": bars_svg(f"First-pass yield by {by}", yields) if yields else "",
            "groups": [
                {
                    "name": g.name or "not named",
                    "words": yield_words(g.first_pass),
                    "faults": [f"{fault_words(f)}: {f.count}" for f in g.faults[:4]],
                    "streams": [(individuals_svg(s), list(s.sentences)) for s in g.streams],
                }
                for g in found.groups
            ],
        }

    return bench.render(request, "charts.html", by=by, **await asyncio.to_thread(drawn))


ROUTES = [
    Route("/orders/{number}/report.{kind}", report),
    Route("/orders/{number}/{sheet}.pdf", sheet),
    Route("/orders/{number}/guidelines.jpg", rows_picture),
    Route("/records", records),
    Route("/records.csv", records_csv),
    Route("/records/{number}", record),
    Route("/records/{number}/{picture}.jpg", record_picture),
    Route("/charts", charts),
    Route("/orders", orders),
    Route("/orders", changes(order_add), methods=["POST"]),
    Route("/orders/new", order_form),
    Route("/orders/{number}/change", order_change_form),
    Route("/orders/{number}/change", changes(order_change), methods=["POST"]),
    Route("/orders/{number}", order),
]
