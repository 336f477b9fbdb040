"""How the terminal shows an order and what follows from it, as text and as JSON.

An order is printed with every length that was taken, in mm and inches, and how it was
written; block, cap, closure and note follow where they are there. What follows is printed as
an answer with its reason below, marked where it is common practice, then the marks with
their ways over the block and the U95 of each way in brackets, then what is missing and how to
mend it. As JSON the same is given by name, with rounded lengths and the closure's corners in
the block's frame; so are the rows of weft. What stands there is placecheck.fitting's and
placecheck.guidelines'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from placecheck.fitting.fitted import Fitting
    from placecheck.guidelines.plan import Plan
    from placecheck.orders.order import Order
    from placecheck.tolerances import Tolerances


def print_order(order: Order) -> None:
    """One state of the order, its lengths with how they were written."""
    from placecheck.orders.tape import TAPE
    from placecheck.units import mm_and_inches

    due = f", due {order.due.isoformat()}" if order.due else ""
    maker = f", maker {order.maker}" if order.maker else ""
    print(f"Order {order.label} for {order.alias}{maker}{due} (state {order.revision}, {_local(order.saved)})")
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


def _local(saved: str) -> str:
    """When a state was kept, on the clock of this computer; what is no time as it stands."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(saved).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return saved


def print_fitting(order: Order, tolerances: Tolerances) -> None:
    """All that follows from the order, and what is missing for the rest."""
    from placecheck.fitting.block_marks import whole_mm
    from placecheck.fitting.fitted import fit
    from placecheck.fitting.sizes import COMMON
    from placecheck.printout import with_option

    found = fit(order, tolerances)
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
                f"{whole_mm(mark.along_crown_mm)} {'forward' if mark.along_crown_mm > 0 else 'back'} from crown "
                f"({u['along_crown_mm']:.0f})"
                if abs(mark.along_crown_mm) > 0.5
                else "level with the crown",
            ]
            if mark.name != "front":
                way = "back" if mark.along_front_mm > 0 else "forward"
                parts.append(f"{whole_mm(mark.along_front_mm)} {way} from front ({u['along_front_mm']:.0f})")
            if mark.both_sides:
                parts.append(f"{whole_mm(mark.out_mm)} out each side ({u['out_mm']:.0f})")
            if mark.straight_crown_mm is not None and mark.straight_front_mm is not None:
                parts.append(
                    f"straight: {whole_mm(mark.straight_crown_mm)} from crown ({u['straight_crown_mm']:.0f}), "
                    f"{whole_mm(mark.straight_front_mm)} from front ({u['straight_front_mm']:.0f})"
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


def fitting_json(found: Fitting) -> dict[str, Any]:
    """All that follows as plain JSON values; lengths in mm, corners (4, 3) in the block's frame."""
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


def rows_json(plan: Plan) -> dict[str, Any]:
    """The rows of weft as plain JSON values, what weft they take, and how far apart they lie, mm."""
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
    return {"rows": rows, **totals, **spaces, "notes": plan.notes}
