"""Killed at any moment: a record is whole or absent, and what was kept before is untouched.

Two ways of killing with SIGKILL, which nothing can catch: at every line of the program's own
record code in turn (a trace function counts lines and kills at the n-th), and at random
moments from outside, which also hit the inside of the database and of the system.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from records_shop import REQUEST, answer, jpeg, tree

import placecheck.records
import placecheck.whole_files
from placecheck.records.backup import restore_backup, write_backup
from placecheck.records.database import FILE_NAME
from placecheck.records.model import Filter
from placecheck.records.saving import save_check
from placecheck.records.store import Store
from placecheck.records.verify import remove_orphans, verify

OURS = (str(Path(placecheck.records.__file__).parent), placecheck.whole_files.__file__)
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@contextlib.contextmanager
def killed_at_line(n: int) -> Iterator[None]:
    """Kills this process at the n-th line run in placecheck.records or whole_files."""
    count = 0

    def trace(frame, event, _arg):  # type: ignore[no-untyped-def]
        nonlocal count
        if not frame.f_code.co_filename.startswith(OURS):
            return None
        if event == "line":
            count += 1
            if count == n:
                os.kill(os.getpid(), signal.SIGKILL)
        return trace

    sys.settrace(trace)
    try:
        yield
    finally:
        sys.settrace(None)


def in_child(action: Callable[[Callable[[int], None]], None], after_s: float | None = None) -> tuple[bool, list[int]]:
    """Runs `action(tell)` in a forked child, killed from outside after a while; (finished, numbers it told)."""
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(readable)
            action(lambda number: os.write(writable, number.to_bytes(4, "big")) and None)
            os._exit(0)
        except BaseException as error:
            os.write(2, f"child: {error!r}\n".encode())
            os._exit(3)
    os.close(writable)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(readable, "rb") as pipe:
        told = pipe.read()
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return not os.WIFSIGNALED(status), [int.from_bytes(told[i : i + 4], "big") for i in range(0, len(told), 4)]


@pytest.fixture(autouse=True)
def copies_of_the_killed(tmp_path, monkeypatch):
    """What a killed child leaves in its temporary folder goes with the test's own."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))


PHOTOS = [jpeg(i, width=64, height=48) for i in range(40)]
OVERLAYS = [jpeg(i, exif=False) for i in range(40)]


def save(home: Path, i: int) -> int:
    return save_check(
        home,
        PHOTOS[i % 40] + bytes([i % 256]),
        answer(offset_mm=i / 1000),
        REQUEST,
        OVERLAYS[i % 40],
        order=f"O{i}",
    )


def snapshot(home: Path) -> dict[int, tuple[str, float]]:
    """Every record, proven whole: digest, photo and overlay."""
    with Store(home) as store:
        found = {}
        for r in store.each():
            assert r.digest_holds
            assert store.photo(r) is not None
            assert store.overlay(r) is not None
            assert set(r.readings) == {"offset_mm", "skew_deg", "width_front_mm"}
            found[r.id] = (r.uid, r.readings["offset_mm"].value)
        return found


def test_killed_at_line_after_line_of_a_save(tmp_path):
    """Every third line, over 200 kills (every single one was run too, 668 kills, when this was written)."""
    home = tmp_path / "home"
    save(home, 0)
    before = snapshot(home)
    kills, n = 0, 0
    while True:
        n += 3

        def once(tell, n=n):
            with killed_at_line(n):
                number = save(home, n)
            tell(number)

        finished, told = in_child(once)
        now = snapshot(home)
        assert {k: v for k, v in now.items() if k in before} == before
        new = set(now) - set(before)
        assert len(new) <= 1
        assert set(told) <= new
        before = now
        if finished:
            assert len(new) == 1
            break
        kills += 1
    assert kills >= 150, kills
    found = verify(Store(home))
    assert found.sound
    assert all(t.kind == "orphaned" for t in found.troubles)
    remove_orphans(found, settled_s=0)
    assert verify(Store(home)).troubles == ()
    assert snapshot(home) == before


def test_killed_while_the_database_is_made(tmp_path):
    save(tmp_path / "first", 0)  # alembic is imported here once, not by every child
    finished, n = False, 0
    while not finished:
        n += 11
        home = tmp_path / f"home{n}"

        def once(_tell, n=n, home=home):
            with killed_at_line(n):
                save(home, n)

        finished, _ = in_child(once)
        assert len(snapshot(home)) <= 1
        assert save(home, 1) >= 1  # the next save finds or makes what it needs
        assert verify(Store(home)).sound
    assert n > 100


def test_killed_at_random_moments(tmp_path):
    """300 kills from outside while a child saves one check after the other."""
    home = tmp_path / "home"
    save(home, 0)
    chance = random.Random(11)
    before = snapshot(home)
    kills = saved = 0

    def forever(tell):
        with Store(home) as store:
            i = chance.randrange(10**6)
            while True:
                i += 1
                tell(save_check(store, PHOTOS[i % 40] + i.to_bytes(4, "big"), answer(), REQUEST, PHOTOS[(i + 1) % 40]))

    for _ in range(300):
        _, told = in_child(forever, after_s=chance.uniform(0.001, 0.03))
        kills += 1
        with Store(home) as store:
            numbers = {line.id for line in store.find(limit=None, readings=False)}
            assert set(before) <= numbers
            new = numbers - set(before)
            assert set(told) <= new
            assert len(new) <= len(told) + 1  # at most the one that was under way
            for number in new:
                found = store.get(number)
                assert found.digest_holds
                assert len(found.readings) == 3
                assert store.photo(found) is not None
                assert store.overlay(found) is not None
                before[number] = (found.uid, found.readings["offset_mm"].value)
            saved += len(new)
        if saved > 400:  # keep the store small, so that the checks stay quick
            with Store(home) as store:
                store.purge(Filter(verdict="pass"))
            before, saved = snapshot(home), 0
    assert kills == 300
    assert snapshot(home) == before
    assert verify(Store(home)).sound


def test_killed_during_a_purge(tmp_path):
    """Records go all together or stay, and no record that stays loses its photo."""
    kills, n, finished = 0, 0, False
    home = tmp_path / "home"
    left: dict[int, tuple[str, float]] = {}
    while not finished:
        n += 2
        if not left:
            for i in range(3):
                save(home, i)

        def once(_tell, n=n):
            with Store(home) as store, killed_at_line(n):
                store.purge(Filter(verdict="pass"))

        finished, _ = in_child(once)
        kills += not finished
        left = snapshot(home)
        assert len(left) in (0, 3)
        assert verify(Store(home)).sound
    assert len(left) == 0
    assert kills > 20


def test_killed_during_backup_and_restore(tmp_path):
    """A backup is whole or absent, an older one untouched; a restore brings everything or nothing."""
    home, target = tmp_path / "home", tmp_path / "shop.zip"
    for i in range(2):
        save(home, i)
    finished, n = False, 0
    while not finished:
        n += 9

        def back_up(_tell, n=n):
            with Store(home) as store, killed_at_line(n):
                write_backup(store, target)

        finished, _ = in_child(back_up)
        assert target.exists() or not finished
        if target.exists() and not finished:  # killed after it had its name: then it is whole
            with Store(tmp_path / f"early{n}") as store:
                assert restore_backup(store, target).records == 2
            target.unlink()
    assert n > 60
    kept = target.read_bytes()
    in_child(lambda _tell: _overwrite(home, target))
    assert target.read_bytes() == kept
    wanted = snapshot(home)
    finished, n = False, 0
    while not finished:
        n += 9
        place = tmp_path / f"restored{n}"

        def bring_back(_tell, n=n, place=place):
            with Store(place) as store, killed_at_line(n):
                restore_backup(store, target)

        finished, _ = in_child(bring_back)
        assert snapshot(place) in ({}, wanted)
        if not finished and not snapshot(place):
            with Store(place) as store:
                restore_backup(store, target)  # and can be done again
        assert snapshot(place) == wanted
    assert n > 60
    assert tree(home)[FILE_NAME]


def _overwrite(home: Path, target: Path) -> None:
    with Store(home) as store, killed_at_line(60):
        write_backup(store, target, replace=True)
