"""The commands of `placecheck records` that look after what was kept: recheck, verify, back up, purge.

`recheck` runs kept photos through this version and prints what it says differently; `verify`
finds what is missing, altered, orphaned or changed. Both end with status 1 where they found
something, so that a script can tell. `backup` and `restore` go to one file and back into an
empty place. `purge` removes for good what was named, with the photos of it that the bench page
still holds, after asking unless --yes says not to; it never removes everything because nothing
was named, and ends with status 4 where an order or a held photo may be meant and that cannot be
told. `demo` fills an empty store with an invented season, which `purge --demo` takes away.
The work is placecheck.records'; counts of what was done are said on standard error.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from placecheck.commands.asking import asking
from placecheck.commands.records_options import (
    Client,
    Force,
    Maker,
    Order,
    Since,
    Until,
    nothing_yet,
    numbered,
    opened,
    say,
)

if TYPE_CHECKING:
    from placecheck.orders.order import Order as KeptOrder
    from placecheck.page.inbox import Job
    from placecheck.records.backup import BackupReport
    from placecheck.records.model import Filter
    from placecheck.records.recheck import Recheck


def recheck(
    records: Annotated[list[int] | None, typer.Argument(metavar="[RECORD]...", help="Numbers; none: all.")] = None,
    order: Order = None,
    maker: Maker = None,
    since: Since = None,
    until: Until = None,
) -> None:
    """Check kept photos again and report what this version says differently."""
    from placecheck.errors import UsageProblem
    from placecheck.records.model import filter_from
    from placecheck.records.recheck import recheck as recheck_all
    from placecheck.records.recheck import recheck_record

    if records and (order, maker, since, until) != (None,) * 4:
        raise UsageProblem("recheck-what", "Name records by their numbers or by options such as --order, not by both.")
    with opened() as store:
        results: Iterable[Recheck]
        if records:
            results = (recheck_record(store, store.get(n)) for n in records)
        else:
            results = recheck_all(store, filter_from(order, None, maker, None, None, None, since, until))
        came = Counter(_rechecked(result) for result in results)
        any_there = bool(came) or store.count() > 0
    if not came:
        say("No records match." if any_there else nothing_yet())
        return
    say(f"{came['same']} reproduced to the digit, {came['different']} different, {came['skipped']} not rechecked.")
    if came["different"]:
        raise typer.Exit(1)


def _rechecked(result: Recheck) -> Literal["same", "different", "skipped"]:
    """What came of one record; printed, unless it is the same."""
    if result.not_done is not None:
        say(f"record {result.record}: not rechecked, {result.not_done}")
        return "skipped"
    if result.reproduced:
        return "same"
    print(f"record {result.record} (placecheck {result.kept_version}):")
    for d in result.differences:
        print(f"  {d.where}: {d.old!r} -> {d.new!r}")
    return "different"


def verify(
    remove_orphans: Annotated[bool, typer.Option("--remove-orphans", help="Remove files no record names.")] = False,
) -> None:
    """Find missing, altered and orphaned files and changed records."""
    from placecheck.records.verify import remove_orphans as remove
    from placecheck.records.verify import verify as look

    with opened() as store:
        found = look(store)
        for trouble in found.troubles:
            concerns = f" (record {', '.join(map(str, trouble.records))})" if trouble.records else ""
            print(f"{trouble.kind}: {trouble.what}{concerns}")
        if remove_orphans:
            left = "what is younger than an hour, or is no file of the records, is left"
            say(f"{numbered(remove(found), 'orphaned file')} removed ({left}).")
        elif found.orphans:
            say(
                "No record names what is orphaned, as a save that failed leaves it: "
                "`placecheck records verify --remove-orphans` removes it, once it is an hour old."
            )
    if found.sound:
        what = "all sound" if not found.troubles else "nothing lost"
    else:
        what = "something is lost or changed" if found.lost else "not all can be read: make it readable, verify again"
    say(f"{numbered(found.records, 'record')}, {numbered(found.files, 'file')}: {what}.")
    if not found.sound:
        raise typer.Exit(1)


def backup(
    file: Annotated[Path, typer.Argument(help="Name of the backup, one ZIP file.")],
    force: Force = False,
) -> None:
    """Write all records, photos and settings into one file."""
    from placecheck.records.backup import write_backup

    with opened() as store:
        done = write_backup(store, file, force)
    print(file)
    say(_in_backup(done))
    for name in done.lost:
        say(f"Lost already, not in the backup: {name}")


def restore(file: Annotated[Path, typer.Argument(help="A backup.")]) -> None:
    """Bring a backup back into an empty place, SQLite or PostgreSQL."""
    from placecheck.records.backup import restore_backup

    with opened() as store:
        done = restore_backup(store, file)
    say(_in_backup(done))
    for name in done.left:
        say(f"Left as it is here: {name}. The backup's is another: unpack settings/{name} from it if you want that.")
    for name in done.lost:
        say(f"Lost before the backup was made: {name}")


def _in_backup(done: BackupReport) -> str:
    """How much a backup holds."""
    others = f"{numbered(done.settings, 'file')} of orders, settings and profiles"
    return f"{numbered(done.records, 'record')}, {numbered(done.files, 'picture')}, {others}."


def purge(
    older_than: Annotated[str | None, typer.Option(metavar="AGE", help="Older than this: 90d, 18m, 2y.")] = None,
    client: Client = None,
    demo: Annotated[bool, typer.Option("--demo", help="The demo records.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Remove records for good, with their photos and those the bench page holds, by age, client alias, or the demo.

    By a client's alias alone, whatever its age, the client's orders go with them.
    """
    from placecheck.errors import UsageProblem
    from placecheck.orders.files import order_store
    from placecheck.page.inbox import inbox_folder, remove_files
    from placecheck.records.model import Filter, age_limit
    from placecheck.settings import home
    from placecheck.steps import enumerated

    if older_than is None and client is None and not demo:
        raise UsageProblem("purge-what", "Say what to remove: --older-than, --client or --demo.")
    known, unread = _orders_of(client)
    hers = [order for order in known if _alike(order.alias, client)]
    wanted = Filter(
        client=client,
        until=age_limit(older_than) if older_than else None,
        origin="demo" if demo else None,
        client_orders=tuple(order.label for order in hers),
    )
    folder = inbox_folder(home())
    held, doubtful = ([], {}) if demo else _held(folder, wanted)
    page = f"{numbered(len(held), 'photo')} of the bench page" if held else ""
    whole = client is not None and older_than is None and not demo
    orders = hers if whole else []
    labels = f"the order{'s' * (len(orders) > 1)} {', '.join(order.label for order in orders)}" if orders else ""
    with opened() as store:
        count = store.count(wanted)
        if not count and not held and not orders:
            say("No records match; nothing was removed.")
            _say_orders(known)
            _refuse_doubtful(doubtful, unread)
            return
        parts = [part for part in (numbered(count, "record") if count else "", page, labels) if part]
        what = enumerated(parts)
        with asking("Nothing was removed, since nobody answered: add --yes to remove without being asked."):
            wanted_gone = yes or typer.confirm(f"Remove {what} for good?", err=True)
        if not wanted_gone:
            say("Nothing was removed.")
            return
        records, files = store.purge(wanted)
    for job in held:
        remove_files(folder, job)
    for order in orders:
        order_store().remove(order.number)
    more = "".join(f", and {part}" for part in (page, labels) if part)
    say(f"{numbered(records, 'record')} and {numbered(files, 'file')} removed{more}.")
    _say_orders([order for order in known if order not in orders])
    _refuse_doubtful(doubtful, unread)


def _orders_of(client: str | None) -> tuple[list[KeptOrder], list[str]]:
    """The orders that have the client's alias in any of their states, each in its newest.

    And what is wrong with each that may have it and cannot be read.
    """
    from placecheck.errors import PlacecheckError
    from placecheck.orders.files import order_store

    found: list[KeptOrder] = []
    if client is None:
        return found, []
    store = order_store()
    readable, problems = store.all()
    for order in readable:
        states = [order]
        with contextlib.suppress(PlacecheckError):  # an earlier state that cannot be read is left out
            states += store.history(order.number)
        if any(_alike(state.alias, client) for state in states):
            found.append(order)
    return found, [problem.message for problem in problems]


def _alike(alias: str, client: str | None) -> bool:
    """Whether both are one alias."""
    from placecheck.records.model import spelling

    return client is not None and spelling(alias) == spelling(client)


def _say_orders(orders: Iterable[KeptOrder]) -> None:
    """Which `orders` keep the client's alias and tape, in any of their states, after a purge."""
    from placecheck.settings import home

    kept = [order.label for order in orders]
    if kept:
        files = ", ".join(f"{label}.*.json" for label in kept)
        say(
            f"The client's alias and tape are still in {'order' if len(kept) == 1 else 'orders'} {', '.join(kept)}: if "
            f"they are to go too, remove {files} in {home() / 'orders'} by hand."
        )


def _held(folder: Path, wanted: Filter) -> tuple[list[Job], dict[Path, str]]:
    """The photos on the bench page that are wanted, and what is wrong with each that may be and cannot be told."""
    from placecheck.errors import PlacecheckError
    from placecheck.page.inbox import jobs_in, photo_in, unreadable_in

    held = []
    doubtful = {path.with_suffix(".photo"): f"{path} cannot be read." for path in unreadable_in(folder)}
    for job in jobs_in(folder):
        try:
            if _matches(job, wanted):
                held.append(job)
        except PlacecheckError as error:
            doubtful[photo_in(folder, job)] = error.problem.message
    return held, doubtful


def _refuse_doubtful(photos: dict[Path, str], orders: list[str]) -> None:
    """Raises UnusableFile where photos or orders stayed that may be wanted, so that they never stay unsaid.

    Of each there is what is wrong with it.
    """
    from placecheck.errors import UnusableFile

    if photos or orders:
        wrong, left = " ".join(dict.fromkeys([*orders, *photos.values()])), []
        if orders:
            left.append("the order" if len(orders) == 1 else "the orders")
        if photos:
            left.append(f"the bench page's {'photo' if len(photos) == 1 else 'photos'} {', '.join(map(str, photos))}")
        one = len(photos) + len(orders) == 1
        raise UnusableFile(
            "purge-doubtful",
            f"{wrong} So {' and '.join(left)} may be among those to remove, and {'was' if one else 'were'} left: mend "
            f"that and purge again, or remove {'it' if one else 'them'} by hand.",
        )


def _matches(job: Job, wanted: Filter) -> bool:
    """Whether a photo that the bench page holds came in before the wanted time, for an order of the wanted client.

    Raises PlacecheckError where its order is there and cannot be read: whose the photo is cannot be told then.
    """
    from placecheck.errors import PlacecheckError
    from placecheck.orders.files import order_store
    from placecheck.records.model import utc_text

    if wanted.until is not None and utc_text(datetime.fromtimestamp(job.created, UTC)) >= wanted.until:
        return False
    if wanted.client is None:
        return True
    try:
        if not job.spec["order"]:
            return False
        return _alike(order_store().get(job.spec["order"]).alias, wanted.client)
    except PlacecheckError as error:
        if error.problem.code == "order-unknown":
            return False
        raise


def demo() -> None:
    """Fill an empty store with an invented shop's season."""
    from placecheck.records.demo import fill_with_demo

    with opened() as store:
        count = fill_with_demo(store)
    say(
        f"{numbered(count, 'demo record')} of an invented season written: see `placecheck records list` and "
        "`placecheck records quality --html charts.html`; `placecheck records purge --demo` takes them away."
    )
