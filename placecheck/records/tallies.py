"""What is counted over many records for quality control: groups, series, yields, sides of faults.

Each question is one statement, or two of one moment. Groups, series and yields look at first checks, the measured
ones whose `attempt` is 1, since later ones measure the correction and not the hand; a check without an order is none,
since nobody knows what went before it, nor is one whose photo was saved again, for which the later answer stands. A
series is the last readings of one judged measure, oldest first, never more than are asked for; yields are counted by
verdict, with the undecided beside them and not among them; faults are counted over all fix verdicts, by the side of
the tolerance that a measure lay on. What the numbers mean is placecheck.quality's; overview.py asks and hands over.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import and_, case, func, select

from placecheck.records.database import Database
from placecheck.records.model import PART, Filter, spelling
from placecheck.records.rows import ATTEMPT, STANDS, conditions, first_labels
from placecheck.records.schema import reading, record
from placecheck.request import STAGES, Stage

GROUP_COLUMNS = {"maker": record.c.maker, "closure": record.c.closure, "stage": record.c.stage}


@dataclass(frozen=True)
class Count:
    """First checks: how many could be decided, how many of these passed, how many stayed undecided."""

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
    """Makers, closures or stages (`by`) that have a first check, by name; each once, however it was written.

    A closure has the label that was kept first; a cap that is checked alone has none.
    """
    column = GROUP_COLUMNS[by]
    statement = select(column).where(ATTEMPT == 1, column.is_not(None), column != "").distinct()
    with database.reading() as connection:
        statement = statement.where(*conditions(connection, wanted))
        found = {str(v) for v in connection.execute(statement).scalars()}
        if by == "closure":
            first = first_labels(connection)
            found = {first[label] for label in found}
    if by == "maker":
        found = set({spelling(name): name for name in sorted(found, reverse=True)}.values())
    return sorted(found)


def series(
    database: Database,
    measure: str,
    wanted: Filter = Filter(),  # noqa: B008  (frozen)
    last: int | None = 100,
) -> list[SeriesPoint]:
    """The last readings of a judged measure in first checks, oldest first."""
    statement = (
        select(record.c.id, record.c.created_at, reading.c.value, reading.c.u95, reading.c.low, reading.c.high)
        .join(reading, and_(reading.c.record_id == record.c.id, reading.c.name == measure))
        .where(ATTEMPT == 1, reading.c.low.is_not(None), reading.c.high.is_not(None))
        .order_by(record.c.created_at.desc(), record.c.id.desc())
        .limit(last)
    )
    with database.reading() as connection:
        rows = connection.execute(statement.where(*conditions(connection, wanted))).all()
    return [SeriesPoint(*row) for row in reversed(rows)]


def first_checks(database: Database, wanted: Filter = Filter()) -> Count:  # noqa: B008  (frozen)
    """First checks by verdict."""
    tallies = [func.sum(case((record.c.verdict == v, 1), else_=0)) for v in ("pass", "fix", "retake")]
    with database.reading() as connection:
        row = connection.execute(select(*tallies).where(ATTEMPT == 1, *conditions(connection, wanted))).one()
    passed, fixed, undecided = (int(n or 0) for n in row)
    return Count(passed + fixed, passed, undecided)


def next_stages(database: Database) -> dict[str, Stage]:
    """What comes next in every order that has a measured record.

    Its last stage until that is passed, then the one after it; the job's last where that is passed, too.
    """
    passed = func.max(case((record.c.verdict == "pass", 1), else_=0))
    statement = select(record.c.order_ref, record.c.stage, passed).group_by(record.c.order_ref, record.c.stage)
    statement = statement.where(record.c.order_ref.is_not(None), record.c.stage.in_(STAGES))
    statement = statement.where(record.c.origin != PART, STANDS)  # the set's own verdict counts, and the photo's latest
    last: dict[str, tuple[int, int]] = {}
    with database.reading() as connection:
        for order, stage, done in connection.execute(statement):
            last[str(order)] = max(last.get(str(order), (0, 0)), (STAGES.index(stage), int(done)))
    return {order: STAGES[min(i + done, len(STAGES) - 1)] for order, (i, done) in last.items()}


def outside(database: Database, wanted: Filter = Filter()) -> tuple[dict[tuple[str, int], int], int]:  # noqa: B008  (frozen)
    """How often each measure lay below (-1) or above (+1) its tolerance in fix verdicts, and the count of these."""
    side = case((reading.c.value < reading.c.low, -1), else_=1)
    statement = (
        select(reading.c.name, side, func.count())
        .join(record, record.c.id == reading.c.record_id)
        .where(reading.c.state == "out")
        .group_by(reading.c.name, side)
    )
    with database.reading() as connection:
        where = (record.c.verdict == "fix", record.c.origin != PART, STANDS, *conditions(connection, wanted))
        rows = connection.execute(statement.where(*where)).all()
        fixes = connection.execute(select(func.count()).select_from(record).where(*where)).scalar_one()
    return {(str(name), int(sign)): int(n) for name, sign, n in rows}, int(fixes)
