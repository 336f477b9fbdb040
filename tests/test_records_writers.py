"""Several writers at once, and PostgreSQL: a real server from the system's packages, private to the test.

The server is skipped, with its reason, where there are no PostgreSQL programs (Debian: apt-get install postgresql).
"""

from __future__ import annotations

import contextlib
import glob
import multiprocessing
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from records_shop import REQUEST, answer, jpeg, tree

from placecheck.records import tallies, whole_tables
from placecheck.records.backup import restore_backup, write_backup
from placecheck.records.database import REVISION
from placecheck.records.model import Filter
from placecheck.records.photos import PhotoFolder, RecordsProblem
from placecheck.records.saving import save_check
from placecheck.records.store import Store, open_store
from placecheck.records.verify import verify
from placecheck.whole_files import writing

WRITERS, EACH = 4, 25


def programs() -> Path | None:
    """The folder of initdb and pg_ctl: on the path, or where Debian puts them."""
    found = shutil.which("initdb")
    folders = [str(Path(found).resolve().parent)] if found else []
    folders += sorted(glob.glob("/usr/lib/postgresql/*/bin"), reverse=True)
    return next((Path(f) for f in folders if Path(f, "initdb").exists() and Path(f, "pg_ctl").exists()), None)


def unprivileged() -> int | None:
    """A user to run the server as where we are root, which it refuses; None where we are not."""
    if os.getuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name).pw_uid
    pytest.skip("PostgreSQL cannot be run as root, and there is no user postgres or nobody")


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """The address of a fresh PostgreSQL server that listens on a socket only."""
    pytest.importorskip("psycopg", reason="the driver psycopg is not installed (extra “postgres”)")
    bin_folder = programs()
    if bin_folder is None:
        pytest.skip("no PostgreSQL server programs (Debian: apt-get install postgresql)")
    user = unprivileged()
    folder = Path(tempfile.mkdtemp(prefix="pc-pg-", dir="/tmp"))

    def become() -> None:
        if user is not None:
            os.setgid(pwd.getpwuid(user).pw_gid)
            os.setuid(user)

    def run(*command: str) -> None:
        done = subprocess.run(
            command,
            preexec_fn=become,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C", "HOME": str(folder)},
        )
        assert done.returncode == 0, done.stderr

    if user is not None:
        os.chown(folder, user, pwd.getpwuid(user).pw_gid)
    data = folder / "data"
    try:
        run(str(bin_folder / "initdb"), "-D", str(data), "-U", "shop", "-A", "trust", "-E", "UTF8", "--no-sync")
        options = f"-k {folder} -c listen_addresses='' -c fsync=off"
        run(
            str(bin_folder / "pg_ctl"),
            "-D",
            str(data),
            "-w",
            "-t",
            "60",
            "-l",
            str(folder / "log"),
            "-o",
            options,
            "start",
        )
        yield f"postgresql://shop@/{{}}?host={folder}"
    finally:
        with contextlib.suppress(Exception):
            run(str(bin_folder / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def address(server, request) -> str:
    """The address of a database of its own for each test."""
    import psycopg

    name = "".join(c if c.isalnum() else "_" for c in request.node.name.lower())[:60]
    with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
        assert "PostgreSQL" in connection.execute("SELECT version()").fetchone()[0]
        connection.execute(f'CREATE DATABASE "{name}"')
    return server.format(name)


def write(home: Path, address: str | None, who: int, ready, done) -> None:  # type: ignore[no-untyped-def]
    ready.wait(60)
    numbers = []
    with Store(home, address) as store:
        for i in range(EACH):
            # all writers check the same orders, and share photos, at the same moment
            numbers.append(
                save_check(
                    store, jpeg(i % 5, width=64, height=48), answer(), REQUEST, order=f"O{i % 3}", maker=f"m{who}"
                )
            )
    done.put(numbers)


def write_together(home: Path, address: str | None) -> None:
    context = multiprocessing.get_context("fork")
    ready, done = context.Event(), context.Queue()
    workers = [context.Process(target=write, args=(home, address, w, ready, done)) for w in range(WRITERS)]
    for worker in workers:
        worker.start()
    ready.set()
    numbers = [n for _ in workers for n in done.get(timeout=120)]
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    with Store(home, address) as store:
        assert len(set(numbers)) == WRITERS * EACH == store.count()
        for order in ("O0", "O1", "O2"):
            attempts = sorted(line.attempt for line in store.find(Filter(order=order), limit=None) if line.attempt)
            assert attempts == [1, 2, 3, 4, 5]  # one for each photo, and no two counted as the same
        for w in range(WRITERS):
            assert store.count(Filter(maker=f"m{w}")) == EACH
        assert verify(store).troubles == ()
        assert len(whole_tables.kept_files(store.database)) == 5


def test_writers_at_once_into_sqlite(tmp_path):
    """From the very first record: all of them find no database and make one."""
    write_together(tmp_path / "home", None)


def test_writers_at_once_into_postgresql(tmp_path, address):
    write_together(tmp_path / "home", address)
    assert not list((tmp_path / "home").glob("*.sqlite3"))


def test_writer_and_purger_at_once(tmp_path):
    """A purge next door never takes a photo that a record under way needs."""
    home = tmp_path / "home"
    with Store(home) as store:
        save_check(store, jpeg(0), answer(), REQUEST, client="x")
    context = multiprocessing.get_context("fork")

    def purge() -> None:
        with Store(home) as store:
            for _ in range(60):
                store.purge(Filter(client="x"))

    def put(client: str) -> None:
        with Store(home) as store:
            for _ in range(60):
                try:
                    save_check(store, jpeg(0), answer(), REQUEST, client=client)
                except RecordsProblem as error:  # told to save again, and nothing was saved
                    assert error.problem.code == "photo-missing"  # noqa: PT017

    workers = [context.Process(target=purge), context.Process(target=put, args=("x",))]
    workers.append(context.Process(target=put, args=("y",)))
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
        assert worker.exitcode == 0
    with Store(home) as store:
        assert verify(store).sound
        assert all(store.photo(r) is not None for r in store.each())


def test_the_folder_of_a_removed_photo_stays_for_the_writer_next_door(tmp_path):
    """Who has seen that a folder is there may write into it, whatever is purged in between."""
    kept = PhotoFolder(tmp_path / "photos")
    sha256 = kept.put(b"a photo", "jpg")
    folder = kept.path(sha256, "jpg").parent
    kept.remove(sha256, "jpg")
    assert not kept.path(sha256, "jpg").exists()
    with writing(folder / "another.jpg") as file:
        file.write(b"another")
    assert (folder / "another.jpg").read_bytes() == b"another"


def test_postgresql_keeps_and_finds_as_sqlite_does(tmp_path, address):
    with Store(tmp_path / "lite") as lite, Store(tmp_path / "pg", address) as shared:
        for i in range(12):
            for store in (lite, shared):
                save_check(
                    store,
                    jpeg(i),
                    answer(("pass", "fix")[i % 2], offset_mm=1 / 3 + i),
                    REQUEST,
                    jpeg(i + 50, exif=False),
                    order=f"Ö{i % 4}",
                    maker=("Ada", "Noor")[i % 2],
                    created_at=f"2026-03-{i + 1:02d}T10:00:00.000000Z",
                )
        for wanted in (Filter(), Filter(order="Ö1"), Filter(maker="Ada", since="2026-03-05T00:00:00.000000Z")):
            assert lite.find(wanted, limit=None) == shared.find(wanted, limit=None)
        assert tallies.series(lite.database, "offset_mm") == tallies.series(shared.database, "offset_mm")
        assert tallies.first_checks(lite.database) == tallies.first_checks(shared.database)
        assert tallies.outside(lite.database) == tallies.outside(shared.database)
        assert tallies.groups(lite.database, "closure") == tallies.groups(shared.database, "closure")
        assert [r.answer for r in lite.each()] == [r.answer for r in shared.each()]
        assert shared.get(3).readings["offset_mm"].value == 1 / 3 + 2  # to the last bit
        assert lite.purge(Filter(order="Ö1")) == shared.purge(Filter(order="Ö1"))
        assert verify(shared).troubles == ()


def test_backup_from_sqlite_restored_into_postgresql_and_back(tmp_path, address):
    with Store(tmp_path / "lite") as lite:
        for i in range(8):
            save_check(lite, jpeg(i), answer(offset_mm=0.1 + i), REQUEST, jpeg(i + 9, exif=False), order=f"O{i % 3}")
        lite.purge(Filter(order="O2"))  # so that the numbers have gaps
        write_backup(lite, tmp_path / "one.zip")
        told = list(lite.each())
        photos = tree(lite.photos.root)
    with Store(tmp_path / "pg", address) as shared:
        assert restore_backup(shared, tmp_path / "one.zip").records == len(told)
        assert list(shared.each()) == told
        assert tree(shared.photos.root) == photos
        assert verify(shared).troubles == ()
        write_backup(shared, tmp_path / "two.zip")
        assert save_check(shared, jpeg(70), answer(), REQUEST) == max(r.id for r in told) + 1
        with pytest.raises(RecordsProblem, match="holds records already"):
            restore_backup(shared, tmp_path / "one.zip")
    with Store(tmp_path / "again") as back:
        restore_backup(back, tmp_path / "two.zip")
        assert list(back.each()) == told
        assert tree(back.photos.root) == photos


def test_schema_in_postgresql_is_the_expected_one(tmp_path, address):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from placecheck.records.schema import metadata

    with Store(tmp_path, address) as store, store.database.writing() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        assert store.database.revision(connection) == REVISION


def test_address_from_settings_and_environment(tmp_path, address, monkeypatch):
    photos = tmp_path / "share"
    (tmp_path / "settings.toml").write_text(f'[records]\naddress = "{address}"\nphotos = "{photos}"\n')
    with open_store(tmp_path) as store:
        save_check(store, jpeg(1), answer(), REQUEST)
        assert len(tree(photos)) == 1
    assert not (tmp_path / "records.sqlite3").exists()
    (tmp_path / "settings.toml").unlink()
    monkeypatch.setenv("PLACECHECK_RECORDS", address)
    with open_store(tmp_path) as store:
        assert store.count() == 1


def test_server_that_went_away_is_one_sentence(tmp_path, server):
    with pytest.raises(RecordsProblem, match="cannot be used") as caught:
        Store(tmp_path, server.format("no_such_database")).count()
    assert "\n" not in caught.value.problem.message
