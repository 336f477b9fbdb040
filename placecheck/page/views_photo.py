"""The screens of the main job: take the photo, read the verdict, correct landmarks, save.

A photo is answered with the address of its check as soon as it is on disk; that screen shows
progress until the answer is there, then the verdict, the next thing to do, the picture, the
numbers, and what changed since the photo before. Corrections are tried out live without
changing anything (`hands`); using them measures the photo again from its file with these
landmarks, so that what is saved can be reproduced from the photo and its marks alone. The
photo before is the one the form names, else this device's last one of the same job within
two hours.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Callable
from typing import Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from placecheck.answer import Answer
from placecheck.errors import Problem, UsageProblem
from placecheck.measure import station_mm
from placecheck.one_photo import answer_for
from placecheck.page import shop
from placecheck.page.asked import SIDES, STAGES, block_words, request_of, spec_from, taped_from
from placecheck.page.bench import PHOTO_BYTES, Bench, bench_of, wants_json
from placecheck.page.guard import changes
from placecheck.page.hands import corrections, lines_of, moved_words, points_of
from placecheck.page.inbox import Job
from placecheck.page.rows import (
    VERDICT_SHORT,
    answer_of,
    later_steps,
    listed,
    live,
    moved_since,
    next_step,
    rows_of,
    verdict_says,
)
from placecheck.printout import CAP_SENTENCE, move_in_words
from placecheck.request import NEEDS_CLOSURE, OtherPhoto
from placecheck.settings import load_settings
from placecheck.taped import PLACES
from placecheck.units import parse_closure

CLOSURES = ("4x4", "5x5", "6x6", "7x7", "2x6")
FRONT_ASKED = ("front-unclear", "front-contradicted")  # refusals after which the page asks where the face is
SAME_JOB_S = 7200.0
Asked = tuple[dict[str, Any], str | None]
"""What is asked of a photo, and the photo it is compared with."""
MOST_OTHERS = 3
"""Photos that one more can be added to: the second tells most, a third a little; each costs another look."""
LONG_POLL_S = 10.0


async def home(request: Request) -> Response:
    """The photo screen."""
    bench = bench_of(request)
    again = bench.inbox.get(request.query_params.get("again", ""))
    last = again or next((j for j in bench.inbox.all() if j.owner == _owner(request) and j.batch is None), None)
    check = load_settings(bench.config.home).check
    order_number = request.query_params.get("order", "")
    orders = await asyncio.to_thread(shop.open_orders, bench.config.home)
    order = next((o for o in orders if o.number == order_number), None)
    spec = (
        dict(last.spec)
        if last
        else {"closure": check.get("closure", ""), "block": check.get("block_circumference", "")}
    )
    if order is not None:
        spec |= {
            "order": order.number,
            "closure": order.closure or spec["closure"],
            "block": order.block or spec["block"],
        }
    stage = request.query_params.get("stage", spec.get("stage", STAGES[0]))
    asked = check.get("block", "") if last is None else (last.spec.get("saved_block") or {}).get("name", "")
    if order is not None and order.block and (last is None or last.spec["order"] != order.number):
        asked = ""  # the order says which block
    blocks, saved, troubles = await asyncio.to_thread(shop.saved_blocks, bench.config.home, asked)
    return bench.render(
        request,
        "photo.html",
        spec={"order": "", "front": "", "maker": "", "closure": "", "block": "", **spec, "stage": stage},
        known=bool(spec.get("closure") and (spec.get("block") or saved)),
        blocks=blocks,
        saved=saved,
        troubles=troubles,
        closures=CLOSURES,
        stages=STAGES,
        sides=SIDES,
        orders=orders,
        previous=again.id if again else "",
        once=secrets.token_hex(8),
    )


def _owner(request: Request) -> str:
    return str(request.state.session.key)


def photos_in(form: Any) -> list[UploadFile]:
    """The files of a form that are not empty choices."""
    return [f for f in form.getlist("photo") if isinstance(f, UploadFile) and (f.filename or f.size)]


async def send(request: Request, form: Any) -> Response:
    """A photo comes in."""
    bench = bench_of(request)

    def asked(texts: dict[str, str]) -> Asked:
        spec = spec_of(bench, texts)
        return spec, _previous(bench, _owner(request), spec, texts.get("previous", ""))

    return await _take_in(request, form, asked)


async def add(request: Request, form: Any) -> Response:
    """One more photo of the same block, nothing touched since: measured together with those before."""
    job = job_of(request)

    def asked(texts: dict[str, str]) -> Asked:
        if not _takes_more(job):
            raise UsageProblem("no-more", "No further photo can be added to this one: take a new photo.")
        return {**job.spec, "front": "", "others": [*job.spec.get("others", ()), job.id]}, None

    return await _take_in(request, form, asked)


def _takes_more(job: Job) -> bool:
    """Whether a further photo of the same block can be added to this one."""
    pinned = job.spec["stage"] == "pinned" and job.batch is None
    return pinned and job.measured is not None and len(job.spec.get("others", ())) < MOST_OTHERS


async def _take_in(request: Request, form: Any, asked: Callable[[dict[str, str]], Asked]) -> Response:
    """Keep the form's photo with what is `asked` of it, put it in line, and tell where its check is."""
    bench, owner = bench_of(request), _owner(request)
    once = str(form.get("once", ""))[:40]
    job = bench.inbox.known(owner, once)
    if job is None:
        files = photos_in(form)
        if not files:
            raise UsageProblem("no-photo", "There is no photo in what was sent: take or choose one first.")
        texts = {name: value for name, value in form.items() if isinstance(value, str)}
        spec, previous = await asyncio.to_thread(asked, texts)
        job = await asyncio.to_thread(
            bench.inbox.add, files[0].file, PHOTO_BYTES, owner, spec, once=once, previous=previous
        )
        bench.pool.put(job)
    if wants_json(request):
        return JSONResponse({"to": f"/checks/{job.id}"})
    return RedirectResponse(f"/checks/{job.id}", 303)


def spec_of(bench: Bench, texts: dict[str, str]) -> dict[str, Any]:
    """What a form asks for, with all that is kept here. Raises UsageProblem with one sentence."""
    from placecheck.cards import saved_bars_mm
    from placecheck.saved_blocks import blocks_folder, load_block

    home, named = bench.config.home, texts.get("saved_block", "").strip()
    saved = load_block(blocks_folder(home), named) if named else None
    bars = saved_bars_mm(home, small=texts.get("stage", "").strip() == "stitches")
    spec = spec_from(texts, load_settings(home), bars, saved)
    if spec["order"] and not any(o.number == spec["order"] for o in shop.open_orders(home)):
        raise UsageProblem("order-unknown", f"There is no open order {spec['order']}: choose another.")
    if spec["stage"] in NEEDS_CLOSURE and spec["order"]:
        spec |= shop.earlier(home, spec["order"], spec["stage"])
    return spec


def _previous(bench: Bench, owner: str, spec: dict[str, Any], named: str) -> str | None:
    """The photo that this one is compared with."""
    named_job = bench.inbox.get(named)
    if named_job is not None:
        return named_job.id
    newest = bench.inbox.all()
    same = ("closure", "block", "saved_block", "order", "stage")
    for job in newest:
        if job.owner == owner and job.batch is None and all(job.spec.get(k) == spec[k] for k in same):
            return job.id if newest[0].created - job.created < SAME_JOB_S else None
    return None


def job_of(request: Request) -> Job:
    """The job a path names. Raises HTTPException 404."""
    job = bench_of(request).inbox.get(request.path_params["number"])
    if job is None:
        raise HTTPException(404)
    return job


async def check(request: Request) -> Response:
    """Progress, then the verdict."""
    bench, job = bench_of(request), job_of(request)
    answer = await asyncio.to_thread(answer_of, job)
    if answer is None:
        return bench.render(request, "measuring.html", job=job, before=bench.pool.waiting_before(job))
    guard_factor = float(job.spec["tolerances"]["guard_factor"])
    todo = next_step(answer, job.spec["stage"])
    before = bench.inbox.get(job.previous or "")
    earlier = await asyncio.to_thread(answer_of, before) if before else None
    aim = float(job.spec["tolerances"]["aim_mm"])
    return bench.render(
        request,
        "check.html",
        job=job,
        block=block_words(job.spec),
        answer=answer,
        kind=answer.verdict,
        short=VERDICT_SHORT[answer.verdict],
        says=verdict_says(job.spec["stage"], answer.verdict),
        next=todo,
        later=later_steps(answer),
        problems=[p.message for p in answer.problems if p.message != todo],
        rows=rows_of(answer, guard_factor) if answer.measured.estimates else [],
        cap_shown=CAP_SENTENCE if answer.measured.cap_shown else "",
        before=before if earlier is not None and earlier.judged else None,
        moves=[move_in_words(name, move) for name, move in (answer.measured.moves or {}).items()],
        changed=moved_since(earlier, answer, aim) if earlier is not None else [],
        tape=_tape(job, answer),
        more=_takes_more(job) and answer.verdict == "retake",
        once=secrets.token_hex(8),
        together=[other for other in bench.inbox.others(job) if other] if answer.measured.together else [],
        correctable=bool(points_of(job)) and job.spec["stage"] in NEEDS_CLOSURE,
        by_hand=moved_words(job.marks.get("points", {}), job.marks.get("lines", {})),
        has_overlay=job.measured is not None,
        can_save=job.measured is not None,
        ask_front=job.failure is not None and job.failure[0] in FRONT_ASKED,
    )


def _tape(job: Job, answer: Answer) -> dict[str, Any] | None:
    """What the form for the soft tape shows: what was given, how far beside the fold it is laid, and whether a
    clearance waits for it. None where there is no clearance."""
    if job.measured is None or job.spec["stage"] not in NEEDS_CLOSURE:
        return None
    given, width_mm = job.spec.get("taped", {}), parse_closure(job.spec["closure"]).width_mm
    names = PLACES.values()
    waits = any(name not in answer.judged or answer.judged[name].state == "unsure" for name in names)
    places = [(place, given.get(place, "").removesuffix("mm")) for place in PLACES]
    return {"places": places, "station_mm": f"{station_mm(width_mm):.0f}", "open": waits or bool(given)}


async def state(request: Request) -> Response:
    """Whether the answer is there; waits a little for it, so that a phone need not ask often."""
    bench, job = bench_of(request), job_of(request)
    if job.state != "done" and request.query_params.get("known") == _known(bench, job):
        await bench.pool.wait(job, LONG_POLL_S)
    return JSONResponse({"state": job.state, "before": bench.pool.waiting_before(job), "known": _known(bench, job)})


def _known(bench: Bench, job: Job) -> str:
    return f"{job.state} {bench.pool.waiting_before(job)}"


async def picture(request: Request) -> Response:
    """The overlay or the upright photo, JPEG."""
    job, name = job_of(request), request.path_params["picture"]
    if name not in ("overlay", "view"):
        raise HTTPException(404)
    data = await asyncio.to_thread(bench_of(request).inbox.picture, job, name)
    if data is None:
        raise HTTPException(404)
    headers = {"cache-control": "private, max-age=600"}
    return Response(data, media_type="image/jpeg", headers=headers)


async def correct(request: Request) -> Response:
    """The correcting screen; starts to make the photo ready for quick answers."""
    bench, job = bench_of(request), job_of(request)
    answer = await asyncio.to_thread(answer_of, job)
    if answer is None or job.measured is None:
        return RedirectResponse(f"/checks/{job.id}", 303)
    warming = asyncio.create_task(bench.pool.warm(job))
    request.app.state.warming = {t for t in getattr(request.app.state, "warming", set()) if not t.done()} | {warming}
    guard_factor = float(job.spec["tolerances"]["guard_factor"])
    points, lines = points_of(job), lines_of(job)
    return bench.render(
        request,
        "correct.html",
        job=job,
        points=points,
        lines=lines,
        data=json.dumps({"points": points, "lines": lines, "width": job.width, "height": job.height}),
        rows=rows_of(answer, guard_factor),
        kind=answer.verdict,
        short=VERDICT_SHORT[answer.verdict],
    )


async def hands(request: Request, data: dict[str, Any]) -> Response:
    """The numbers with what is being dragged as it is now; changes nothing that is kept."""
    bench, job = bench_of(request), job_of(request)
    if job.measured is None:
        raise UsageProblem("not-measured", "This photo has no landmarks to move: take it again.")
    marks, _ = corrections(data, job)
    measured = await bench.pool.remeasure(job, marks)
    if isinstance(measured, Problem):
        return JSONResponse({"error": measured.message}, 409)
    answer = await asyncio.to_thread(answer_for, measured, request_of(job.spec, marks))
    return JSONResponse(live(answer, float(job.spec["tolerances"]["guard_factor"])))


async def _measure_again(bench: Bench, job: Job) -> None:
    """Put a measured photo back in line, as its job now asks; what was saved of it stays in the records."""
    job.state, job.record = "waiting", None
    await asyncio.to_thread(bench.inbox.save, job)
    bench.pool.put(job)


async def use_points(request: Request, form: Any) -> Response:
    """Measure the photo again with the landmarks as they were left; none moved: as it was found."""
    bench, job = bench_of(request), job_of(request)
    try:
        given = json.loads(str(form.get("points", "{}")))
    except (ValueError, RecursionError):
        raise UsageProblem("marks-wrong", "The points could not be read: load the page again.") from None
    marks, bends = corrections(given, job)
    if job.measured is not None and job.state == "done" and marks != job.marks:
        job.marks, job.bends = marks, bends
        await _measure_again(bench, job)
    return RedirectResponse(f"/checks/{job.id}", 303)


async def once_more(request: Request, form: Any) -> Response:
    """Measure a photo again, with the face's side told if the form tells it."""
    bench, job = bench_of(request), job_of(request)
    if job.state == "done":
        front = str(form.get("front", ""))
        if front in SIDES:
            job.spec["front"] = front
        await _measure_again(bench, job)
    return RedirectResponse(f"/checks/{job.id}", 303)


async def taped(request: Request, form: Any) -> Response:
    """Judge a photo again with what a soft tape reads; nothing given: by the photo alone."""
    bench, job = bench_of(request), job_of(request)
    given = taped_from({name: value for name, value in form.items() if isinstance(value, str)})
    if job.state == "done" and job.measured is not None and given != job.spec.get("taped", {}):
        job.spec["taped"] = given
        await _measure_again(bench, job)
    return RedirectResponse(f"/checks/{job.id}", 303)


async def save(request: Request, form: Any) -> Response:
    """Keep the check in the records, and before it the photos it was measured together with."""
    bench, job = bench_of(request), job_of(request)
    answer = await asyncio.to_thread(answer_of, job)
    if answer is None or job.measured is None:
        raise UsageProblem("not-measured", "There is nothing to save in this photo: take it again.")
    await asyncio.to_thread(_keep, bench, job, answer)
    return RedirectResponse(f"/checks/{job.id}#saved", 303)


def _keep(bench: Bench, job: Job, answer: Answer) -> int:
    """The number of the check's record, made now where there is none yet. Raises PlacecheckError, OSError."""
    if job.record is not None:
        return job.record
    inbox, others = bench.inbox, []
    for other in inbox.others(job):
        before = answer_of(other) if other is not None else None
        if other is not None and before is not None and other.measured is not None:
            others.append(OtherPhoto(_keep(bench, other, before)))
    request = request_of(job.spec, job.marks, others)
    overlay = inbox.picture(job, "overlay")
    job.record = shop.save(bench.config.home, inbox.photo(job), request, answer, job.spec, overlay, job.created)
    inbox.save(job)
    return job.record


async def remove(request: Request, form: Any) -> Response:
    """Throw a photo away."""
    bench, job = bench_of(request), job_of(request)
    await asyncio.to_thread(bench.inbox.remove, job)
    return RedirectResponse("/", 303)


async def recent(request: Request) -> Response:
    """The last photos of all devices."""
    bench = bench_of(request)
    jobs = [job for job in bench.inbox.all() if job.batch is None][:40]

    return bench.render(request, "recent.html", listed=await asyncio.to_thread(listed, jobs))


ROUTES = [
    Route("/", home),
    Route("/photos", changes(send, max_files=2), methods=["POST"]),
    Route("/photos/{number}", changes(add, max_files=2), methods=["POST"]),
    Route("/recent", recent),
    Route("/checks/{number}", check),
    Route("/checks/{number}/state", state),
    Route("/checks/{number}/{picture}.jpg", picture),
    Route("/checks/{number}/correct", correct),
    Route("/checks/{number}/hands", changes(hands), methods=["POST"]),
    Route("/checks/{number}/points", changes(use_points), methods=["POST"]),
    Route("/checks/{number}/once-more", changes(once_more), methods=["POST"]),
    Route("/checks/{number}/taped", changes(taped), methods=["POST"]),
    Route("/checks/{number}/save", changes(save), methods=["POST"]),
    Route("/checks/{number}/remove", changes(remove), methods=["POST"]),
]
