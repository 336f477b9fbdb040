"""What is counted over many records for quality control: groups, series, yields, sides of faults.

Each question is one statement, or two of one moment. Groups, series and yields look at first
checks, the measured ones whose `attempt` is 1, since later ones measure the correction and
not the hand. A series is the last readings of one judged measure, oldest first, never more
than are asked for; yields are counted by verdict, with the undecided beside them and not
among them; faults are counted over all fix verdicts, by the side of the tolerance that a
measure lay on. What the numbers mean is placecheck.quality's; overview.py asks and hands over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import and_, case, func, select

from placecheck.records.database import Database
from placecheck.records.model import Filter
from placecheck.records.rows import conditions
from placecheck.records.schema import reading, record
from placecheck.request import STAGES, Stage

GROUP_COLUMNS = {"maker": record.c.maker, "closure": record.c.closure, "stage": record.c.stage}


@dataclass(frozen=True)
class Count:
    """First checks of one group: how many could be decided, how many of these passed, how many stayed undecided."""

    group: str | None
    decided: int
    passed: int
    undecided: int


@dataclass(frozen=True)
class SeriesPoint:
    """One reading in time: record, time, value, expanded uncertainty, limits."""

    record: int
    at: str
    value: float
    U95: float
    low: float
    high: float


def groups(database: Database, by: str, wanted: Filter = Filter()) -> list[str]:  # noqa: B008  (frozen)
    """Makers, closures or stages (`by`) that have a first check, by name."""
    column = GROUP_COLUMNS[by]
    statement = select(column).where(record.c.attempt == 1, column.is_not(None), *conditions(wanted)).distinct()
    with database.reading() as connection:
        return sorted(str(v) for v in connection.execute(statement).scalars())


def series(
    database: Database,
    measure: str,
    wanted: Filter = Filter(),  # noqa: B008  (frozen)
    last: int | None = 100,
    first_only: bool = True,
) -> list[SeriesPoint]:
    """The last readings of a judged measure, oldest first; first checks only unless told otherwise."""
    statement = (
        select(record.c.id, record.c.created_at, reading.c.value, reading.c.u95, reading.c.low, reading.c.high)
        .join(reading, and_(reading.c.record_id == record.c.id, reading.c.name == measure))
        .where(reading.c.low.is_not(None), reading.c.high.is_not(None), *conditions(wanted))
        .order_by(record.c.created_at.desc(), record.c.id.desc())
        .limit(last)
    )
    statement = statement.where(record.c.attempt == 1 if first_only else record.c.attempt.is_not(None))
    with database.reading() as connection:
        rows = connection.execute(statement).all()
    return [SeriesPoint(*row) for row in reversed(rows)]


def first_checks(database: Database, by: str | None, wanted: Filter = Filter()) -> list[Count]:  # noqa: B008  (frozen)
    """First checks by verdict, per group or (None) all together."""
    tallies = [func.sum(case((record.c.verdict == v, 1), else_=0)) for v in ("pass", "fix", "retake")]
    where = (record.c.attempt == 1, *conditions(wanted))
    with database.reading() as connection:
        if by is None:
            rows: Sequence[Any] = [(None, *connection.execute(select(*tallies).where(*where)).one())]
        else:
            column = GROUP_COLUMNS[by]
            rows = list(connection.execute(select(column, *tallies).where(*where).group_by(column)))
    found = [Count(n, int(p or 0) + int(f or 0), int(p or 0), int(r or 0)) for n, p, f, r in rows]
    return sorted(found, key=lambda c: (c.group is None, c.group or ""))


def passed_stages(database: Database) -> dict[str, set[Stage]]:
    """The stages that an order has passed, by order."""
    statement = select(record.c.order_ref, record.c.stage).distinct()
    statement = statement.where(record.c.order_ref.is_not(None), record.c.verdict == "pass", record.c.stage.in_(STAGES))
    found: dict[str, set[Stage]] = {}
    with database.reading() as connection:
        for order, stage in connection.execute(statement):
            found.setdefault(str(order), set()).add(stage)
    return found


def outside(database: Database, wanted: Filter = Filter()) -> tuple[dict[tuple[str, int], int], int]:  # noqa: B008  (frozen)
    """How often each measure lay below (-1) or above (+1) its tolerance in fix verdicts, and the count of these."""
    side = case((reading.c.value < reading.c.low, -1), else_=1)
    where = (record.c.verdict == "fix", record.c.attempt.is_not(None), *conditions(wanted))
    statement = (
        select(reading.c.name, side, func.count())
        .join(record, record.c.id == reading.c.record_id)
        .where(reading.c.state == "out", *where)
        .group_by(reading.c.name, side)
    )
    with database.reading() as connection:
        rows = connection.execute(statement).all()
        fixes = connection.execute(select(func.count()).select_from(record).where(*where)).scalar_one()
    return {(str(name), int(sign)): int(n) for name, sign, n in rows}, int(fixes)
