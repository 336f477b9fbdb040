"""Backup and restore of everything in one file, from any database into any other.

A backup is a ZIP that any program opens: `manifest.json` (format, schema, counts and a SHA-256 of
every other member), each table as JSON Lines, the photos under their hashes, and the shop's
settings and profiles. Rows are read in one consistent transaction, so saving may go on meanwhile.
It is written under a passing name and takes its own only when whole. Restore first proves every
member against the manifest and looks which settings are there already: these are left as they are
and named; where one cannot be read, or an order of the same number is another, nothing is brought
back, since records would hang on it. Then it puts the photos, the settings, and last all rows in
one transaction into an empty store, which may be SQLite or PostgreSQL: stopped at any point, none
of the records is there, and the same restore goes through another time. A photo that was lost
before the backup is named in the manifest and does not stop either way.
"""

from __future__ import annotations

import errno
import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from placecheck.records import whole_tables
from placecheck.records.database import REVISION
from placecheck.records.model import now_text
from placecheck.records.photos import FILE_NAME, RecordsProblem, disk_problem, write_atomically
from placecheck.records.store import Store
from placecheck.whole_files import free_path, not_over, writing

FORMAT = 1
LARGEST_SETTING = 5_000_000
SETTING = re.compile(r"(?:[\w .-]+/){0,3}[\w .-]+\.(?:toml|json)")
NOT_SETTINGS = {"photos", "page"}


@dataclass(frozen=True)
class BackupReport:
    """How much a backup or a restore carried.

    `lost` are photos that were missing or altered already, `left` settings that were not brought back, since others of
    their name are there.
    """

    records: int
    files: int
    settings: int
    lost: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


def _settings(home: Path) -> Iterator[tuple[str, Path]]:
    """The shop's own small files: settings.toml, profiles and the like."""
    if not home.is_dir():
        return
    for path in sorted(home.rglob("*")):
        name = path.relative_to(home).as_posix()
        hidden = any(part.startswith(".") for part in PurePosixPath(name).parts)
        if hidden or PurePosixPath(name).parts[0] in NOT_SETTINGS or not SETTING.fullmatch(name):
            continue
        if path.is_file() and not path.is_symlink() and path.stat().st_size <= LARGEST_SETTING:
            yield name, path


def write_backup(store: Store, target: Path, replace: bool = False) -> BackupReport:
    """Write everything to `target`. Raises UsageProblem where it is there, RecordsProblem: disk-full, cannot-write."""
    target = free_path(Path(target), replace)
    if store.database.file is not None:
        not_over(target, [store.database.file])
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with writing(target) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
            report = _fill(store, archive)
    except OSError as error:
        raise disk_problem(error, target, named=True) from None
    return report


def _fill(store: Store, archive: zipfile.ZipFile) -> BackupReport:
    members: dict[str, str] = {}
    counts: dict[str, int] = {}
    files: list[tuple[str, str]] = []
    for table, rows in whole_tables.dump(store.database):
        digest, count = hashlib.sha256(), 0
        with archive.open(f"tables/{table}.jsonl", "w", force_zip64=True) as out:
            for row in rows:
                try:
                    line = (json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n").encode()
                except (TypeError, ValueError):  # bytes in a text's place, say
                    raise RecordsProblem(
                        "records-damaged",
                        f"The records are damaged: a row of their table {table} is no record's, and no backup was "
                        "written. Bring back the last one with `placecheck records restore`.",
                    ) from None
                out.write(line)
                digest.update(line)
                count += 1
                if table == "kept_file":
                    files.append((row["sha256"], row["ending"]))
        members[f"tables/{table}.jsonl"] = digest.hexdigest()
        counts[table] = count
    lost = []
    for sha256, ending in files:
        name = f"photos/{sha256}.{ending}"
        try:
            data = store.photos.read(sha256, ending)
        except RecordsProblem:
            lost.append(name)
            continue
        archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_STORED)
        members[name] = sha256
    settings = 0
    for name, path in _settings(store.home):
        data = path.read_bytes()
        archive.writestr(f"settings/{name}", data)
        members[f"settings/{name}"] = hashlib.sha256(data).hexdigest()
        settings += 1
    manifest = {
        "format": FORMAT,
        "schema": REVISION,
        "created_at": now_text(),
        "counts": counts,
        "lost": lost,
        "members": members,
    }
    archive.writestr("manifest.json", json.dumps(manifest, indent=1))
    return BackupReport(counts.get("record", 0), len(files) - len(lost), settings, tuple(lost))


def _damaged(path: Path, what: str) -> RecordsProblem:
    return RecordsProblem("backup-damaged", f"The backup {path} is damaged ({what}): use another copy of it.")


def restore_backup(store: Store, source: Path) -> BackupReport:
    """Bring everything in `source` into an empty store.

    Raises RecordsProblem: backup-..., not-empty, orders-differ, setting-unreadable, disk-full.
    """
    source = Path(source)
    try:
        if source.exists() and not source.is_file():  # a device has no end
            raise OSError(errno.EINVAL, "it is no file")
        archive = zipfile.ZipFile(source)
    except FileNotFoundError:
        raise RecordsProblem("backup-missing", f"There is no backup at {source}: check the name.") from None
    except OSError as error:
        raise RecordsProblem("backup-unreadable", f"{source} cannot be read: {error.strerror}.") from None
    except zipfile.BadZipFile:
        raise RecordsProblem(
            "backup-damaged", f"{source} is no backup of placecheck's, or is cut off: use another copy of it."
        ) from None
    with archive:
        try:
            manifest = _proven_manifest(archive, source)
            if store.count():
                raise RecordsProblem(
                    "not-empty",
                    f"{store.database.words} holds records already: restore into an empty place, such as another "
                    "PLACECHECK_HOME, or purge first.",
                )
            left = [path for name, path in _members_here(store, manifest) if _is_other(path, archive.read(name))]
            orders = [path.name for path in left if path.parent == store.home / "orders"]
            if orders:
                raise RecordsProblem(
                    "orders-differ",
                    f"{store.home / 'orders'} has other orders under the backup's numbers ({', '.join(orders)}), and "
                    "nothing was brought back: restore into an empty place, such as another PLACECHECK_HOME.",
                )
            return _bring_back(store, archive, manifest, source, left)
        except (zipfile.BadZipFile, zlib.error, EOFError, KeyError, json.JSONDecodeError, UnicodeDecodeError):
            raise _damaged(source, "it cannot be unpacked") from None
        except RuntimeError as error:  # a password, or another way of packing: another program packed it
            raise _damaged(source, f"it was packed anew by another program: {error}") from None


def _proven_manifest(archive: zipfile.ZipFile, source: Path) -> Mapping[str, Any]:
    """The manifest, after every member was found as it says."""
    if "manifest.json" not in archive.namelist():
        raise RecordsProblem("not-a-backup", f"{source} is no backup of placecheck's: name the file backup wrote.")
    manifest = json.loads(archive.read("manifest.json"))
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT or manifest.get("schema", "") > REVISION:
        raise RecordsProblem("newer-backup", f"{source} was written by a newer placecheck: update this program first.")
    for name, sha256 in manifest["members"].items():
        with archive.open(name) as member:
            if _digest(member) != sha256:
                raise _damaged(source, name)
    return manifest


def _members_here(store: Store, manifest: Mapping[str, Any]) -> Iterator[tuple[str, Path]]:
    """The settings in the archive that may be brought back: member and where it goes."""
    for name in manifest["members"]:
        inner = name.removeprefix("settings/")
        if name.startswith("settings/") and SETTING.fullmatch(inner) and ".." not in PurePosixPath(inner).parts:
            yield name, store.home / inner


def _is_other(path: Path, data: bytes) -> bool:
    """Whether there is something at `path` that is not `data`. Raises RecordsProblem where that cannot be told."""
    try:
        return path.read_bytes() != data
    except FileNotFoundError:
        return False
    except OSError as error:
        raise RecordsProblem(
            "setting-unreadable",
            f"{path} cannot be read ({error.strerror}), so nothing was brought back: move it away.",
        ) from None


def _digest(file: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while piece := file.read(1 << 20):
        digest.update(piece)
    return digest.hexdigest()


def _bring_back(
    store: Store, archive: zipfile.ZipFile, manifest: Mapping[str, Any], source: Path, left: Sequence[Path]
) -> BackupReport:
    files = settings = 0
    for name in manifest["members"]:
        match = FILE_NAME.fullmatch(name.removeprefix("photos/")) if name.startswith("photos/") else None
        if match is not None:
            if store.photos.put(archive.read(name), match[2]) != match[1]:
                raise _damaged(source, name)
            files += 1
    for name, path in _members_here(store, manifest):
        if path not in left and not path.exists():
            write_atomically(path, archive.read(name))
            settings += 1

    def rows(table: str) -> Iterator[Mapping[str, Any]]:
        with archive.open(f"tables/{table}.jsonl") as lines:
            for line in lines:
                yield json.loads(line)

    counts = whole_tables.load(store.database, {table: rows(table) for table in manifest["counts"]})
    if counts != {**dict.fromkeys(counts, 0), **manifest["counts"]}:
        raise _damaged(source, "rows are missing")
    names = tuple(path.relative_to(store.home).as_posix() for path in left)
    return BackupReport(counts.get("record", 0), files, settings, tuple(manifest.get("lost", ())), names)
