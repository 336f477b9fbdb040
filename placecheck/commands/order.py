"""`placecheck order`: from the client's tape to the bench sheet and the guidelines.

`new` takes an alias and lengths, asks back where a length cannot be right (on a terminal by
a question, elsewhere by refusing with the question as its sentence), and keeps the order.
`change` keeps a further revision; what is not named stays, and `none` empties. `list` and
`show` print, `sheet` and `guidelines` write one page of PDF each; an existing file is not
overwritten unless --force says so. Doubts are accepted by --yes or by an answer, and the
sheet says that they were. Reading the options is order_given.py's, printing order_printing.py's.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from placecheck.commands.order_given import circumference_asked, settled, with_given
from placecheck.commands.order_printing import fitting_json, print_fitting, print_order, rows_json

if TYPE_CHECKING:
    from placecheck.orders.files import OrderStore
    from placecheck.orders.order import Order
    from placecheck.tolerances import Tolerances

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
    Unit | None,
    typer.Option(
        "--unit", case_sensitive=False, help="Unit of lengths written without one; a bare fraction is inches."
    ),
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
PaperSize = Annotated[Paper, typer.Option("--paper", case_sensitive=False, help="Paper of the PDF.")]
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
    from placecheck.orders.files import order_store
    from placecheck.orders.order import Measurements, Order
    from placecheck.orders.typed import parse_alias

    name, tolerances = parse_alias(alias), _tolerances()
    if circumference is None:
        given["circumference"] = circumference_asked()
    order = with_given(Order(name, Measurements(0.0)), given)
    store = order_store()
    kept = store.add(settled(order, yes))
    print(f"Order {kept.label} for {kept.alias} is kept.")
    _say_others(kept, store)
    print_fitting(kept, tolerances)


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

    store, tolerances = order_store(), _tolerances()
    before = store.get(reference)
    after = with_given(before, given)
    if alias is not None:
        after = replace(after, alias=parse_alias(alias))
    if after == before:
        raise UsageProblem("nothing-changed", f"Order {before.label} is already so: name what is to change.")
    kept = store.change(settled(after, yes))
    print(f"Order {kept.label} for {kept.alias} is changed.")
    if alias is not None:
        _say_others(kept, store)
    print_fitting(kept, tolerances)


def _say_others(kept: Order, store: OrderStore) -> None:
    """Which other orders have the alias: a client may order twice, or the first one was meant to be changed."""
    from placecheck.orders.files import others_of_client
    from placecheck.steps import enumerated

    others = others_of_client(kept, store.all()[0])
    if not others:
        return
    told = enumerated([f"{o.label} (due {o.due.isoformat()})" if o.due else o.label for o in others])
    are, one, which = (
        ("is an order", "a second one", f"change {others[0].label}")
        if len(others) == 1
        else ("are orders", "one more", "change NUMBER")
    )
    print(
        f"placecheck: There {are} for {kept.alias} already, {told}, and {kept.label} is {one}: name each by its "
        f"number, or if you meant to change the earlier, `placecheck order {which}` does.",
        file=sys.stderr,
    )


def list_orders(
    maker: Annotated[str | None, typer.Option("--maker", help="Only this maker's.")] = None,
    due_by: Annotated[str | None, typer.Option("--due-by", metavar="DATE", help="Only those due by that day.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the orders, the nearest due date first."""
    from datetime import date

    from placecheck.orders.files import order_as_json, order_store
    from placecheck.orders.typed import parse_due
    from placecheck.records.model import spelling

    until = parse_due(due_by) if due_by else None
    orders, problems = order_store().all()
    chosen = [
        o
        for o in orders
        if (maker is None or spelling(o.maker) == spelling(maker))
        and (until is None or (o.due is not None and o.due <= until))
    ]
    chosen.sort(key=lambda o: (o.due or date.max, o.number))
    if as_json:
        import json

        print(json.dumps([order_as_json(o) for o in chosen], ensure_ascii=False, indent=1))
    elif not chosen:
        print("No order fits." if orders else "No order is kept: take one with `placecheck order new ALIAS`.")
    else:
        from rich.table import Table

        from placecheck.terminal import console

        table = Table(box=None, pad_edge=False)
        for head in ("order", "client", "due", "closure", "cap", "maker"):
            table.add_column(head)
        for o in chosen:
            row = (o.label, o.alias, o.due.isoformat() if o.due else "", o.closure.label if o.closure else "")
            table.add_row(*row, o.cap.size, o.maker)
        console().print(table)
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

        found: dict[str, Any] = {"order": order_as_json(order), "follows": fitting_json(fit(order, _tolerances()))}
        found["doubts"] = list(doubts(order))
        if history:
            found["history"] = [order_as_json(state) for state in states]
        print(json.dumps(found, ensure_ascii=False, indent=1))
        return
    for state in states:
        print_order(state)
    for doubt in doubts(order):
        print(f"{'checked' if doubt in order.accepted else 'doubt'}: {doubt}")
    print_fitting(order, _tolerances())


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
    from placecheck.whole_files import ending_in, free_path

    order = order_store().get(reference)
    path = free_path(ending_in(file or Path(order.file_name()), ".pdf"), force)
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
    reserve: Annotated[str, typer.Option("--reserve", metavar="PERCENT", help="For turning and trimming.")] = "10",
    even: Annotated[bool, typer.Option("--even", help="Space the rows so that the last one ends at the gap.")] = False,
    in_photo: Annotated[
        bool, typer.Option("--in-photo", help="Draw them into the photo in which the closure was last checked.")
    ] = False,
    paper: PaperSize = "a4",
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the rows as JSON and write no file.")] = False,
) -> None:
    """Plan the rows of weft from the nape to the closure and write them as one page of PDF, or into the photo."""
    from placecheck.errors import UsageProblem
    from placecheck.fitting.block_marks import marks_for
    from placecheck.fitting.closure_place import closure_place
    from placecheck.guidelines.plan import RowsWanted, plan_for, refuse_lacking
    from placecheck.orders.files import order_store
    from placecheck.orders.typed import parse_share
    from placecheck.sheets.guideline_sheet import guideline_sheet
    from placecheck.sheets.pdf_page import write_pdf
    from placecheck.units import mm_and_inches, parse_length_mm
    from placecheck.whole_files import ending_in, free_path

    order = order_store().get(reference)
    spacing_mm = parse_length_mm(spacing, "spacing", 12.7)
    first_mm = parse_length_mm(first, "first row", 6.35)
    gap_mm = parse_length_mm(gap, "gap", 5.0)
    wanted = RowsWanted(spacing_mm, first_mm, gap_mm, layers, parse_share(reserve, "reserve"), even)
    if file is not None and not in_photo:  # a picture's name is looked at where it is saved
        if file.suffix.lower() in (".jpg", ".jpeg", ".png"):
            raise UsageProblem(
                "guidelines-picture",
                f"{file} is a picture's name: add --in-photo to draw the rows into the photo, or name a .pdf.",
            )
        ending_in(file, ".pdf")
    own = Path(order.file_name("guidelines", "jpg" if in_photo else "pdf"))
    path = None if as_json else free_path(file or own, force)
    if in_photo:
        from placecheck.drawing import save_picture
        from placecheck.guidelines.photo import rows_shown

        shown = rows_shown(order, wanted=wanted)
        plan = shown.plan
        if path is not None:
            save_picture(shown.picture, path)
    else:
        refuse_lacking(order)
        placed = marks_for(order)
        place = closure_place(order, placed, _tolerances())
        plan = plan_for(placed, place.back_edge_v_mm, wanted, place.edge_round, place.cut)
        if path is not None:
            write_pdf(path, guideline_sheet(order, plan, placed, paper))
    if path is None:
        import json

        print(json.dumps({"order": order.label, **rows_json(plan)}, indent=1))
        return
    print(path)
    if in_photo:
        print(shown.sentence)
    apart = f"{len(plan.rows)} rows, {mm_and_inches(plan.spacing_mm)} apart" if len(plan.rows) > 1 else "1 row"
    print(f"{apart}: {plan.weft_mm / 1000:.2f} m of weft and {plan.reserve_mm / 1000:.2f} m in reserve.")
    for note in plan.notes:
        print(f"placecheck: {note}", file=sys.stderr)


def _tolerances() -> Tolerances:
    from placecheck.settings import load_settings

    return load_settings().tolerances
