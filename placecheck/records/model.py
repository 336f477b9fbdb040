"""What a record is, as values: what goes into the store and what comes out.

A NewRecord is a check that is to be kept; a Record is one that was, with its number; Filter
says which are wanted. Photos and overlays are named by SHA-256 (photos.py). Times are UTC,
ISO 8601 with microseconds and Z, so that text order is time order in every database; a
date given by a person is taken as a day of her own clock. The answer and the request are
the JSON objects of the command line and of the check, kept whole beside the columns that are
searched, so that nothing is lost that was not thought of yet.
"""

from __future__ import annotations

import calendar
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from placecheck.errors import UsageProblem
from placecheck.units import parse_closure

TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"
JOINERS = "\u200c\u200d"
"""Signs that join letters or pictures to a word and are not seen themselves: Persian names and some emoji have them."""
VERDICTS = ("pass", "fix", "retake")
STAGES = ("cap", "pinned", "stitched", "stitches")


def utc_text(at: datetime) -> str:
    """A time with zone as the store keeps it: 2026-03-01T09:30:00.000000Z."""
    return at.astimezone(UTC).strftime(TIME_FORMAT)


def now_text() -> str:
    return utc_text(datetime.now(UTC))


def kept_name(text: str | None) -> str | None:
    """A name as given, without blanks around it and without control characters; None where nothing is left."""
    kept = "".join(c if c.isprintable() or c in JOINERS else " " for c in text or "")
    return " ".join(kept.split())[:200].strip(f" {JOINERS}") or None


def spelling(name: str) -> str:
    """What names that are one have in common, however their letters were cased, composed and joined."""
    composed = unicodedata.normalize("NFC", kept_name(name) or "").casefold()
    return " ".join("".join(" " if c in JOINERS else c for c in composed).split())


def order_number(order: str) -> int | None:
    """The number that an order is named by (`7`, `0007`, `#7`); None where it is a name."""
    text = order.strip().lstrip("#")
    return int(text) if text.isdecimal() and len(text) < 19 else None  # Python reads no number of thousands of digits


def order_name(order: str | None) -> str | None:
    """What records are filed under for an order: a number as orders print theirs, `0007`, anything else as given."""
    number = None if order is None else order_number(order)
    return kept_name(order) if number is None else f"{number:04d}"


def order_names(order: str) -> tuple[str, ...]:
    """All that records may call an order; earlier versions kept the number of one not kept here as it was typed."""
    number = order_number(order)
    if number is None:
        return (kept_name(order) or "",)
    return tuple(f"{sign}{number:0{digits}d}" for sign in ("", "#") for digits in range(len(str(number)), 19))


def report_name(order: str, ending: str) -> str:
    """What the file of an order's report is called: `0007.html`."""
    return (re.sub(r"[^\w.-]+", "-", order)[:60].strip("-.") or "order") + f".{ending}"


def is_time(at: str) -> bool:
    """Whether a kept time is one; a record whose time is none was changed after it was written."""
    try:
        return bool(datetime.strptime(at, TIME_FORMAT))
    except ValueError:
        return False


def local_text(at: str) -> str:
    """A kept time on the clock of this computer, to the minute; what is no time as it stands."""
    if not is_time(at):
        return at
    return datetime.strptime(at, TIME_FORMAT).replace(tzinfo=UTC).astimezone().strftime("%Y-%m-%d %H:%M")


def day_start(text: str, following: bool = False) -> str:
    """The start of a local day (or of the one after it) as kept time. Raises UsageProblem for what is no date."""
    try:
        day = date.fromisoformat(text)
        if following:
            day += timedelta(days=1)
        return utc_text(datetime(day.year, day.month, day.day).astimezone())
    except (ValueError, OverflowError):
        raise UsageProblem(
            "date-wrong", f"“{text}” is not a date: write year, month, day, such as 2026-03-01."
        ) from None


_AGE = re.compile(r"(\d{1,4})\s*([dmy])", re.ASCII)


def age_limit(age: str) -> str:
    """The time that lies `age` ago: 90d, 18m (months), 2y, by the calendar of this computer. Raises UsageProblem."""
    match = _AGE.fullmatch(age.strip().lower())
    if match is None or int(match[1]) < 1:
        raise UsageProblem("age-wrong", f"“{age}” is no age: write days, months or years, such as 90d, 18m or 2y.")
    n, unit = int(match[1]), match[2]
    now = datetime.now().astimezone()
    if unit == "d":
        return utc_text(now - timedelta(days=n))
    months = now.year * 12 + now.month - 1 - n * (12 if unit == "y" else 1)
    if months < 12 * 1000:
        raise UsageProblem("age-wrong", f"“{age}” is further back than any record.")
    year, month = divmod(months, 12)
    day = min(now.day, calendar.monthrange(year, month + 1)[1])
    return utc_text(now.replace(year=year, month=month + 1, day=day))


@dataclass(frozen=True)
class FileRef:
    """A kept file: its SHA-256, ending and size."""

    sha256: str
    ending: str
    size_bytes: int


PART = "part"
"""Origin of a photo that was kept because another check was measured together with it; it is no check of its own."""
ORIGIN_WORDS: Mapping[str, str] = {"demo": "demo, invented", PART: "part of a set"}
"""What is told of a record that is no check of its own."""


@dataclass(frozen=True)
class NewRecord:
    """A check to be kept. `original_sha256` is of the photo's file before it was cleaned.

    `origin` is "check", "demo" for invented ones, or PART.
    """

    answer: Mapping[str, Any]
    request: Mapping[str, Any]
    created_at: str = ""
    order_ref: str | None = None
    client: str | None = None
    maker: str | None = None
    stage: str = "pinned"
    closure: str = ""
    photo: FileRef | None = None
    original_sha256: str | None = None
    overlay: FileRef | None = None
    profile: Mapping[str, Any] | None = None
    program_version: str = ""
    origin: str = "check"
    note: str | None = None


@dataclass(frozen=True)
class Reading:
    """One measure of a record; low, high and state are None where it is not judged."""

    name: str
    value: float
    U95: float
    unit: str
    low: float | None = None
    high: float | None = None
    state: str | None = None


@dataclass(frozen=True)
class Summary:
    """A line of a list of records."""

    id: int
    created_at: str
    order_ref: str | None
    client: str | None
    maker: str | None
    stage: str
    closure: str
    verdict: str
    attempt: int | None
    origin: str
    readings: Mapping[str, Reading] = field(default_factory=dict)

    @property
    def replaced(self) -> bool:
        """Whether its photo was saved again under the same order and stage; known where the readings are there."""
        counts = self.order_ref is not None and self.origin != PART
        return counts and self.attempt is None and any(r.low is not None for r in self.readings.values())


@dataclass(frozen=True)
class Record:
    """A kept check, whole. `digest_holds` is False where the record is not what was written."""

    summary: Summary
    uid: str
    answer: Mapping[str, Any]
    request: Mapping[str, Any]
    profile: Mapping[str, Any] | None
    program_version: str
    photo: FileRef | None
    original_sha256: str | None
    overlay: FileRef | None
    note: str | None
    digest_holds: bool

    @property
    def id(self) -> int:
        return self.summary.id

    @property
    def readings(self) -> Mapping[str, Reading]:
        return self.summary.readings


@dataclass(frozen=True)
class Filter:
    """Which records; None takes any. `since` and `until` are kept times, from and before.

    `client_orders` are the orders of the wanted client, whose records are hers whatever alias they were kept with.
    """

    order: str | None = None
    client: str | None = None
    maker: str | None = None
    stage: str | None = None
    verdict: str | None = None
    closure: str | None = None
    since: str | None = None
    until: str | None = None
    origin: str | None = None
    client_orders: tuple[str, ...] = ()


def filter_from(
    order: str | None = None,
    client: str | None = None,
    maker: str | None = None,
    stage: str | None = None,
    verdict: str | None = None,
    closure: str | None = None,
    since: str | None = None,
    until: str | None = None,
    client_orders: tuple[str, ...] = (),
) -> Filter:
    """A filter from what a person typed; `until` includes its day. Raises UsageProblem."""
    verdict, stage = verdict and verdict.lower(), stage and stage.lower()
    if verdict is not None and verdict not in VERDICTS:
        raise UsageProblem("verdict-wrong", f"“{verdict}” is no verdict: choose pass, fix or retake.")
    if stage is not None and stage not in STAGES:
        raise UsageProblem("stage-wrong", f"“{stage}” is no stage: choose cap, pinned, stitched or stitches.")
    if closure is not None:
        parse_closure(closure)
    return Filter(
        order,
        client,
        maker,
        stage,
        verdict,
        closure,
        day_start(since) if since else None,
        day_start(until, following=True) if until else None,
        client_orders=client_orders,
    )


def readings_of(answer: Mapping[str, Any]) -> dict[str, Reading]:
    """The measures of an answer (the command line's JSON) that could be had."""
    found = {}
    for name, entry in (answer.get("measures") or {}).items():
        if isinstance(entry, Mapping):
            found[name] = Reading(
                name,
                float(entry["value"]),
                float(entry["U95"]),
                str(entry.get("unit", "")),
                entry.get("low"),
                entry.get("high"),
                entry.get("state"),
            )
    return found
