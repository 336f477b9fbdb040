"""`placecheck records quality` and `chart`: are placements under control, and who needs help with what?

`quality` compares makers, closure sizes or stages: how many pass first time, which faults
lead to fixes, and what the charts of the stage's main measures say, a sentence each; with
--html the page with the charts is written instead. `chart` is one measure's individuals
and moving-range chart, as numbers or as SVG. The numbers and the sentences are
placecheck.records.overview's and placecheck.quality's; here they are only asked for, for
the records that the options choose, and printed. Both look at the pinned stage unless told
otherwise, since stages are not placed alike; `chart` of what another stage measures at that one.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from placecheck.commands.records_options import (
    By,
    ChartedStage,
    Closure,
    Force,
    Maker,
    MeasuredStage,
    Since,
    Until,
    nothing_yet,
    opened,
    say,
    write,
)


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
    from placecheck.records.overview import fault_words, help_sentence, overview, yield_words
    from placecheck.records.report_files import quality_html
    from placecheck.whole_files import ending_in

    if html is not None:
        ending_in(html, ".html", ".htm")
    only = None if by == "stage" or stage == "any" else stage
    with opened() as store:
        found = overview(store, by, filter_from(None, None, maker, only, None, closure, since, until), last)
        none_at_all = not found.records and not store.count()
    if html is not None:
        write(html, quality_html(found).encode(), force)
        return
    if not found.groups:
        if found.records:
            say(f"No measured check names both an order and a {by} yet: only the first of an order counts.")
        elif none_at_all:
            say(nothing_yet())
        else:
            say(f"No records{f' of the stage {only}' if only else ''} match.")
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


def chart(
    measure: Annotated[str, typer.Argument(help="Measure, such as offset_mm, skew_deg or clearance_centre_mm.")],
    maker: Maker = None,
    stage: MeasuredStage = None,
    closure: Closure = None,
    since: Since = None,
    until: Until = None,
    svg: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the chart as SVG.")] = None,
    last: Annotated[int, typer.Option(min=5, max=1000, help="How many placements to look back.")] = 100,
    force: Force = False,
) -> None:
    """Individuals and moving-range chart of one measure."""
    from placecheck.answer import MEASURE_BY_NAME, STAGE_MEASURES
    from placecheck.errors import UsageProblem
    from placecheck.printout import SIDES
    from placecheck.quality.charts_svg import individuals_svg
    from placecheck.quality.control_chart import LEAST_FOR_LIMITS
    from placecheck.quality.stream import noun_of
    from placecheck.records.model import filter_from
    from placecheck.records.overview import as_kept, stream_of
    from placecheck.whole_files import ending_in

    if svg is not None:
        ending_in(svg, ".svg")
    judged = [name for name, spec in MEASURE_BY_NAME.items() if spec.judged]
    if measure not in judged:
        raise UsageProblem("measure-unknown", f"“{measure}” is no judged measure: choose one of {', '.join(judged)}.")
    stages = [name for name, specs in STAGE_MEASURES.items() if MEASURE_BY_NAME[measure] in specs]
    chosen = stage or stages[0]
    if chosen not in (*stages, "any"):
        raise UsageProblem(
            "measure-of-another-stage",
            f"The stage {chosen} does not measure {measure}: choose --stage {' or '.join(stages)}.",
        )
    wanted = filter_from(None, None, maker, None if chosen == "any" else chosen, None, closure, since, until)
    with opened() as store:
        wanted = as_kept(store, wanted)
        stream = stream_of(store, measure, wanted, wanted.maker or "", last)
        any_there = stream is not None or store.count() > 0
    if stream is None:
        none_first = "None of the records that match is an order's first measured check, so there is nothing to chart."
        say(none_first if any_there else nothing_yet())
        return
    if svg is not None:
        write(svg, individuals_svg(stream).encode(), force)
        return
    control = stream.chart
    spec, one = MEASURE_BY_NAME[measure], noun_of(measure)
    side = SIDES[measure][0] if measure in SIDES else ""
    print(f"{spec.label}, {stream.unit}{f'; positive: {side}' if side else ''}")
    print(f"{one + 's':22}{len(control.values)}")
    if len(control.values) < LEAST_FOR_LIMITS:
        print(f"{'in turn':22}{', '.join(f'{value:.3f}' for value in control.values)}")
    else:
        print(f"{'mean':22}{control.mean:.3f}")
    if control.sigma is not None:
        print(f"{'usual spread':22}{control.lower:.3f} to {control.upper:.3f} (control limits, LCL and UCL)")
        ranges = f"{control.mean_moving_range:.3f} on average, usually up to {control.range_upper:.3f}"
        print(f"{'from one to the next':22}{ranges} (moving range and its UCL)")
    for sentence in stream.sentences:
        print(sentence)
