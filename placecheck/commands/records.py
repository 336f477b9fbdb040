"""`placecheck records ...`: find, show, compare, hand out, chart, prove, back up and purge the kept checks.

Each command opens the store that the settings name, asks placecheck.records or
placecheck.quality, prints, and closes it; nothing is decided here. Lists and numbers go
to standard output, what is said about them to standard error. Exit status 0; 1 where a recheck differs or verify
finds something lost or changed; 2 for a usage error; 4 where the records cannot be used.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from placecheck.records.model import Record, Summary
    from placecheck.records.recheck import Recheck
    from placecheck.records.store import Store

app = typer.Typer(
    help="Kept checks: list, show, compare, export, report, charts, verify, backup.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Order = Annotated[str | None, typer.Option(help="Only this order.")]
Client = Annotated[str | None, typer.Option(help="Only this client alias.")]
Maker = Annotated[str | None, typer.Option(help="Only this maker.")]
Stage = Annotated[str | None, typer.Option(help="Only this stage, such as pinned or stitched.")]
OneVerdict = Annotated[str | None, typer.Option(help="Only this verdict: pass, fix or retake.")]
Closure = Annotated[str | None, typer.Option(help="Only this closure size, as it was written: 5x5.")]
Since = Annotated[str | None, typer.Option(metavar="DATE", help="From this day on: 2026-03-01.")]
Until = Annotated[str | None, typer.Option(metavar="DATE", help="Up to and with this day.")]
By = Annotated[Literal["maker", "closure", "stage"], typer.Option(help="What is compared.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite a file that is there already.")]
Number = Annotated[int, typer.Argument(help="Number of the record.")]
ChartedStage = Annotated[str, typer.Option(help="Which stage; “any” for all.")]


def register(parent: typer.Typer) -> None:
    parent.add_typer(app, name="records")


def _store() -> Store:
    from placecheck.records.store import open_store

    return open_store()


def _say(text: str) -> None:
    print(text, file=sys.stderr)


def _number(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _write(target: Path | None, data: bytes | Iterable[str], force: bool) -> None:
    """To a file, whole or not at all, or (None) to standard output."""
    from placecheck.records.photos import write_atomically
    from placecheck.whole_files import free_path

    if target is None:
        for line in data if not isinstance(data, bytes) else [data.decode()]:
            sys.stdout.write(line)
        return
    write_atomically(free_path(target, force), data if isinstance(data, bytes) else (line.encode() for line in data))
    print(target)


# ----------------------------------------------------------------------------- finding


@app.command("list")
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

    from placecheck.records.model import filter_from
    from placecheck.records.request_json import to_json

    wanted = filter_from(order, client, maker, stage, verdict, closure, since, until)
    with _store() as store:
        found = store.find(wanted, limit, skip)
        total = len(found) + skip if len(found) < limit and (found or not skip) else store.count(wanted)
    if as_json:
        for line in found:
            print(json.dumps(to_json(line), ensure_ascii=False))
        return
    if not found:
        _say("No records match." if total or wanted.since or any(vars(wanted).values()) else _nothing_yet())
        return
    _print_list(found)
    if total > len(found) + skip:
        _say(f"{len(found)} of {total}; see more with --limit or --skip.")


def _nothing_yet() -> str:
    return "There are no records yet: check a photo, or see `placecheck records demo`."


def _print_list(found: Iterable[Summary]) -> None:
    from rich.console import Console
    from rich.table import Table

    from placecheck.records.model import local_text

    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("no", "day", "order", "maker", "stage", "closure", "verdict", "off centre", "skew"):
        table.add_column(heading, no_wrap=heading in ("no", "day", "verdict"))
    for line in found:
        cells = []
        for name, sign in (("offset_mm", " mm"), ("skew_deg", "°")):
            reading = line.readings.get(name)
            shown = f"{abs(reading.value):.1f}" if reading else ""
            side = "" if not reading or shown == "0.0" else " right" if reading.value > 0 else " left"
            cells.append(f"{shown}{sign}{side}" if reading else "")
        names = (line.order_ref or "", line.maker or "", line.stage, line.closure)
        verdict = f"{line.verdict}{' demo' if line.origin == 'demo' else ''}"
        table.add_row(str(line.id), local_text(line.created_at)[:10], *map(_literal, names), verdict, *cells)
    Console(highlight=False).print(table)


def _literal(text: str) -> str:
    from rich.markup import escape

    return escape(text)


@app.command()
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

    with _store() as store:
        found = store.get(record)
        if as_json:
            print(json.dumps(json.loads(list(jsonl_lines([found]))[1]), ensure_ascii=False, indent=1))
        else:
            _print_record(found)
        for target, data, what in ((photo, store.photo, "photo"), (overlay, store.overlay, "overlay")):
            if target is not None:
                kept = data(found)
                if kept is None:
                    raise UsageProblem(f"no-{what}", f"Record {record} has no {what}.")
                _write(target, kept, force)


def _print_record(found: Record) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from placecheck.records.model import local_text
    from placecheck.records.report import rows_of, verdict_words

    console = Console(highlight=False)
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
        "demo, invented" if head.origin == "demo" else "",
    ]
    console.print(Text(", ".join(a for a in about if a)))
    console.print(Text(verdict_words(head.stage, head.verdict), style="bold"))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("", "reads, ± for 95 %", "limits", ""):
        table.add_column(heading)
    for row in rows_of(found):
        table.add_row(row.label, row.reads, row.limits, f"{row.symbol} {row.state}".strip())
    console.print(table)
    for number, fix in enumerate(found.answer.get("fixes", ()), 1):
        console.print(Text(f"{number}. {fix}"))
    for problem in found.answer.get("problems", ()):
        console.print(Text(f"! {problem['message']}"))
    if found.note:
        console.print(Text(f"Note: {found.note}"))
    if not found.digest_holds:
        _say("This record was changed after it was written: see `placecheck records verify`.")


@app.command()
def note(
    record: Number,
    text: Annotated[str, typer.Argument(help="The note; empty text takes it away.")],
) -> None:
    """Write a note to a record."""
    with _store() as store:
        store.set_note(record, text.strip() or None)


@app.command()
def compare(
    first: Annotated[int | None, typer.Argument(metavar="[BEFORE]", help="Number of the earlier record.")] = None,
    second: Annotated[int | None, typer.Argument(metavar="[AFTER]", help="Number of the later record.")] = None,
    order: Annotated[str | None, typer.Option(help="Compare pinned with stitched of this order.")] = None,
) -> None:
    """Compare two records, or an order's pinned with its stitched one."""
    from rich.console import Console
    from rich.table import Table

    from placecheck.errors import UsageProblem
    from placecheck.records.report import change_rows

    with _store() as store:
        if order is not None and first is None and second is None:
            latest = store.latest_per_stage(order)
            for stage in ("pinned", "stitched"):
                if stage not in latest:
                    raise UsageProblem("stage-missing", f"The order {order} has no measured {stage} record to compare.")
            before, after = latest["pinned"], latest["stitched"]
        elif first is not None and second is not None and order is None:
            before, after = store.get(first), store.get(second)
        else:
            raise UsageProblem("compare-what", "Name two records, or one order with --order.")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("", *(f"record {r.id}, {r.summary.stage}" for r in (before, after)), "change, ± for 95 %"):
        table.add_column(heading)
    for row in change_rows(before, after):
        table.add_row(*row)
    Console(highlight=False).print(table)


# ----------------------------------------------------------------------------- handing out


@app.command()
def export(
    file: Annotated[Path | None, typer.Argument(help="Name of the file (.csv, .jsonl); none: standard output.")] = None,
    kind: Annotated[Literal["csv", "jsonl"] | None, typer.Option("--as", help="Which of the two.")] = None,
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
    from placecheck.errors import UsageProblem
    from placecheck.records.export import csv_lines, jsonl_lines
    from placecheck.records.model import filter_from

    ending = file.suffix.lower().lstrip(".") if file else "csv"
    chosen = kind or ending
    if chosen not in ("csv", "jsonl"):
        raise UsageProblem("export-kind", f"{file} must end in .csv or .jsonl, or say which with --as.")
    wanted = filter_from(order, client, maker, stage, verdict, closure, since, until)
    with _store() as store:
        records = store.each(wanted)
        _write(file, csv_lines(records) if chosen == "csv" else jsonl_lines(records), force)


@app.command()
def report(
    order: Annotated[str, typer.Argument(help="The order.")],
    file: Annotated[Path | None, typer.Argument(help="Name of the file (.html or .pdf); ORDER.html.")] = None,
    force: Force = False,
) -> None:
    """Write an order's report: photo, overlay, numbers, verdict, history; HTML or PDF."""
    import re

    from placecheck.errors import UsageProblem
    from placecheck.records.report import order_html, order_pdf, order_report

    target = file or Path(re.sub(r"[^\w.-]+", "-", order).strip("-.") + ".html")
    if target.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageProblem("report-kind", f"{target} must end in .html or .pdf.")
    with _store() as store:
        gathered = order_report(store, order)
    pdf = target.suffix.lower() == ".pdf"
    _write(target, order_pdf(gathered) if pdf else order_html(gathered).encode(), force)


# ----------------------------------------------------------------------------- quality control


@app.command()
def quality(
    by: By = "maker",
    maker: Maker = None,
    stage: ChartedStage = "pinned",
    closure: Closure = None,
    since: Since = None,
    until: Until = None,
    html: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the page with charts.")] = None,
    last: Annotated[int, typer.Option(min=5, max=1000, help="How many placements a chart looks back.")] = 100,
    force: Force = False,
) -> None:
    """Are placements under control, and who needs help with what?"""
    from placecheck.answer import MEASURE_BY_NAME
    from placecheck.records.model import filter_from
    from placecheck.records.overview import CHARTED, fault_words, help_sentence, overview, yield_words
    from placecheck.records.report import quality_html

    only = None if by == "stage" or stage == "any" else stage
    with _store() as store:
        found = overview(store, by, filter_from(None, None, maker, only, None, closure, since, until), CHARTED, last)
    if html is not None:
        _write(html, quality_html(found).encode(), force)
        return
    if not found.groups:
        _say(f"No measured check names a {by} yet." if found.records else _nothing_yet())
        return
    print(f"Passed first time, all: {yield_words(found.together.first_pass)}")
    said = help_sentence(found)
    if said:
        print(said)
    for group in found.groups:
        print(f"\n{group.name}: passed first time {yield_words(group.first_pass)}")
        for fault in group.faults[:4]:
            print(f"  fix, {fault_words(fault)}: {fault.count}")
        for stream in group.streams:
            print(f"  {MEASURE_BY_NAME[stream.measure].label}:")
            for sentence in stream.sentences:
                print(f"    {sentence}")


@app.command()
def chart(
    measure: Annotated[str, typer.Argument(help="Measure, such as offset_mm, skew_deg or clearance_centre_mm.")],
    maker: Maker = None,
    stage: ChartedStage = "pinned",
    closure: Closure = None,
    since: Since = None,
    until: Until = None,
    svg: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the chart as SVG.")] = None,
    last: Annotated[int, typer.Option(min=5, max=1000, help="How many placements to look back.")] = 100,
    force: Force = False,
) -> None:
    """Individuals and moving-range chart of one measure."""
    from placecheck.answer import JUDGED
    from placecheck.errors import UsageProblem
    from placecheck.quality.charts_svg import individuals_svg
    from placecheck.records.model import filter_from
    from placecheck.records.overview import stream_of

    if measure not in JUDGED:
        raise UsageProblem("measure-unknown", f"“{measure}” is no judged measure: choose one of {', '.join(JUDGED)}.")
    wanted = filter_from(None, None, maker, None if stage == "any" else stage, None, closure, since, until)
    with _store() as store:
        stream = stream_of(store, measure, wanted, maker or "", last)
    if stream is None:
        _say("No records match, so there is nothing to chart.")
        return
    if svg is not None:
        _write(svg, individuals_svg(stream).encode(), force)
        return
    control = stream.chart
    print(f"placements  {len(control.values)}\nmean        {control.mean:.3f} {stream.unit}")
    if control.sigma is not None:
        print(f"LCL, UCL    {control.lower:.3f}, {control.upper:.3f} {stream.unit}")
        print(f"mean MR     {control.mean_moving_range:.3f}, UCL {control.range_upper:.3f} {stream.unit}")
    for sentence in stream.sentences:
        print(sentence)


# ----------------------------------------------------------------------------- keeping


@app.command()
def recheck(
    records: Annotated[list[int] | None, typer.Argument(metavar="[RECORD]...", help="Numbers; none: all.")] = None,
    order: Order = None,
    maker: Maker = None,
    since: Since = None,
    until: Until = None,
) -> None:
    """Check kept photos again and report what this version says differently."""
    from placecheck.records.model import filter_from
    from placecheck.records.recheck import recheck as recheck_all
    from placecheck.records.recheck import recheck_record

    same = different = skipped = 0
    with _store() as store:
        results: Iterable[Recheck]
        if records:
            results = (recheck_record(store, store.get(n)) for n in records)
        else:
            results = recheck_all(store, filter_from(order, None, maker, None, None, None, since, until))
        for result in results:
            if result.not_done is not None:
                skipped += 1
                _say(f"record {result.record}: not rechecked, {result.not_done}")
            elif result.reproduced:
                same += 1
            else:
                different += 1
                print(f"record {result.record} (placecheck {result.kept_version}):")
                for d in result.differences:
                    print(f"  {d.where}: {d.old!r} -> {d.new!r}")
    _say(f"{same} reproduced to the digit, {different} different, {skipped} not rechecked.")
    if different:
        raise typer.Exit(1)


@app.command()
def verify(
    remove_orphans: Annotated[bool, typer.Option("--remove-orphans", help="Remove files no record names.")] = False,
) -> None:
    """Find missing, altered and orphaned files and changed records."""
    from placecheck.records.verify import remove_orphans as remove
    from placecheck.records.verify import verify as look

    with _store() as store:
        found = look(store)
        for trouble in found.troubles:
            concerns = f" (record {', '.join(map(str, trouble.records))})" if trouble.records else ""
            print(f"{trouble.kind}: {trouble.what}{concerns}")
        if remove_orphans:
            _say(f"{_number(remove(found), 'orphaned file')} removed (younger than an hour are left).")
    what = "all sound" if not found.troubles else "nothing lost" if found.sound else "something is lost or changed"
    _say(f"{_number(found.records, 'record')}, {_number(found.files, 'file')}: {what}.")
    if not found.sound:
        raise typer.Exit(1)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="Name of the backup, one ZIP file.")],
    force: Force = False,
) -> None:
    """Write all records, photos and settings into one file."""
    from placecheck.records.backup import write_backup

    with _store() as store:
        done = write_backup(store, file, force)
    print(file)
    _say(f"{_number(done.records, 'record')}, {_number(done.files, 'file')}, {_number(done.settings, 'setting')}.")
    for name in done.lost:
        _say(f"Lost already, not in the backup: {name}")


@app.command()
def restore(file: Annotated[Path, typer.Argument(help="A backup.")]) -> None:
    """Bring a backup back into an empty place, SQLite or PostgreSQL."""
    from placecheck.records.backup import restore_backup

    with _store() as store:
        done = restore_backup(store, file)
    _say(f"{_number(done.records, 'record')}, {_number(done.files, 'file')}, {_number(done.settings, 'setting')}.")


@app.command()
def purge(
    older_than: Annotated[str | None, typer.Option(metavar="AGE", help="Older than this: 90d, 18m, 2y.")] = None,
    client: Client = None,
    demo: Annotated[bool, typer.Option("--demo", help="The demo records.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Remove records for good, with their photos, by age, client alias, or the demo."""
    from placecheck.errors import UsageProblem
    from placecheck.records.model import Filter, age_limit

    if older_than is None and client is None and not demo:
        raise UsageProblem("purge-what", "Say what to remove: --older-than, --client or --demo.")
    wanted = Filter(client=client, until=age_limit(older_than) if older_than else None, origin="demo" if demo else None)
    with _store() as store:
        count = store.count(wanted)
        if not count:
            _say("No records match; nothing was removed.")
            return
        if not yes and not typer.confirm(f"Remove {_number(count, 'record')} for good?", err=True):
            _say("Nothing was removed.")
            return
        records, files = store.purge(wanted)
    _say(f"{_number(records, 'record')} and {_number(files, 'file')} removed.")


@app.command()
def demo() -> None:
    """Fill an empty store with an invented shop's season."""
    from placecheck.records.demo import fill_with_demo

    with _store() as store:
        count = fill_with_demo(store)
    _say(
        f"{_number(count, 'demo record')} of an invented season written: see `placecheck records list` and "
        "`placecheck records quality --html charts.html`; `placecheck records purge --demo` takes them away."
    )
