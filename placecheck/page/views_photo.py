"""The screens of a photo that came in: read the verdict, correct landmarks, save.

Its screen shows progress until the answer is there, then the verdict, the next thing to do, the
picture, the numbers, and what changed since the photo before. Corrections are tried out live without
changing anything (`hands`); using them measures the photo again from its file with these
landmarks, so that what is saved can be reproduced from the photo and its marks alone; the photos it was
measured together with are saved with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import threading
from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from placecheck.answer import Answer
from placecheck.errors import Problem, UsageProblem
from placecheck.measure import station_mm
from placecheck.one_photo import answer_for
from placecheck.page import books
from placecheck.page.asked import MAX_TEXT, SIDES, block_words, request_of, taped_from
from placecheck.page.bench import Bench, bench_of
from placecheck.page.guard import changes
from placecheck.page.hands import corrections, lines_of, moved_words, points_of
from placecheck.page.inbox import Job
from placecheck.page.pool import LOST
from placecheck.page.rows import (
    VERDICT_SHORT,
    answer_of,
    kind_of,
    later_steps,
    listed,
    live,
    moved_since,
    next_step,
    rows_of,
    verdict_says,
)
from placecheck.page.views_take import job_of, takes_more
from placecheck.printout import CAP_SENTENCE, move_in_words
from placecheck.records.model import PART
from placecheck.request import NEEDS_CLOSURE, OtherPhoto
from placecheck.steps import begun
from placecheck.taped import PLACES
from placecheck.tolerances import CLEARANCES
from placecheck.undecided import CAP_FIRST, TAPE_ADVICE
from placecheck.units import parse_closure

FRONT_ASKED = ("front-unclear", "front-contradicted")  # refusals after which the page asks where the face is
CARD_ASKED = ("wrong-card", "other-board")  # and those after which it leads to the cards to print
TAPE_AGAIN = "lay the tape again"
LONG_POLL_S = 10.0
_SAVING = threading.Lock()
"""Held while a check is saved with its other photos, so that two taps make one record of each."""


async def check(request: Request) -> Response:
    """Progress, then the verdict."""
    return await _shown(request)


async def _shown(request: Request, message: str = "", texts: Mapping[str, str] | None = None) -> Response:
    """The check's screen, with what is wrong with a form on it, which keeps its `texts`."""
    bench, job = bench_of(request), job_of(request)
    answer = await asyncio.to_thread(answer_of, job)
    if answer is None:
        return bench.render(request, "measuring.html", job=job, before=bench.pool.waiting_before(job))
    guard_factor = float(job.spec["tolerances"]["guard_factor"])
    todo = next_step(answer, job.spec["stage"])
    before = bench.inbox.get(job.previous or "")
    earlier = await asyncio.to_thread(answer_of, before) if before else None
    if job.spec["stage"] == "stitches" or earlier is None or not earlier.judged.keys() & answer.judged.keys():
        before = earlier = None  # another close-up shows other stitches
    aim = float(job.spec["tolerances"]["aim_mm"])
    cap = bench.inbox.unsaved_cap(job) if job.measured and job.spec["stage"] in NEEDS_CLOSURE else None
    waits = cap is not None and answer.verdict != "pass"
    wanted = (lambda text: text.removesuffix(CAP_FIRST).rstrip()) if waits else str  # it is there
    hairline = any(name in CLEARANCES and j.state == "unsure" for name, j in answer.judged.items())
    return bench.render(
        request,
        "check.html",
        400 if message else 200,
        message=message,
        job=job,
        block=block_words(job.spec),
        answer=answer,
        kind=kind_of(answer),
        short=VERDICT_SHORT[kind_of(answer)],
        says=verdict_says(job.spec["stage"], kind_of(answer)),
        counted=answer.measured.sewn.counted if answer.measured.sewn is not None else "",
        next=wanted(todo),
        later=later_steps(answer),
        problems=[wanted(p.message) for p in answer.problems if p.message != todo],
        cap=cap if waits else None,
        cap_next=waits and answer.verdict == "retake" and hairline,  # a tap may decide it, with nothing to be laid
        ask_tape=any(words in todo for words in (TAPE_ADVICE[1:], TAPE_AGAIN)),
        cap_used=job.spec.get("cap") if answer.measured.grounds.cap_shown else None,
        rows=rows_of(answer, guard_factor) if answer.measured.estimates else [],
        cap_shown=CAP_SENTENCE if answer.measured.grounds.cap_shown else "",
        before=before,
        moves=[move_in_words(name, move) for name, move in (answer.measured.moves or {}).items()],
        changed=moved_since(earlier, answer, aim) if earlier is not None else [],
        tape=_tape(job, answer, texts),
        more=takes_more(job) and answer.verdict == "retake",
        once=secrets.token_hex(8),
        added_to=next((o for o in reversed(bench.inbox.others(job)) if o is not None and job.measured is None), None),
        together=[other for other in bench.inbox.others(job) if other] if answer.measured.grounds.together else [],
        correctable=bool(points_of(job)) and job.spec["stage"] in NEEDS_CLOSURE,
        by_hand=moved_words(job.marks.get("points", {}), job.marks.get("lines", {})),
        has_overlay=job.measured is not None,
        has_guess=job.measured is None and await asyncio.to_thread(bench.inbox.has_picture, job, "overlay"),
        can_save=job.measured is not None,
        ask_front=job.failure is not None and job.failure[0] in FRONT_ASKED,
        ask_card=job.failure is not None and job.failure[0] in CARD_ASKED,
        ask_pinned=job.failure is not None and job.failure[0] == "closure-on-already",
        closure=(texts or {}).get("closure", job.spec["closure"]),
    )


def _tape(job: Job, answer: Answer, texts: Mapping[str, str] | None) -> dict[str, Any] | None:
    """What the form for the soft tape shows: what was given, or the `texts` that were refused, how far beside the fold
    it is laid, and whether a clearance waits for it. None where there is no clearance."""
    if job.measured is None or job.spec["stage"] not in NEEDS_CLOSURE:
        return None
    given, width_mm = job.spec.get("taped", {}), parse_closure(job.spec["closure"]).width_mm
    names = PLACES.values()
    waits = any(name not in answer.judged or answer.judged[name].state == "unsure" for name in names)
    given = {place: (texts or {}).get(f"taped_{place}", given.get(place, "").removesuffix("mm")) for place in PLACES}
    places = list(given.items())
    return {"places": places, "station_mm": f"{station_mm(width_mm):.0f}", "open": waits or any(given.values())}


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
        there=json.dumps({"points": job.marks.get("points", {}), "bends": job.bends}),
        rows=rows_of(answer, guard_factor),
        kind=answer.verdict,
        short=VERDICT_SHORT[answer.verdict],
    )


async def hands(request: Request, data: dict[str, Any]) -> Response:
    """The numbers with what is being dragged as it is now, or, once it rests, as they will be used; keeps nothing."""
    bench, job = bench_of(request), job_of(request)
    if job.measured is None:
        raise UsageProblem("not-measured", "This photo has no landmarks to move: take it again.")
    marks, _ = corrections(data, job)
    measured = await bench.pool.remeasure(job, marks, "whole" if data.get("rests") is True else "remeasure")
    if isinstance(measured, Problem):
        return JSONResponse({"error": measured.message}, 409)
    answer = await asyncio.to_thread(answer_for, measured, request_of(job.spec, marks))
    return JSONResponse(live(answer, float(job.spec["tolerances"]["guard_factor"])))


async def _measure_again(bench: Bench, jobs: list[Job], without: Job | None = None) -> None:
    """Put measured photos back in line, as their jobs now ask, once `without` is thrown away.

    What was saved of them stays in the records. What is being measured just now sees to it itself (pool.py).
    """
    again = [job for job in jobs if job.state == "done"]
    for job in again:
        job.state, job.record = "waiting", None
    if without is not None:
        await asyncio.to_thread(bench.inbox.remove, without)
    for job in again:
        with contextlib.suppress(OSError):  # a full disk: the pool, which saves it once more, tells
            await asyncio.to_thread(bench.inbox.save, job)
        bench.pool.put(job)


async def use_points(request: Request, form: Any) -> Response:
    """Measure the photo again with the landmarks as they were left; none moved: as it was found.

    They count for the photos that were measured together with it, too.
    """
    bench, job = bench_of(request), job_of(request)
    try:
        given = json.loads(str(form.get("points", "{}")))
    except (ValueError, RecursionError):
        raise UsageProblem("marks-wrong", "The points could not be read: load the page again.") from None
    marks, bends = corrections(given, job)
    if job.measured is not None and job.state == "done" and marks != job.marks:
        tried = await bench.pool.remeasure(job, marks, "check") if marks else None
        if isinstance(tried, Problem) and tried.code != LOST.code:  # before what there is gets lost
            raise UsageProblem(tried.code, f"With what you moved, the photo cannot be measured. {begun(tried.message)}")
        job.marks, job.bends = marks, bends
        await _measure_again(bench, [job, *bench.inbox.together_with(job)])
    return RedirectResponse(f"/checks/{job.id}", 303)


async def once_more(request: Request, form: Any) -> Response:
    """Measure a photo again, with the face's side told if the form tells it, or as pinned if it says so."""
    bench, job = bench_of(request), job_of(request)
    if job.state == "done":
        front, others = str(form.get("front", "")), []
        if front in SIDES:
            job.spec["front"], others = front, bench.inbox.together_with(job)
        if form.get("stage") == "pinned" and job.spec["stage"] == "cap":
            texts = {"closure": str(form.get("closure", ""))[:MAX_TEXT]}
            try:
                job.spec = await asyncio.to_thread(_as_pinned, bench, job, texts["closure"])
            except UsageProblem as error:
                return await _shown(request, error.problem.message, texts)
        await _measure_again(bench, [job, *others])
    return RedirectResponse(f"/checks/{job.id}", 303)


def _as_pinned(bench: Bench, job: Job, closure: str) -> dict[str, Any]:
    """What is asked of a photo that was sent as the cap's and shows the closure. Raises PlacecheckError."""
    if not closure.strip():
        raise UsageProblem("closure-not-given", "Which closure is it? Write its size, such as 5x5.")
    spec = job.spec | {"stage": "pinned", "closure": closure.strip()}
    request_of(spec)
    return spec | (books.earlier(bench.config.home, spec["order"], "pinned") if spec["order"] else {})


async def with_cap(request: Request, form: Any) -> Response:
    """Save the order's photo of the cap alone, and measure this one again with the edge that it shows."""
    bench, job = bench_of(request), job_of(request)
    cap = bench.inbox.unsaved_cap(job)
    if job.state == "done" and cap is not None:
        await asyncio.to_thread(_keep_once, bench, cap)
        again = [job, *bench.inbox.together_with(job)]
        for one in again:
            one.spec["cap"] = cap.record
        await _measure_again(bench, again)
    return RedirectResponse(f"/checks/{job.id}", 303)


async def taped(request: Request, form: Any) -> Response:
    """Judge a photo again with what a soft tape reads; nothing given: by the photo alone."""
    bench, job = bench_of(request), job_of(request)
    texts = {name: value[:MAX_TEXT] for name, value in form.items() if isinstance(value, str)}
    try:
        given = taped_from(texts)
    except UsageProblem as error:
        return await _shown(request, error.problem.message, texts)
    if job.state == "done" and job.measured is not None and given != job.spec.get("taped", {}):
        job.spec["taped"] = given
        await _measure_again(bench, [job])
    return RedirectResponse(f"/checks/{job.id}", 303)


async def save(request: Request, form: Any) -> Response:
    """Keep the check in the records, and before it the photos it was measured together with."""
    bench, job = bench_of(request), job_of(request)
    await asyncio.to_thread(_keep_once, bench, job)
    return RedirectResponse(f"/checks/{job.id}#saved", 303)


def _keep_once(bench: Bench, job: Job) -> None:
    """Make the check's record, unless another tap just did. Raises PlacecheckError, OSError."""
    with _SAVING:
        answer = answer_of(job)
        if answer is None or job.measured is None:
            raise UsageProblem("not-measured", "There is nothing to save in this photo: take it again.")
        _keep(bench, job, answer)


def _keep(bench: Bench, job: Job, answer: Answer, origin: str = "check") -> int:
    """The number of the check's record, made now where there is none yet.

    Those of the photos it was measured together with are made first, whatever came of them: what the record says rests
    on all of them. Raises PlacecheckError, OSError.
    """
    if job.record is not None:
        return job.record
    inbox, others = bench.inbox, []
    for other in inbox.others(job):
        before = answer_of(other) if other is not None else None
        if other is None:
            others.append(OtherPhoto(""))  # thrown away, as the answer says
        elif before is None:
            raise UsageProblem(
                "others-measuring", "A photo it was measured together with is being measured: save it in a moment."
            )
        else:
            others.append(OtherPhoto(_keep(bench, other, before, PART)))
    request = request_of(job.spec, job.marks, others)
    overlay = inbox.picture(job, "overlay") if job.measured is not None else None
    names = job.spec | ({"maker": job.label} if job.batch else {})  # what a class shows is its students' work
    job.record = books.save(bench.config.home, inbox.photo(job), request, answer, names, overlay, job.created, origin)
    inbox.save(job)
    return job.record


async def remove(request: Request, form: Any) -> Response:
    """Throw a photo away; what was measured together with it and is not saved yet is measured without it."""
    bench, job = bench_of(request), job_of(request)
    left = [other for other in bench.inbox.together_with(job) if other.record is None]
    await _measure_again(bench, left, without=job)
    return RedirectResponse("/", 303)


async def recent(request: Request) -> Response:
    """The last photos of all devices."""
    bench = bench_of(request)
    jobs = [job for job in bench.inbox.all() if job.batch is None][:40]

    return bench.render(request, "recent.html", listed=await asyncio.to_thread(listed, jobs))


ROUTES = [
    Route("/recent", recent),
    Route("/checks/{number}", check),
    Route("/checks/{number}/state", state),
    Route("/checks/{number}/{picture}.jpg", picture),
    Route("/checks/{number}/correct", correct),
    Route("/checks/{number}/hands", changes(hands, as_json=True), methods=["POST"]),
    Route("/checks/{number}/points", changes(use_points), methods=["POST"]),
    Route("/checks/{number}/once-more", changes(once_more), methods=["POST"]),
    Route("/checks/{number}/cap", changes(with_cap), methods=["POST"]),
    Route("/checks/{number}/taped", changes(taped), methods=["POST"]),
    Route("/checks/{number}/save", changes(save), methods=["POST"]),
    Route("/checks/{number}/remove", changes(remove), methods=["POST"]),
]
