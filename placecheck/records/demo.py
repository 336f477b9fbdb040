"""Demo records: an invented shop's season, so that a new user sees lists, reports and charts at once.

Four invented makers pin closures for half a year. Two are steady; one has the habit of
sitting two millimetres to the wearer's left; one is learning, and her spread shrinks over the
months. Their placements are drawn from a seeded random source, judged by the real rules and
advised by the real advice, and some photos have to be retaken. Nothing here was measured:
every record is marked as demo, its picture is a drawing that says so, rechecking passes it
over, and `records purge --demo` takes all of it away. Only an empty store is filled.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from placecheck.answer import Answer, Estimate, Measured
from placecheck.errors import RetakeNeeded
from placecheck.records.model import NewRecord, utc_text
from placecheck.records.photos import RecordsProblem
from placecheck.records.request_json import to_json
from placecheck.records.store import Store
from placecheck.request import CheckRequest
from placecheck.units import parse_closure

ORDERS = 240
WEEKS = 26
SEED = 6


@dataclass(frozen=True)
class _Maker:
    """How an invented maker pins: mean and spread of offset, skew and clearance; `learns` shrinks the spread."""

    name: str
    offset_mm: float
    offset_s_mm: float
    skew_s_deg: float
    clearance_mm: float
    clearance_s_mm: float
    learns: bool = False


MAKERS = (
    _Maker("Ines", 0.1, 0.8, 0.5, 9.9, 0.9),
    _Maker("Tomma", -2.0, 0.8, 0.5, 9.6, 0.9),
    _Maker("Bea", 0.2, 1.9, 1.1, 9.4, 1.6, learns=True),
    _Maker("Ruth", 0.0, 0.9, 0.5, 9.8, 0.9),
)
CLOSURES = ("5x5", "4x4", "5x5", "7x7", "5x5", "6x6")


def fill_with_demo(store: Store, until: datetime | None = None, orders: int = ORDERS, seed: int = SEED) -> int:
    """Fill an empty store with the invented season that ends at `until`; returns the number of records.

    Raises RecordsProblem where the store holds records already.
    """
    from placecheck import __version__

    if store.count():
        raise RecordsProblem(
            "not-empty",
            f"{store.database.words} holds records already: try the demo in an empty place, such as "
            "PLACECHECK_HOME=demo placecheck records demo.",
        )
    rng = np.random.default_rng(seed)
    end = until or datetime.now(UTC)
    start = end - timedelta(weeks=WEEKS)
    news: list[NewRecord] = []
    for i in range(orders):
        maker = MAKERS[int(rng.integers(len(MAKERS)))]
        at = start + (end - start) * ((i + 0.5) / orders)
        at = at.replace(hour=9, minute=0, second=0, microsecond=0) + timedelta(minutes=float(rng.uniform(0, 420)))
        request = _request(CLOSURES[int(rng.integers(len(CLOSURES)))], rng)
        season = i / orders
        for minutes, stage, answer in _course(maker, request, season, rng):
            staged = {**to_json(request), "stage": stage}
            new = NewRecord(
                answer.as_json(),
                staged,
                utc_text(at + timedelta(minutes=minutes)),
                f"D{i + 1:04d}",
                f"client {1 + i // 2:03d}",
                maker.name,
                stage,
                request.closure.label,
                program_version=__version__,
                origin="demo",
            )
            drawing = draw_placement(answer, request)
            photo = store.put_picture(drawing(False))
            overlay = store.put_picture(drawing(True)) if answer.measured.estimates else None
            news.append(replace(new, photo=photo, original_sha256=photo.sha256, overlay=overlay))
    store.add_many(news)
    return len(news)


def _request(closure: str, rng: np.random.Generator) -> CheckRequest:
    around = float(rng.choice([546.1, 558.8, 571.5, 577.85]))
    return CheckRequest(parse_closure(closure), around)


def _course(
    maker: _Maker, request: CheckRequest, season: float, rng: np.random.Generator
) -> list[tuple[float, str, Answer]]:
    """(minutes after the first photo, stage, answer) of one order's checks, in their order."""
    from placecheck.judge import failed_answer
    from placecheck.one_photo import answer_for

    checks: list[tuple[float, str, Answer]] = []
    minutes = 0.0
    if rng.random() < 0.07:
        blurred = RetakeNeeded(
            "too-blurred", "The photo is blurred: rest your elbows, tap on the block to focus, hold still and retake."
        )
        checks.append((minutes, "pinned", failed_answer(blurred)))
        minutes += 2
    spread = 1.0 - 0.6 * season if maker.learns else 1.0
    place = {
        "offset": rng.normal(maker.offset_mm, maker.offset_s_mm * spread),
        "skew": rng.normal(0.0, maker.skew_s_deg * spread),
        "clearance": rng.normal(maker.clearance_mm, maker.clearance_s_mm * spread),
        "tilt": rng.normal(0.0, 0.5),
        "front": rng.normal(0.0, 1.4),
        "back": rng.normal(0.0, 1.4),
    }
    for _ in range(4):
        answer = answer_for(_measured(place, request, rng), request)
        checks.append((minutes, "pinned", answer))
        if answer.verdict == "pass":
            break
        minutes += float(rng.uniform(4, 12))
        target = {"offset": 0.0, "skew": 0.0, "clearance": 9.8, "tilt": 0.0, "front": 0.0, "back": 0.0}
        place = {k: target[k] + (v - target[k]) * float(rng.normal(0.15, 0.15)) for k, v in place.items()}
    if checks[-1][2].verdict == "pass" and rng.random() < 0.6:
        sewn = {k: v + float(rng.normal(0.0, 0.25)) for k, v in place.items()}
        checks.append((minutes + 90, "stitched", answer_for(_measured(sewn, request, rng), request)))
    return checks


def _measured(place: dict[str, float], request: CheckRequest, rng: np.random.Generator) -> Measured:
    """All measures that follow from a placement, each with an error of its own.

    The uncertainties are those of two photos and a soft tape (DEVELOPERS.md); what the photos err alike is left out.
    """
    width, length = request.closure.width_mm, request.closure.length_mm
    half_turn = math.radians(place["skew"]) * length / 2
    offset = place["offset"]
    truth = {
        "offset_mm": (offset, 0.55),
        "skew_deg": (place["skew"], 0.4),
        "clearance_centre_mm": (place["clearance"], 0.75),
        "clearance_left_mm": (place["clearance"] - place["tilt"], 0.75),
        "clearance_right_mm": (place["clearance"] + place["tilt"], 0.75),
        "front_corner_asymmetry_mm": (2 * offset + 2 * half_turn + place["front"], 1.45),
        "back_corner_asymmetry_mm": (2 * offset - 2 * half_turn + place["back"], 1.5),
        "fold_offset_front_mm": (offset + half_turn, 0.9),
        "fold_offset_back_mm": (offset - half_turn, 0.7),
        "width_front_mm": (0.99 * width, 1.9),
        "width_back_mm": (0.99 * width, 1.9),
        "length_left_mm": (length, 4.0),
        "length_right_mm": (length, 4.0),
    }
    return Measured({n: Estimate(float(rng.normal(v, 0.6 * u)), u) for n, (v, u) in truth.items()})


# ----------------------------------------------------------------------------- the drawing in place of a photo


def draw_placement(answer: Answer, request: CheckRequest) -> Callable[[bool], bytes]:
    """A function that draws the block from above as PNG, plain (False) or with what was measured (True)."""
    estimates = answer.measured.estimates
    offset = estimates["offset_mm"].value if "offset_mm" in estimates else 0.0
    skew = estimates["skew_deg"].value if "skew_deg" in estimates else 0.0
    clearance = estimates["clearance_centre_mm"].value if "clearance_centre_mm" in estimates else 10.0

    def draw(with_numbers: bool) -> bytes:
        from PIL import Image, ImageDraw, ImageFont

        width, height, per_mm = 480, 480, 1.7
        picture = Image.new("RGB", (width, height), "#d9cbb4")
        pen = ImageDraw.Draw(picture)
        x0, y0 = width / 2, height / 2 + 10

        def at(u: float, v: float) -> tuple[float, float]:
            return x0 + per_mm * u, y0 - per_mm * v

        def oval(across: float, along: float, v: float, fill: str, outline: str) -> None:
            left, top = at(-across / 2, v + along / 2)
            right, bottom = at(across / 2, v - along / 2)
            pen.ellipse((left, top, right, bottom), fill=fill, outline=outline, width=2)

        oval(150, 195, 0, "#efe6d6", "#8c7b62")
        rim = 66.0
        oval(146, 160, rim - 80, "#2e2a28", "#141212")
        pen.line([at(0, rim), at(0, -90)], fill="#8f8a84", width=1)
        w, n = min(request.closure.width_mm, 190.0) * 0.72, request.closure.length_mm * 0.72
        a = math.radians(skew)
        front = rim + clearance

        def turned(u: float, v: float) -> tuple[float, float]:
            du, dv = u, v - front
            return at(offset + du * math.cos(a) + dv * math.sin(a), front - du * math.sin(a) + dv * math.cos(a))

        corners = [turned(-w / 2, front), turned(w / 2, front), turned(w / 2, front - n), turned(-w / 2, front - n)]
        pen.polygon(corners, fill="#7a5a3c", outline="#3c2a1a")
        pen.line([turned(0, front), turned(0, front - n)], fill="#c9b08c", width=2)
        large, small = ImageFont.load_default(20), ImageFont.load_default(16)
        pen.text((12, 10), "DEMO: a drawing, not a photo", fill="#1c1b1a", font=large)
        if with_numbers:
            pen.line([at(0, 100), at(0, -90)], fill="#0a5c8f", width=2)
            pen.line([at(-75, rim), at(75, rim)], fill="#d55e00", width=2)
            words = (
                f"{answer.verdict.upper()}   offset {offset:+.1f} mm   skew {skew:+.1f} deg   clear {clearance:.1f} mm"
            )
            pen.text((12, height - 32), words, fill="#1c1b1a", font=small)
        out = io.BytesIO()
        picture.save(out, "PNG", compress_level=6)
        return out.getvalue()

    return draw
