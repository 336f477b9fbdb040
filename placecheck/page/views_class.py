"""The teacher's screen: many photos of many students at once, worst first.

A class is nothing but photos that came in under one number, which the form draws; the name of each
file, without its ending, is the student's. All are asked the same (closure, block taped or saved, limits).
They are measured in the queue like any others, one file per job, so that a broken one costs only
itself. The overview sorts them worst first (fix before retake before pass, then by how far out),
the results come as one CSV with units in its header, and as one page for each student, made
to be printed.
"""

from __future__ import annotations

import asyncio
import csv
import io
import re
import secrets
from pathlib import PurePosixPath
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from placecheck.answer import JUDGED, MEASURE_BY_NAME, Answer
from placecheck.errors import PlacecheckError, UsageProblem
from placecheck.page import shop
from placecheck.page.asked import block_words
from placecheck.page.bench import CLASS_PHOTOS, PHOTO_BYTES, Bench, bench_of, wants_json
from placecheck.page.guard import changes
from placecheck.page.inbox import Job
from placecheck.page.rows import (
    VERDICT_SHORT,
    answer_of,
    badness,
    kind_of,
    next_step,
    number_and_u,
    rows_of,
    verdict_says,
)
from placecheck.page.views_take import CLOSURES, digest_of, owner_of, photos_in, spec_of, usual
from placecheck.records.export import safe_text

NUMBER = re.compile(r"[0-9a-f]{16}")


def student_of(filename: str) -> str:
    """The student by the file's name: `Amara 2.jpg` is `Amara 2`; only printable characters, at most 60."""
    stem = PurePosixPath(filename.replace("\\", "/")).stem
    return "".join(c for c in stem if c.isprintable()).strip()[:60] or "without a name"


async def classes(request: Request) -> Response:
    """New class, and those of the week."""
    bench = bench_of(request)
    groups: dict[str, list[Job]] = {}
    for job in bench.inbox.all():
        if job.batch:
            groups.setdefault(job.batch, []).append(job)
    spec = usual(bench, (job for job in bench.inbox.all() if job.batch and job.owner == owner_of(request)))
    blocks, saved, troubles = await asyncio.to_thread(shop.saved_blocks, bench.config.home, spec["saved"])
    return bench.render(
        request,
        "classes.html",
        groups=[
            (number, jobs[-1].spec.get("class") or "Class", jobs[-1].created, len(jobs))
            for number, jobs in groups.items()
        ],
        batch=secrets.token_hex(8),
        closures=CLOSURES,
        closure=spec["closure"],
        block=spec["block"],
        blocks=blocks,
        saved=saved,
        troubles=troubles,
    )


async def send(request: Request, form: Any) -> Response:
    """Photos of a class come in, one or many."""
    bench = bench_of(request)
    batch = str(form.get("batch", ""))
    if not NUMBER.fullmatch(batch):
        raise UsageProblem("class-unknown", "The class could not be read: load the page again.")
    files = photos_in(form)
    if not files:
        raise UsageProblem("no-photo", "There are no photos in what was sent: choose them first.")
    texts = {name: value for name, value in form.items() if isinstance(value, str)}
    texts["order"] = ""
    spec = await asyncio.to_thread(spec_of, bench, texts) | {"class": texts.get("class", "").strip()[:60]}
    owner, refused = request.state.session.key, []
    for file in files:
        label = student_of(file.filename or "")
        digest = await asyncio.to_thread(digest_of, file.file)  # two students' phones may give one name
        once = f"{batch} {texts.get('once', '')[:40]} {label} {digest}"
        if bench.inbox.known(owner, once) is not None:
            continue
        try:
            job = await asyncio.to_thread(
                bench.inbox.add, file.file, PHOTO_BYTES, owner, spec, once=once, label=label, batch=batch
            )
        except PlacecheckError as error:
            refused.append(f"{label}: {error.problem.message}")
            continue
        bench.pool.put(job)
    if refused and (wants_json(request) or len(refused) == len(files)):
        raise UsageProblem("not-kept", " ".join(refused))
    if wants_json(request):
        return JSONResponse({"to": f"/class/{batch}"})
    return RedirectResponse(f"/class/{batch}", 303)


def _jobs(bench: Bench, request: Request) -> list[Job]:
    batch = request.path_params["number"]
    jobs = [job for job in bench.inbox.all() if job.batch == batch]
    if not jobs:
        raise HTTPException(404)
    return jobs


def _sorted(jobs: list[Job]) -> tuple[list[tuple[Job, Answer]], list[Job]]:
    """Answered jobs, worst first, and those still being measured."""
    answered = [(job, answer) for job in jobs if (answer := answer_of(job)) is not None]
    answered.sort(key=lambda pair: badness(pair[1]), reverse=True)
    return answered, [job for job in jobs if job.state != "done"]


def _shown(job: Job, answer: Answer) -> dict[str, Any]:
    rows = rows_of(answer, float(job.spec["tolerances"]["guard_factor"])) if answer.measured.estimates else []
    return {
        "job": job,
        "block": block_words(job.spec),
        "kind": kind_of(answer),
        "short": VERDICT_SHORT[kind_of(answer)],
        "says": verdict_says(job.spec["stage"], kind_of(answer)),
        "next": next_step(answer, job.spec["stage"]),
        "fixes": list(answer.fixes),
        "problems": [p.message for p in answer.problems],
        "rows": rows,
        "has_overlay": job.measured is not None,
    }


async def overview(request: Request) -> Response:
    """All students, worst first."""
    bench = bench_of(request)
    jobs = _jobs(bench, request)
    answered, waiting = await asyncio.to_thread(_sorted, jobs)
    shown = [_shown(job, answer) for job, answer in answered]
    counts = {kind: sum(1 for s in shown if s["kind"] == kind) for kind in VERDICT_SHORT}
    return bench.render(
        request,
        "class.html",
        number=request.path_params["number"],
        name=jobs[0].spec.get("class") or "Class",
        shown=shown,
        waiting=len(waiting),
        counts=counts,
    )


async def pages(request: Request) -> Response:
    """One page for each student, by name, to print."""
    bench = bench_of(request)
    jobs = _jobs(bench, request)
    answered, _ = await asyncio.to_thread(_sorted, jobs)
    answered.sort(key=lambda pair: pair[0].label.casefold())
    shown = [_shown(job, answer) for job, answer in answered]
    return bench.render(request, "pages.html", name=jobs[0].spec.get("class") or "Class", shown=shown)


async def results(request: Request) -> Response:
    """All results as one CSV, units in the header, worst first."""
    bench = bench_of(request)
    answered, _ = await asyncio.to_thread(_sorted, _jobs(bench, request))
    out = io.StringIO()
    table = csv.writer(out)
    heads = []
    for name in JUDGED:
        heads += [name, f"{name}_U95", f"{name}_state"]
    units = {name: MEASURE_BY_NAME[name].unit for name in JUDGED}
    table.writerow(["student", "verdict", *(f"{h} [{units[h]}]" if h in units else h for h in heads), "next"])
    for job, answer in answered:
        cells: list[str] = []
        verdict = VERDICT_SHORT[kind_of(answer)].lower()
        for name in JUDGED:
            judged = answer.judged.get(name)
            cells += [*number_and_u(answer, name), judged.state if judged else ""]
        table.writerow([safe_text(job.label), verdict, *cells, safe_text(next_step(answer, job.spec["stage"]))])
    headers = {"content-disposition": 'attachment; filename="placecheck-class.csv"'}
    return Response(out.getvalue().encode("utf-8-sig"), media_type="text/csv; charset=utf-8", headers=headers)


async def state(request: Request) -> Response:
    """How many are still being measured; waits a little for a change."""
    bench = bench_of(request)
    jobs = _jobs(bench, request)
    waiting = [job for job in jobs if job.state != "done"]
    if waiting and request.query_params.get("known") == str(len(waiting)):
        await bench.pool.wait(waiting[-1], 5.0)
        waiting = [job for job in jobs if job.state != "done"]
    return JSONResponse(
        {"state": "measuring" if waiting else "done", "before": len(waiting), "known": str(len(waiting))}
    )


ROUTES = [
    Route("/class", classes),
    Route("/class", changes(send, max_files=CLASS_PHOTOS), methods=["POST"]),
    Route("/class/{number}", overview),
    Route("/class/{number}/pages", pages),
    Route("/class/{number}/results.csv", results),
    Route("/class/{number}/state", state),
]
