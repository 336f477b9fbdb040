"""Verify: is everything that was kept still there, unchanged, and is nothing there that nobody asked for?

Four things are looked at. The database's own integrity check; every record's digest over
its texts, numbers and names, which tells a later change of a verdict or a value; every
file's SHA-256 against its name; and the photo folder against the records: files that are missing,
altered, or orphaned (left by a crash between photo and record, which costs nothing but
room). What may not be read is named as such: whether it is lost is not known then. Nothing is changed
here; orphans are removed only on request and only when an hour old, since a save that is under way
looks the same.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from placecheck.records import whole_tables
from placecheck.records.model import FileRef
from placecheck.records.photos import FILE_NAME, RecordsProblem, disk_problem, sha256_of
from placecheck.records.store import Store
from placecheck.whole_files import PASSING

SETTLED_S = 3600.0


@dataclass(frozen=True)
class Trouble:
    """One thing found: its kind, which thing it is, and the records it concerns.

    Kinds are "missing", "altered", "orphaned", "unreadable", "changed-record" and "database".
    """

    kind: str
    what: str
    records: tuple[int, ...] = ()


@dataclass(frozen=True)
class Verified:
    """What was looked at, and the troubles found."""

    records: int
    files: int
    troubles: tuple[Trouble, ...]
    orphans: tuple[Path, ...] = ()

    @property
    def lost(self) -> bool:
        """Something is missing, altered or changed, as far as it could be read."""
        return any(t.kind not in ("orphaned", "unreadable") for t in self.troubles)

    @property
    def sound(self) -> bool:
        """All could be read and nothing is lost or changed; orphans are no loss."""
        return all(t.kind == "orphaned" for t in self.troubles)


def verify(store: Store, progress: Callable[[int, int], None] | None = None) -> Verified:
    """Look at everything; `progress(done, of)` is called along the way.

    Raises RecordsProblem for a database that cannot be read any more.
    """
    troubles = [Trouble("database", said) for said in whole_tables.check_database(store.database)]
    count = 0
    for found in store.each():
        count += 1
        if not found.digest_holds:
            troubles.append(Trouble("changed-record", f"record {found.id}", (found.id,)))
    known, users = whole_tables.kept_files(store.database), whole_tables.file_users(store.database)
    present = list(store.photos.files())
    paths: dict[Path, FileRef] = {}
    for ref in known.values():
        try:
            paths[store.photos.path(ref.sha256, ref.ending)] = ref
        except RecordsProblem as error:
            troubles.append(Trouble("database", error.problem.message))
    seen, orphans = set(), []
    for i, path in enumerate(present):
        if progress is not None:
            progress(i, len(present))
        there = paths.get(path)
        if there is None:
            orphans.append(path)
            troubles.append(Trouble("orphaned", str(path.relative_to(store.photos.root))))
            continue
        seen.add(there.sha256)
        named = tuple(users.get(there.sha256, ()))
        troubles += _file_troubles(path, there.sha256, named)
    for path, ref in paths.items():
        if ref.sha256 not in seen and ref.sha256 in users:  # a name no record needs is a purge's, cut off: no loss
            troubles += _file_troubles(path, ref.sha256, tuple(users[ref.sha256]))
    return Verified(count, len(present), tuple(troubles), tuple(orphans))


def _file_troubles(path: Path, sha256: str, records: tuple[int, ...]) -> list[Trouble]:
    """What is wrong with a kept file, which may lie in a folder that cannot be listed."""
    try:
        return [] if sha256_of(path) == sha256 else [Trouble("altered", path.name, records)]
    except FileNotFoundError:
        return [Trouble("missing", path.name, records)]
    except OSError as error:
        return [Trouble("unreadable", f"{path} ({error.strerror})", records)]


def remove_orphans(found: Verified, settled_s: float = SETTLED_S) -> int:
    """Remove orphaned files that are older than `settled_s` seconds and bear the names of kept or passing files."""
    removed = 0
    for path in found.orphans:
        ours = FILE_NAME.fullmatch(path.name) or path.name.startswith(PASSING)
        try:
            if ours and time.time() - path.lstat().st_mtime >= settled_s:
                path.unlink()
                removed += 1
        except FileNotFoundError:
            continue
        except OSError as error:
            raise disk_problem(error, path) from None
    return removed
