"""The photo screen, and how a photo comes in: a new one, or one more of the same block.

The screen proposes the order's closure and block and what comes next in its job, never another order's; for a photo of
no order what the last such photo was asked, while that may be the same job; the face's side is of one photo and is
told anew. A photo is answered with the address of its check as soon as it is on disk (inbox.py); what is asked of it is
the form's texts with all that is kept here: settings, card bars, a saved block, the order's earlier photos. The photo
that a new one is compared with is the one the form names, else this device's last one of the same stage within two
hours, and either only if it is of the same order, block and closure. One that is added to another takes over what was
asked of that, and is measured together with it (same_block/others.py). A photo sent twice, because the first answer was
lost on the way, is one; another one from the same form is another.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
import time
from collections.abc import Callable, Iterable
from typing import IO, Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from placecheck.errors import UsageProblem
from placecheck.page import books, shop
from placecheck.page.asked import SIDES, STAGE_WORDS, STAGES, request_of, spec_from
from placecheck.page.bench import PHOTO_BYTES, Bench, bench_of, wants_json
from placecheck.page.guard import changes
from placecheck.page.inbox import Job
from placecheck.page.rows import answer_of
from placecheck.request import NEEDS_BLOCK, NEEDS_CLOSURE, NO_CLOSURE, Stage
from placecheck.request import STAGES as JOB
from placecheck.settings import load_settings

CLOSURES = ("4x4", "5x5", "6x6", "7x7", "2x6")
SAME_JOB_S = 7200.0
Asked = tuple[dict[str, Any], str | None]
"""What is asked of a photo, and the photo it is compared with."""
MOST_OTHERS = 3
"""Photos that one more can be added to: the second tells most, a third a little; each costs another look."""


async def home(request: Request) -> Response:
    """The photo screen."""
    bench = bench_of(request)
    again = bench.inbox.get(request.query_params.get("again", ""))
    mine = [job for job in bench.inbox.all() if job.owner == owner_of(request) and job.batch is None]
    last = again or next(iter(mine), None)
    orders = await asyncio.to_thread(shop.all_orders, bench.config.home)
    number = request.query_params.get("order", last.spec["order"] if last else "")
    order = next((o for o in orders if o.number == number), None)
    quick = usual(bench, (job for job in mine if not job.spec["order"]))
    if order is None:
        spec = _asked_of(again) if again else quick
    elif last is not None and order.number == last.spec["order"]:
        spec = _asked_of(last)
    else:  # what the order leaves open is asked for
        spec = {"order": order.number, "closure": "", "block": "", "saved": ""}
    maker = (last.spec["maker"] if last else "") or quick["maker"]
    if order is not None and "order" in request.query_params:
        spec = spec | {"closure": order.closure or spec["closure"], "block": order.block or spec["block"]}
    stages = await asyncio.to_thread(next_stages, bench, [o.number for o in orders])
    stage = stages.get(spec["order"], STAGES[0])
    if again is not None and not await asyncio.to_thread(_done_with, again):
        stage = again.spec["stage"]
    stage = request.query_params.get("stage", stage)
    stage = stage if stage in STAGES else STAGES[0]
    blocks, saved, troubles = await asyncio.to_thread(shop.saved_blocks, bench.config.home, spec["saved"])
    known = (spec["closure"] or stage not in NEEDS_CLOSURE) and (spec["block"] or saved or stage not in NEEDS_BLOCK)
    return bench.render(
        request,
        "photo.html",
        spec={**spec, "maker": spec.get("maker") or (order.maker if order else "") or maker, "stage": stage},
        maker=maker,
        quick=quick,
        known=known,
        blocks=blocks,
        saved=saved,
        troubles=troubles,
        closures=CLOSURES,
        stages=STAGE_WORDS,
        next_stages=stages,
        sides=SIDES,
        orders=orders,
        previous=again.id if again else "",
        once=secrets.token_hex(8),
    )


def usual(bench: Bench, jobs: Iterable[Job]) -> dict[str, Any]:
    """Closure, block and maker for a photo of no order.

    Those of the newest of `jobs` (newest first), while that may be the same job, else the settings'.
    """
    newest = next(iter(jobs), None)
    if newest is not None and time.time() - newest.created < SAME_JOB_S:
        return _asked_of(newest)
    check = load_settings(bench.config.home).check
    closure, block, maker = (check.get(name, "") for name in ("closure", "block_circumference", "maker"))
    return {"order": "", "closure": closure, "block": block, "saved": check.get("block", ""), "maker": maker}


def _asked_of(job: Job) -> dict[str, Any]:
    """What was asked of a photo, with the name of its saved block."""
    return job.spec | {"saved": (job.spec.get("saved_block") or {}).get("name", "")}


def next_stages(bench: Bench, orders: Iterable[str]) -> dict[str, Stage]:
    """What is next in the job of these orders.

    What their records say, or the stage of an order's last measured photo where that is later, though it is not saved.
    """
    told = books.next_stages(bench.config.home, orders)
    here = {job.spec["order"]: job.spec["stage"] for job in reversed(bench.inbox.all()) if job.measured}
    return {order: max(stage, here.get(order, stage), key=JOB.index) for order, stage in told.items()}


def _done_with(job: Job) -> bool:
    """Whether a stage of a job is behind it: passed and saved."""
    answer = answer_of(job)
    return job.record is not None and answer is not None and answer.verdict == "pass"


def job_of(request: Request) -> Job:
    """The job a path names. Raises HTTPException 404."""
    job = bench_of(request).inbox.get(request.path_params["number"])
    if job is None:
        raise HTTPException(404)
    return job


def owner_of(request: Request) -> str:
    """The device a request comes from."""
    return str(request.state.session.key)


def photos_in(form: Any) -> list[UploadFile]:
    """The files of a form that are not empty choices."""
    return [f for f in form.getlist("photo") if isinstance(f, UploadFile) and (f.filename or f.size)]


async def send(request: Request, form: Any) -> Response:
    """A photo comes in."""
    bench = bench_of(request)

    def asked(texts: dict[str, str]) -> Asked:
        spec = spec_of(bench, texts)
        return spec, _previous(bench, owner_of(request), spec, texts.get("previous", ""))

    return await _take_in(request, form, asked)


async def add(request: Request, form: Any) -> Response:
    """One more photo of the same block, nothing touched since: measured together with those before."""
    job = job_of(request)

    def asked(texts: dict[str, str]) -> Asked:
        if not takes_more(job):
            raise UsageProblem("no-more", "No further photo can be added to this one: take a new photo.")
        return {**job.spec, "front": "", "others": [*job.spec.get("others", ()), job.id]}, None

    return await _take_in(request, form, asked)


def takes_more(job: Job) -> bool:
    """Whether a further photo of the same block can be added to this one."""
    pinned = job.spec["stage"] == "pinned" and job.batch is None
    return pinned and job.measured is not None and len(job.spec.get("others", ())) < MOST_OTHERS


async def _take_in(request: Request, form: Any, asked: Callable[[dict[str, str]], Asked]) -> Response:
    """Keep the form's photo with what is `asked` of it, put it in line, and tell where its check is."""
    bench, owner = bench_of(request), owner_of(request)
    files = photos_in(form)
    if not files:
        raise UsageProblem("no-photo", "There is no photo in what was sent: take or choose one first.")
    once = str(form.get("once", ""))[:40]
    if once:
        once = f"{once} {await asyncio.to_thread(digest_of, files[0].file)}"
    job = bench.inbox.known(owner, once)
    if job is None:
        texts = {name: value for name, value in form.items() if isinstance(value, str)}
        spec, previous = await asyncio.to_thread(asked, texts)
        job = await asyncio.to_thread(
            bench.inbox.add, files[0].file, PHOTO_BYTES, owner, spec, once=once, previous=previous
        )
        bench.pool.put(job)
    if wants_json(request):
        return JSONResponse({"to": f"/checks/{job.id}"})
    return RedirectResponse(f"/checks/{job.id}", 303)


def digest_of(photo: IO[bytes]) -> str:
    """The SHA-256 of a photo, which is then at its start again."""
    digest = hashlib.file_digest(photo, "sha256").hexdigest()  # type: ignore[arg-type]
    photo.seek(0)
    return digest


def spec_of(bench: Bench, texts: dict[str, str]) -> dict[str, Any]:
    """What a form asks for, with all that is kept here. Raises UsageProblem with one sentence."""
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.card_bars import bars_in_use

    home, named = bench.config.home, texts.get("saved_block", "").strip()
    saved, settings = BLOCKS.load(blocks_folder(home), named) if named else None, load_settings(home)
    bars_mm = bars_in_use(home, settings, small=texts.get("stage", "").strip() == "stitches")
    spec = spec_from(texts, settings, bars_mm, saved)
    if spec["order"] and not any(o.number == spec["order"] for o in shop.all_orders(home)):
        raise UsageProblem("order-unknown", f"There is no order {spec['order']}: choose another.")
    if spec["stage"] in NEEDS_CLOSURE and spec["order"]:
        spec |= books.earlier(home, spec["order"], spec["stage"])
    return spec


def _previous(bench: Bench, owner: str, spec: dict[str, Any], named: str) -> str | None:
    """The photo that this one is compared with."""
    named_job, job_now = bench.inbox.get(named), _job_in(spec)
    if named_job is not None and _job_in(named_job.spec) == job_now:
        return named_job.id
    newest = bench.inbox.all()
    for job in newest:
        mine = job.owner == owner and job.batch is None and job.spec["stage"] == spec["stage"]
        if mine and _job_in(job.spec) == job_now:
            return job.id if newest[0].created - job.created < SAME_JOB_S else None
    return None


def _job_in(spec: dict[str, Any]) -> tuple[Any, ...]:
    """What photos have in common that can be compared: order, block, and closure (nothing where the cap is alone)."""
    asked = request_of(spec)
    closure = asked.closure if asked.stage in NEEDS_CLOSURE else NO_CLOSURE
    sizes_mm = (asked.block_circumference_mm, closure.width_mm, closure.length_mm)
    return spec["order"], spec.get("saved_block"), *(round(size, 1) for size in sizes_mm)


ROUTES = [
    Route("/", home),
    Route("/photos", changes(send, max_files=2), methods=["POST"]),
    Route("/photos/{number}", changes(add, max_files=2), methods=["POST"]),
]
