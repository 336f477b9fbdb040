"""What a check's record is filed under: order, client and maker, as they were given with a command.

All three may be missing. An order is known by its number or by its client's alias; where one is
named, its record says how it is called and whose it is, so that photos of one order come together,
and are found again, whatever was typed. Who made it is said with the command, or once for all in
the settings. Names that no order knows are kept as they were typed (a number in four digits, as
orders have theirs), which is told where other orders are kept here; a client's alias must be one
that an order could have. An order that is there and cannot be read stops the command: what is filed
under a guess would lie apart from its order for good.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from placecheck.orders.order import Order


@dataclass(frozen=True)
class Names:
    """What a record is filed under."""

    order: str | None = None
    client: str | None = None
    maker: str | None = None


def names_given(order: str | None, client: str | None, maker: str | None) -> Names:
    """Order, client and maker for the records; an order that is kept here tells what was not given.

    Raises PlacecheckError where the order is there and cannot be read, or is named by an alias that several have.
    """
    from placecheck.orders.files import order_store
    from placecheck.orders.typed import parse_alias
    from placecheck.settings import load_settings

    client = None if client is None else parse_alias(client)
    kept = kept_order(order)
    if kept is not None:
        order, client, maker = kept.label, client or kept.alias, maker or kept.maker
    elif order is not None and order_store().all()[0]:  # a shop that keeps its orders here may have mistyped one
        told = f"No order “{order}” is kept here: the check is filed under that name (`placecheck order list`)."
        print(f"placecheck: {told}", file=sys.stderr)
    return Names(order, client, maker or load_settings().check.get("maker"))


def filed_order(order: str | None) -> str | None:
    """What the records call an order that is named here, so that it is looked for as it was filed."""
    from placecheck.records.model import order_name

    kept = kept_order(order)
    return kept.label if kept is not None else order_name(order) or order


def orders_of(client: str | None) -> tuple[str, ...]:
    """The orders kept here that have the client's alias now, as the records call them; none for no client."""
    from placecheck.orders.files import order_store
    from placecheck.records.model import spelling

    if client is None:
        return ()
    return tuple(order.label for order in order_store().all()[0] if spelling(order.alias) == spelling(client))


def client_of(order: str) -> str | None:
    """The alias that an order has now, where it is kept here."""
    kept = kept_order(order)
    return kept.alias if kept is not None else None


def kept_order(order: str | None) -> Order | None:
    """The order of that number or alias that is kept here; None for none, or one of the shop's own numbering.

    Raises PlacecheckError where it is there and cannot be read, or is named by an alias that several have.
    """
    from placecheck.errors import PlacecheckError
    from placecheck.orders.files import order_store

    try:
        return order_store().get(order) if order is not None else None
    except PlacecheckError as error:
        if error.problem.code != "order-unknown":
            raise
        return None
