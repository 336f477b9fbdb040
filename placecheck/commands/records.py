"""`placecheck records ...`: find, show, compare, hand out, chart, prove, back up and purge the kept checks.

Each command opens the store that the settings name, asks placecheck.records or placecheck.quality,
prints, and closes it; nothing is decided here. Lists and numbers go to standard output, what is
said about them to standard error. Exit status 0; 1 where a recheck differs or verify finds
something lost or changed; 2 for a usage error; 4 where the records cannot be used. Finding and
handing out are in this module, quality control in records_charts.py, proving, backing up and
removing in records_keeping.py, and what all share in records_options.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from placecheck.commands import records_charts, records_keeping
from placecheck.commands.filed_under import client_of, filed_order, orders_of
from placecheck.commands.records_options import (
    Client,
    Closure,
    Force,
    Maker,
    Number,
    OneVerdict,
    Order,
    Since,
    Stage,
    Until,
    changed_words,
    nothing_yet,
    opened,
    say,
    write,
)

if TYPE_CHECKING:
    from placecheck.records.model import Record, Summary
    from placecheck.records.store import Store


def register(parent: typer.Typer) -> None:
    group = typer.Typer(
        help="Kept checks: list, show, compare, export, report, charts, verify, backup.",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    group.command("list")(list_records)
    group.command("show")(show)
    group.command("note")(note)
    group.command("compare")(compare)
    group.command("export")(export)
    group.command("report")(report)
    group.command("quality")(records_charts.quality)
    group.command("chart")(records_charts.chart)
    group.command("recheck")(records_keeping.recheck)
    group.command("verify")(records_keeping.verify)
    group.command("backup")(records_keeping.backup)
    group.command("restore")(records_keeping.restore)
    group.command("purge")(records_keeping.purge)
    group.command("demo")(records_keeping.demo)
    parent.add_typer(group, name="records")


# ----------------------------------------------------------------------------- finding


def list_records(
    order: Order = None,
    client: Client = None,
    maker: Maker = None,
    stage: Stage = None,
    verdict: OneVerdict = None,
    closure: Closure = None,
    since: Since = None,
    until: Until = None,
    limit: Annotated[int, typer.Option(min=1, max=10000, help="At most so many, newest first.")] = 30,
    skip: Annotated[int, typer.Option(min=0, help="Leave out so many of the newest.")] = 0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """List records, newest first."""
    import json

    from placecheck.records.model import filter_from, is_time
    from placecheck.records.request_json import to_json

    wanted = filter_from(order, client, maker, stage, verdict, closure, since, until, orders_of(client))
    with opened() as store:
        found = store.find(wanted, limit, skip)
        total = len(found) + skip if len(found) < limit and (found or not skip) else store.count(wanted)
        any_there = bool(found) or store.count() > 0
    for line in found:
        if not is_time(line.created_at):
            say(changed_words(line.id))
    if as_json:
        for line in found:
            print(json.dumps(to_json(line), ensure_ascii=False))
        return
    if not found:
        say("No records match." if any_there else nothing_yet())
        return
    _print_list(found)
    if total > len(found) + skip:
        say(f"{len(found)} of {total}; see more with --limit or --skip.")


def _print_list(found: Iterable[Summary]) -> None:
    from rich.table import Table

    from placecheck.answer import MEASURE_BY_NAME
    from placecheck.printout import briefly
    from placecheck.records.model import PART, local_text
    from placecheck.terminal import console

    # one blank between columns, and what is too long goes on below: nothing is cut on a narrow screen
    table = Table(box=None, pad_edge=False, collapse_padding=True, header_style="bold")
    for heading in ("no", "day", "order", "maker", "stage", "closure", "verdict", "off centre", "skew"):
        table.add_column(heading, no_wrap=heading in ("no", "day", "stage", "verdict"), overflow="fold")
    for line in found:
        cells = []
        for name in ("offset_mm", "skew_deg"):
            reading = line.readings.get(name)
            cells.append(briefly(MEASURE_BY_NAME[name], reading.value, " mm") if reading else "")
        names = (line.order_ref or "", line.maker or "", line.stage, line.closure)
        verdict = line.verdict + {"demo": " demo", PART: " (part)"}.get(line.origin, "")
        table.add_row(str(line.id), local_text(line.created_at)[:10], *names, verdict, *cells)
    console().print(table)


def show(
    record: Number,
    as_json: Annotated[bool, typer.Option("--json", help="Everything kept, as JSON.")] = False,
    photo: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the kept photo to this file.")] = None,
    overlay: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the kept overlay to this file.")] = None,
    force: Force = False,
) -> None:
    """Show one record whole."""
    import json

    from placecheck.errors import UsageProblem
    from placecheck.records.export import jsonl_lines
    from placecheck.whole_files import ending_in

    with opened() as store:
        found = store.get(record)
        if as_json:
            print(json.dumps(json.loads(list(jsonl_lines([found]))[1]), ensure_ascii=False, indent=1))
        else:
            _print_record(found)
        for target, kept, data, what in (
            (photo, found.photo, store.photo, "photo"),
            (overlay, found.overlay, store.overlay, "overlay"),
        ):
            if target is not None:
                picture = data(found)
                if kept is None or picture is None:
                    raise UsageProblem(f"no-{what}", f"Record {record} has no {what}.")
                also = (".jpeg",) if kept.ending == "jpg" else ()
                write(ending_in(target, f".{kept.ending}", *also), picture, force)


def _print_record(found: Record) -> None:
    from rich.table import Table
    from rich.text import Text

    from placecheck.records.model import ORIGIN_WORDS, local_text
    from placecheck.records.report import moves_of, rows_of, taped_words, verdict_words
    from placecheck.terminal import console

    drawn = console()
    head = found.summary
    about = [
        f"Record {head.id}",
        local_text(head.created_at),
        f"order {head.order_ref}" if head.order_ref else "",
        f"client {head.client}" if head.client else "",
        f"maker {head.maker}" if head.maker else "",
        head.stage,
        head.closure,
        f"placecheck {found.program_version}",
        ORIGIN_WORDS.get(head.origin, ""),
    ]
    drawn.print(Text(", ".join(a for a in about if a)))
    drawn.print(Text(verdict_words(head.stage, head.verdict), style="bold"))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("left, right: the wearer's" * (head.stage != "stitches"), "reads, ± for 95 %", "limits", ""):
        table.add_column(heading)
    for row in rows_of(found):
        table.add_row(row.label, row.reads, row.limits, f"{row.symbol} {row.state}".strip())
    drawn.print(table)
    if taped := taped_words(found):
        drawn.print(Text(f"Soft tape: {taped}"))
    if moves := moves_of(found):
        drawn.print(Text("Since the pinned photo:"))
    for move in moves:
        drawn.print(Text(f"  {move}"))
    for number, fix in enumerate(found.answer.get("fixes", ()), 1):
        drawn.print(Text(f"{number}. {fix}"))
    for problem in found.answer.get("problems", ()):
        drawn.print(Text(f"! {problem['message']}"))
    if found.note:
        drawn.print(Text(f"Note: {found.note}"))
    if not found.digest_holds:
        say(changed_words(head.id))


def note(
    record: Number,
    text: Annotated[str, typer.Argument(help="The note; empty text takes it away.")],
) -> None:
    """Write a note to a record."""
    with opened() as store:
        store.set_note(record, text.strip() or None)
    say(f"The note is written to record {record}." if text.strip() else f"Record {record} has no note now.")


def compare(
    first: Annotated[int | None, typer.Argument(metavar="[BEFORE]", help="Number of the earlier record.")] = None,
    second: Annotated[int | None, typer.Argument(metavar="[AFTER]", help="Number of the later record.")] = None,
    order: Annotated[
        str | None, typer.Option(help="Compare pinned with stitched of this order.", callback=filed_order)
    ] = None,
) -> None:
    """Compare two records, or an order's pinned with its stitched one."""
    from rich.table import Table

    from placecheck.errors import UsageProblem
    from placecheck.records.report import change_rows
    from placecheck.terminal import console

    with opened() as store:
        if order is not None and first is None and second is None:
            before, after = _pinned_and_stitched(store, order)
        elif first is not None and second is not None and order is None:
            before, after = store.get(first), store.get(second)
        else:
            raise UsageProblem("compare-what", "Name two records, or one order with --order.")
    if not set(before.readings) & set(after.readings):
        stages = " and ".join(f"record {r.id} ({r.summary.stage})" for r in (before, after))
        raise UsageProblem(
            "compare-nothing",
            f"Nothing was measured in both {stages}: compare two measured ones of one stage, or pinned with stitched.",
        )
    table = Table(box=None, pad_edge=False, header_style="bold")
    records = (f"record {r.id}, {r.summary.stage}" for r in (before, after))
    for heading in ("left, right: the wearer's", *records, "change, ± for 95 %"):
        table.add_column(heading)
    for row in change_rows(before, after):
        table.add_row(*row)
    console().print(table)


def _pinned_and_stitched(store: Store, order: str) -> tuple[Record, Record]:
    """The order's latest measured records of both stages. Raises UsageProblem where one is missing."""
    from placecheck.errors import UsageProblem

    latest = store.latest_per_stage(order)
    for stage in ("pinned", "stitched"):
        if stage not in latest:
            raise UsageProblem(
                "stage-missing",
                f"The order {order} has no measured {stage} record to compare: check that photo under the order "
                f"first, or name two records by their numbers (`placecheck records list --order {order}`).",
            )
    return latest["pinned"], latest["stitched"]


# ----------------------------------------------------------------------------- handing out


def export(
    file: Annotated[Path | None, typer.Argument(help="Name of the file (.csv, .jsonl); none: standard output.")] = None,
    kind: Annotated[
        Literal["csv", "jsonl"] | None, typer.Option("--as", case_sensitive=False, help="Which of the two.")
    ] = None,
    order: Order = None,
    client: Client = None,
    maker: Maker = None,
    stage: Stage = None,
    verdict: OneVerdict = None,
    closure: Closure = None,
    since: Since = None,
    until: Until = None,
    force: Force = False,
) -> None:
    """Write records as CSV or JSON Lines, units in the header."""
    from itertools import chain

    from placecheck.errors import UsageProblem
    from placecheck.records.export import MARK, csv_lines, jsonl_lines
    from placecheck.records.model import filter_from

    ending = file.suffix.lower().lstrip(".") if file else "csv"
    chosen = kind or ending
    if chosen not in ("csv", "jsonl"):
        raise UsageProblem("export-kind", f"{file} must end in .csv or .jsonl, or say which with --as.")
    wanted = filter_from(order, client, maker, stage, verdict, closure, since, until, orders_of(client))
    with opened() as store:
        records = _naming_changed(store.each(wanted))
        lines = csv_lines(records) if chosen == "csv" else jsonl_lines(records)
        marked = file is not None and chosen == "csv"
        write(file, chain([MARK], lines) if marked else lines, force)
        if not store.count(wanted):
            say("No records match, so it holds none.")


def _naming_changed(records: Iterable[Record]) -> Iterator[Record]:
    """The same records; those that are not what was written are named as they pass."""
    for found in records:
        if not found.digest_holds:
            say(changed_words(found.id))
        yield found


def report(
    order: Annotated[str, typer.Argument(help="The order.", callback=filed_order)],
    file: Annotated[Path | None, typer.Argument(help="Name of the file (.html or .pdf); ORDER.html.")] = None,
    force: Force = False,
) -> None:
    """Write an order's report: photo, overlay, numbers, verdict, history; HTML or PDF."""
    from placecheck.errors import UsageProblem
    from placecheck.records.model import report_name
    from placecheck.records.report import order_report
    from placecheck.records.report_files import order_html, order_pdf

    target = file or Path(report_name(order, "html"))
    if target.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageProblem("report-kind", f"{target} must end in .html or .pdf.")
    with opened() as store:
        gathered = order_report(store, order, client_of(order))
    pdf = target.suffix.lower() == ".pdf"
    write(target, order_pdf(gathered) if pdf else order_html(gathered).encode(), force)
