"""`placecheck order`: from the client's tape to the bench sheet and the guidelines.

`new` takes an alias and lengths, asks back where a length cannot be right (on a terminal by
a question, elsewhere by refusing with the question as its sentence), and keeps the order.
`change` keeps a further revision; what is not named stays, and `none` empties. `list` and
`show` print, `sheet` and `guidelines` write one page of PDF each; an existing file is not
overwritten unless --force says so. Doubts are accepted by --yes or by an answer, and the
sheet says that they were.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    from placecheck.fitting.fitted import Fitting
    from placecheck.orders.order import Block, Order

Unit = Literal["in", "cm", "mm"]
Paper = Literal["a4", "letter"]


def _length(flag: str, help_text: str) -> Any:
    return typer.Option(flag, metavar="LENGTH", help=help_text)


Circumference = Annotated[str | None, _length("--circumference", "Round the hairline: 22 1/2, 22.5in or 57.2cm.")]
FrontToNape = Annotated[str | None, _length("--front-to-nape", "Front hairline over the crown to the nape.")]
TempleToTemple = Annotated[str | None, _length("--temple-to-temple", "Temple round the back to temple.")]
EarToEar = Annotated[str | None, _length("--ear-to-ear", "Above one ear over the crown to the other.")]
NapeWidth = Annotated[str | None, _length("--nape-width", "Width of the hairline at the nape.")]
HairlineHeight = Annotated[str | None, _length("--hairline-height", "Between the brows up to the hairline.")]
HeadLength = Annotated[str | None, _length("--head-length", "Calipers, brow to back.")]
HeadBreadth = Annotated[str | None, _length("--head-breadth", "Calipers, above the ears.")]
BareUnit = Annotated[
    Unit | None, typer.Option("--unit", help="Unit of lengths written without one; a bare fraction is inches.")
]
BlockRound = Annotated[str | None, _length("--block", "Tape round the block's widest level, with unit.")]
BlockOver = Annotated[
    str | None, _length("--block-over", "Block: widest level in front, over the crown, to that level behind.")
]
BlockAcross = Annotated[str | None, _length("--block-across", "Block: the same from side to side.")]
BlockName = Annotated[str | None, typer.Option("--block-name", help="What you call the block.")]
CapSize = Annotated[str | None, typer.Option("--cap", metavar="SIZE", help="Cap: standard or extra-large.")]
CapLength = Annotated[str | None, _length("--cap-front-to-nape", "The cap's own length, front to nape.")]
CapName = Annotated[str | None, typer.Option("--cap-name", help="What you call the cap.")]
Closure = Annotated[str | None, typer.Option("--closure", metavar="SIZE", help="Closure, width x front to back: 5x5.")]
Maker = Annotated[str | None, typer.Option("--maker", help="Who makes it.")]
Due = Annotated[str | None, typer.Option("--due", metavar="DATE", help="Due date, 2026-03-14.")]
Note = Annotated[str | None, typer.Option("--note", help="Anything for the bench.")]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Accept doubts: the lengths were checked.")]
Reference = Annotated[str, typer.Argument(metavar="ORDER", help="Order number (7, 0007) or alias.")]
PaperSize = Annotated[Paper, typer.Option("--paper", help="Paper of the PDF.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite the file if it is there already.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Orders: the client's tape, what follows from it, bench sheet and guidelines.", no_args_is_help=True
    )
    group.command("new")(new)
    group.command("change")(change)
    group.command("list")(list_orders)
    group.command("show")(show)
    group.command("sheet")(sheet)
    group.command("guidelines")(guidelines)
    app.add_typer(group, name="order")


def new(
    alias: Annotated[str, typer.Argument(help="An alias for the client; never needs a real name.")],
    circumference: Circumference = None,
    front_to_nape: FrontToNape = None,
    temple_to_temple: TempleToTemple = None,
    ear_to_ear: EarToEar = None,
    nape_width: NapeWidth = None,
    hairline_height: HairlineHeight = None,
    head_length: HeadLength = None,
    head_breadth: HeadBreadth = None,
    unit: BareUnit = None,
    block: BlockRound = None,
    block_over: BlockOver = None,
    block_across: BlockAcross = None,
    block_name: BlockName = None,
    cap: CapSize = None,
    cap_front_to_nape: CapLength = None,
    cap_name: CapName = None,
    closure: Closure = None,
    maker: Maker = None,
    due: Due = None,
    note: Note = None,
    yes: Yes = False,
) -> None:
    """Take a new order from the client's tape.

    Only the circumference must be given; inches with fractions (22 1/2) or any length with its unit.
    """
    given = dict(locals())
    from placecheck.errors import UsageProblem
    from placecheck.orders.files import order_store
    from placecheck.orders.order import Measurements, Order
    from placecheck.orders.typed import parse_alias

    name = parse_alias(alias)
    if circumference is None:
        if not _can_ask():
            raise UsageProblem("circumference-missing", "An order needs the client's --circumference, such as 22 1/2.")
        given["circumference"] = typer.prompt("Circumference (22 1/2, 57.2cm)", err=True)
    order = _with(Order(name, Measurements(0.0)), given)
    kept = order_store().add(_settled(order, yes))
    print(f"Order {kept.label} for {kept.alias} is kept.")
    _print_fitting(kept)


def change(
    reference: Reference,
    alias: Annotated[str | None, typer.Option("--alias", help="Another alias.")] = None,
    circumference: Circumference = None,
    front_to_nape: FrontToNape = None,
    temple_to_temple: TempleToTemple = None,
    ear_to_ear: EarToEar = None,
    nape_width: NapeWidth = None,
    hairline_height: HairlineHeight = None,
    head_length: HeadLength = None,
    head_breadth: HeadBreadth = None,
    unit: BareUnit = None,
    block: BlockRound = None,
    block_over: BlockOver = None,
    block_across: BlockAcross = None,
    block_name: BlockName = None,
    cap: CapSize = None,
    cap_front_to_nape: CapLength = None,
    cap_name: CapName = None,
    closure: Closure = None,
    maker: Maker = None,
    due: Due = None,
    note: Note = None,
    yes: Yes = False,
) -> None:
    """Change an order; what is not named stays, `none` empties.

    Earlier states are kept: `order show --history` prints them.
    """
    given = dict(locals())
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.orders.files import order_store
    from placecheck.orders.typed import parse_alias

    store = order_store()
    before = store.get(reference)
    after = _with(before, given)
    if alias is not None:
        after = replace(after, alias=parse_alias(alias))
    if after == before:
        raise UsageProblem("nothing-changed", f"Order {before.label} is already so: name what is to change.")
    kept = store.change(_settled(after, yes))
    print(f"Order {kept.label} for {kept.alias} is changed.")
    _print_fitting(kept)


def list_orders(
    maker: Annotated[str | None, typer.Option("--maker", help="Only this maker's.")] = None,
    due_by: Annotated[str | None, typer.Option("--due-by", metavar="DATE", help="Only those due by that day.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the orders, the nearest due date first."""
    from datetime import date

    from placecheck.orders.files import order_as_json, order_store
    from placecheck.orders.typed import parse_due

    until = parse_due(due_by) if due_by else None
    orders, problems = order_store().all()
    chosen = [
        o
        for o in orders
        if (maker is None or o.maker.casefold() == maker.casefold())
        and (until is None or (o.due is not None and o.due <= until))
    ]
    chosen.sort(key=lambda o: (o.due or date.max, o.number))
    if as_json:
        import json

        print(json.dumps([order_as_json(o) for o in chosen], ensure_ascii=False, indent=1))
    elif not chosen:
        print("No orders." if not orders else "No order fits.")
    else:
        from rich.console import Console
        from rich.table import Table

        table = Table(box=None, pad_edge=False)
        for head in ("order", "client", "due", "closure", "cap", "maker"):
            table.add_column(head)
        for o in chosen:
            row = (o.label, o.alias, o.due.isoformat() if o.due else "", o.closure.label if o.closure else "")
            table.add_row(*row, o.cap.size, o.maker)
        Console(highlight=False, markup=False).print(table)
    for problem in problems:
        print(f"placecheck: {problem.message}", file=sys.stderr)
    if problems:
        raise typer.Exit(4)


def show(
    reference: Reference,
    history: Annotated[bool, typer.Option("--history", help="All earlier states too, oldest first.")] = False,
    as_json: AsJson = False,
) -> None:
    """Show an order and all that follows from it: cap, block, marks, slack, the closure's place."""
    from placecheck.orders.doubts import doubts
    from placecheck.orders.files import order_as_json, order_store

    store = order_store()
    order = store.get(reference)
    states = store.history(order.number) if history else [order]
    if as_json:
        import json

        from placecheck.fitting.fitted import fit

        found: dict[str, Any] = {"order": order_as_json(order), "follows": _fitting_json(fit(order, _tolerances()))}
        found["doubts"] = list(doubts(order))
        if history:
            found["history"] = [order_as_json(state) for state in states]
        print(json.dumps(found, ensure_ascii=False, indent=1))
        return
    for state in states:
        _print_order(state)
    for doubt in doubts(order):
        print(f"{'checked' if doubt in order.accepted else 'doubt'}: {doubt}")
    _print_fitting(order)


def sheet(
    reference: Reference,
    file: Annotated[Path | None, typer.Argument(help="Name of the PDF; order-0007.pdf.")] = None,
    paper: PaperSize = "a4",
    force: Force = False,
) -> None:
    """Write the bench sheet, one page of PDF: marks, targets, tolerances, boxes to tick."""
    from placecheck.fitting.fitted import fit
    from placecheck.orders.files import order_store
    from placecheck.sheets.bench_sheet import bench_sheet
    from placecheck.sheets.pdf_page import write_pdf
    from placecheck.whole_files import free_path

    order = order_store().get(reference)
    path = free_path(file or Path(f"order-{order.label}.pdf"), force)
    tolerances = _tolerances()
    write_pdf(path, bench_sheet(order, fit(order, tolerances), paper, tolerances))
    print(path)
    print("Print at 100 % (not “fit to page”); the 100 mm bar on it must measure 100 mm.")


def guidelines(
    reference: Reference,
    file: Annotated[Path | None, typer.Argument(help="Name of the file; order-0007-guidelines.pdf.")] = None,
    spacing: Annotated[str, _length("--spacing", "Between rows, along the surface.")] = "1/2in",
    first: Annotated[str, _length("--first", "From the nape's edge to the first row.")] = "1/4in",
    gap: Annotated[str, _length("--gap", "From the last row to the closure's back edge, at least.")] = "5mm",
    layers: Annotated[int, typer.Option("--layers", help="Layers of weft in a row.")] = 1,
    reserve: Annotated[float, typer.Option("--reserve", metavar="PERCENT", help="For turning and trimming.")] = 10.0,
    even: Annotated[bool, typer.Option("--even", help="Space the rows so that the last one ends at the gap.")] = False,
    in_photo: Annotated[
        bool, typer.Option("--in-photo", help="Draw them into the photo in which the closure was last checked.")
    ] = False,
    paper: PaperSize = "a4",
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the rows as JSON and write no file.")] = False,
) -> None:
    """Plan the rows of weft from the nape to the closure and write them as one page of PDF, or into the photo."""
    from placecheck.fitting.block_marks import marks_for
    from placecheck.fitting.closure_place import closure_place
    from placecheck.guidelines import RowsWanted, plan_for
    from placecheck.orders.files import order_store
    from placecheck.orders.typed import with_unit
    from placecheck.sheets.guideline_sheet import guideline_sheet
    from placecheck.sheets.pdf_page import write_pdf
    from placecheck.units import mm_and_inches, parse_length_mm
    from placecheck.whole_files import free_path

    order = order_store().get(reference)
    spacing_mm = parse_length_mm(with_unit(spacing), "spacing")
    first_mm = parse_length_mm(with_unit(first), "first row")
    gap_mm = parse_length_mm(with_unit(gap), "gap")
    wanted = RowsWanted(spacing_mm, first_mm, gap_mm, layers, reserve / 100.0, even)
    path = None if as_json else free_path(file or _guidelines_file(order, in_photo), force)
    if in_photo:
        from placecheck.guidelines_photo import rows_shown
        from placecheck.overlay import save_picture

        shown = rows_shown(order, wanted=wanted)
        plan = shown.plan
        if path is not None:
            save_picture(shown.picture, path)
    else:
        placed = marks_for(order)
        plan = plan_for(placed, closure_place(order, placed, _tolerances()).back_edge_v_mm, wanted)
        if path is not None:
            write_pdf(path, guideline_sheet(order, plan, placed, paper))
    if path is None:
        import json

        rows = [
            {
                "row": row.number,
                "middle_mm": round(row.above_nape_mm, 2),
                "end_mm": round(row.end_mm, 2),
                "length_mm": round(row.length_mm, 2),
            }
            for row in plan.rows
        ]
        totals = {name: round(getattr(plan, name), 2) for name in ("rows_mm", "weft_mm", "reserve_mm", "to_buy_mm")}
        spaces = {name: round(getattr(plan, name), 3) for name in ("spacing_mm", "end_spacing_mm", "left_over_mm")}
        print(json.dumps({"order": order.label, "rows": rows, **totals, **spaces, "notes": plan.notes}, indent=1))
        return
    print(path)
    if in_photo:
        print(shown.sentence)
    print(
        f"{len(plan.rows)} rows, {mm_and_inches(plan.spacing_mm)} apart: {plan.weft_mm / 1000:.2f} m of weft and "
        f"{plan.reserve_mm / 1000:.2f} m in reserve."
    )
    for note in plan.notes:
        print(f"placecheck: {note}", file=sys.stderr)


def _guidelines_file(order: Order, in_photo: bool) -> Path:
    return Path(f"order-{order.label}-guidelines.{'jpg' if in_photo else 'pdf'}")


# ----------------------------------------------------------------------------- reading and asking


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _none(text: str) -> bool:
    return text.strip().lower() == "none"


def _with(order: Order, given: dict[str, Any]) -> Order:
    """The order with everything that was given on the command line. Raises UsageProblem."""
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.orders.tape import TAPE
    from placecheck.orders.typed import parse_cap_size, parse_due, parse_tape_mm
    from placecheck.units import parse_closure

    lengths: dict[str, float | None] = {}
    written = dict(order.written)
    for measure in TAPE:
        text = given[measure.name]
        if text is None:
            continue
        if _none(text) and measure.name != "circumference":
            lengths[f"{measure.name}_mm"] = None
            written.pop(measure.name, None)
            continue
        text, mm = _asked(text, lambda t, name=measure.name: parse_tape_mm(t, name, given["unit"]))
        lengths[f"{measure.name}_mm"] = mm
        written[measure.name] = text.strip() if given["unit"] is None else f"{text.strip()} ({given['unit']})"
    measured: Any = lengths
    order = replace(
        order, measurements=replace(order.measurements, **measured), written=written, block=_block(order, given)
    )
    cap = order.cap
    if given["cap"] is not None:
        cap = replace(cap, size="" if _none(given["cap"]) else parse_cap_size(given["cap"]))
    if given["cap_front_to_nape"] is not None:
        text = given["cap_front_to_nape"]
        own = None if _none(text) else _asked(text, lambda t: parse_tape_mm(t, "front_to_nape", given["unit"]))[1]
        cap = replace(cap, front_to_nape_mm=own)
    if given["cap_name"] is not None:
        cap = replace(cap, name="" if _none(given["cap_name"]) else " ".join(given["cap_name"].split()))
    order = replace(order, cap=cap)
    if given["closure"] is not None:
        order = replace(order, closure=None if _none(given["closure"]) else parse_closure(given["closure"]))
    if given["due"] is not None:
        order = replace(order, due=None if _none(given["due"]) else parse_due(given["due"]))
    for name in ("maker", "note"):
        if given[name] is not None:
            text = "" if _none(given[name]) else " ".join(given[name].split())
            if len(text) > 200:
                raise UsageProblem(f"{name}-long", f"The {name} has {len(text)} characters: 200 at most fit the sheet.")
            order = replace(order, maker=text) if name == "maker" else replace(order, note=text)
    return order


def _block(order: Order, given: dict[str, Any]) -> Block | None:
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.fitting.block_shape import block_dome
    from placecheck.orders.order import taped_again
    from placecheck.orders.typed import with_unit
    from placecheck.units import parse_circumference_mm, parse_length_mm

    if given["block"] is not None and _none(given["block"]):
        return None
    block = order.block
    if given["block"] is not None:
        block = taped_again(block, parse_circumference_mm(with_unit(given["block"], given["unit"])))
    rest = {name: given[f"block_{name}"] for name in ("over", "across", "name")}
    if block is None:
        if any(value is not None for value in rest.values()):
            raise UsageProblem("block-not-given", "Give the block's tape round its widest level too: --block 22.5in.")
        return None
    for name in ("over", "across"):
        text = rest[name]
        if text is not None:
            mm = (
                None
                if _none(text)
                else parse_length_mm(with_unit(text, given["unit"]), f"block's tape {name} the crown")
            )
            block = replace(block, over_mm=mm) if name == "over" else replace(block, across_mm=mm)
    if rest["name"] is not None:
        block = replace(block, name="" if _none(rest["name"]) else " ".join(rest["name"].split()))
    if block.over_mm is not None or block.across_mm is not None:
        block_dome(block)  # refuses tapes that make no head's shape
    return block


def _asked(text: str, parse: Any) -> tuple[str, float]:
    """The text and its length; on a terminal, a length that cannot be right is asked about."""
    from placecheck.orders.typed import UnitQuestion

    try:
        return text, parse(text)
    except UnitQuestion as question:
        if question.suggestion is None or not _can_ask():
            raise
        print(f"placecheck: {question.problem.message}", file=sys.stderr)
        if not typer.confirm(f"Take it as {question.suggestion}?", err=True):
            raise
        return question.suggestion, parse(question.suggestion)


def _settled(order: Order, yes: bool) -> Order:
    """The order with its doubts accepted, by --yes or by an answer. Raises UsageProblem."""
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.orders.doubts import doubts

    found = doubts(order)
    fresh = [doubt for doubt in found if doubt not in order.accepted]
    if fresh and not yes:
        if not _can_ask():
            raise UsageProblem(
                "order-doubtful", f"{' '.join(fresh)} The order is not kept: correct it, or add --yes if that is right."
            )
        for doubt in fresh:
            print(f"placecheck: {doubt}", file=sys.stderr)
        if not typer.confirm("Is that right?", err=True):
            raise UsageProblem("order-doubtful", "The order is not kept: measure again and repeat the command.")
    return replace(order, accepted=found)


def _tolerances() -> Any:
    from placecheck.settings import load_settings

    return load_settings().tolerances


# ----------------------------------------------------------------------------- printing


def _print_order(order: Order) -> None:
    from placecheck.orders.tape import TAPE
    from placecheck.units import mm_and_inches

    due = f", due {order.due.isoformat()}" if order.due else ""
    maker = f", maker {order.maker}" if order.maker else ""
    print(f"Order {order.label} for {order.alias}{maker}{due} (state {order.revision}, {order.saved})")
    for measure in TAPE:
        mm = order.measurements.get(measure.name)
        if mm is not None:
            print(f"  {measure.label:<17} {mm_and_inches(mm):<24} written {order.written.get(measure.name, '?')}")
    if order.block is not None:
        tapes = [
            f"{words} {mm_and_inches(mm)}"
            for words, mm in (
                ("round", order.block.circumference_mm),
                ("over the crown", order.block.over_mm),
                ("across", order.block.across_mm),
            )
            if mm is not None
        ]
        print(f"  {'block':<17} {', '.join(tapes)} {order.block.name}".rstrip())
    cap = [order.cap.size, order.cap.name]
    if order.cap.front_to_nape_mm is not None:
        cap.append(f"front to nape {mm_and_inches(order.cap.front_to_nape_mm)}")
    for label, text in (
        ("cap", ", ".join(part for part in cap if part)),
        ("closure", order.closure.label if order.closure else ""),
        ("note", order.note),
    ):
        if text:
            print(f"  {label:<17} {text}")


def _print_fitting(order: Order) -> None:
    from placecheck.fitting.fitted import fit
    from placecheck.fitting.sizes import COMMON
    from placecheck.printout import with_option

    found = fit(order, _tolerances())
    print(f"What follows (* {COMMON}):")
    for item in _advice(found):
        print(f"  {item.what}: {item.value}{' *' if item.common_practice else ''}\n      {item.reason}")
    if found.marks is not None:
        print("Marks, mm over the block's surface (U95 in brackets):")
        for mark in found.marks.marks.values():
            if mark.name == "crown":
                continue
            u = mark.u95_mm
            parts = [
                f"{abs(mark.along_crown_mm):.0f} {'forward' if mark.along_crown_mm > 0 else 'back'} from crown "
                f"({u['along_crown_mm']:.0f})"
                if abs(mark.along_crown_mm) > 0.5
                else "level with the crown",
            ]
            if mark.name != "front":
                way = "back" if mark.along_front_mm > 0 else "forward"
                parts.append(f"{abs(mark.along_front_mm):.0f} {way} from front ({u['along_front_mm']:.0f})")
            if mark.both_sides:
                parts.append(f"{mark.out_mm:.0f} out each side ({u['out_mm']:.0f})")
            if mark.straight_crown_mm is not None and mark.straight_front_mm is not None:
                parts.append(
                    f"straight: {mark.straight_crown_mm:.0f} from crown ({u['straight_crown_mm']:.0f}), "
                    f"{mark.straight_front_mm:.0f} from front ({u['straight_front_mm']:.0f})"
                )
            print(f"  {mark.label}: {'; '.join(parts)}")
    for note in found.notes:
        print(f"  ! {with_option(note)}")


def _advice(found: Fitting) -> list[Any]:
    items = [found.cap, found.block]
    if found.slack is not None:
        items.append(found.slack.advice)
    if found.closure is not None:
        items += found.closure.advice
    return items


def _fitting_json(found: Fitting) -> dict[str, Any]:
    from placecheck.fitting.sizes import COMMON

    out: dict[str, Any] = {
        "advice": [
            {
                "what": item.what,
                "value": item.value,
                "reason": item.reason,
                "source": COMMON if item.common_practice else "computed",
            }
            for item in _advice(found)
        ],
        "notes": [note.message for note in found.notes],
    }
    if found.slack is not None:
        out["slack_mm"], out["take_in_mm"] = round(found.slack.slack_mm, 1), round(found.slack.take_in_mm, 1)
    if found.marks is not None:
        keys = ("along_crown_mm", "along_front_mm", "out_mm", "straight_crown_mm", "straight_front_mm")
        out["marks"] = {
            name: {
                **{key: None if (mm := getattr(mark, key)) is None else round(mm, 2) + 0.0 for key in keys},
                "u95_mm": {key: round(u, 2) for key, u in mark.u95_mm.items()},
            }
            for name, mark in found.marks.marks.items()
        }
    if found.closure is not None:
        place = found.closure
        out["closure"] = {
            "hairline_from_crown_mm": round(place.hairline_v_mm, 2),
            "rim_from_crown_mm": round(place.rim_v_mm, 2),
            "back_edge_from_crown_mm": round(place.back_edge_v_mm, 2),
            "beyond_temples_mm": None if place.beyond_temples_mm is None else round(place.beyond_temples_mm, 2),
            "corners_block_mm": [[round(float(x), 2) for x in corner] for corner in place.corners],
        }
    return out
