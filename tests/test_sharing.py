"""Tests run several at a time (conftest.py): a file stays in one process, long files begin first, one thread each."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from conftest import LONGEST_FIRST, ONE_THREAD

HERE = Path(__file__).parent

SMALL = """
import os, time
from pathlib import Path

def told(name):
    log, me = Path({log!r}), Path(__file__).name
    with log.open("a") as file:
        file.write(" ".join([me, name, str(os.getpid()), *(os.environ.get(v, "") for v in {threads!r})]) + "\\n")
    until = time.monotonic() + 60
    while me in {meet!r} and time.monotonic() < until and not all(n in log.read_text() for n in {meet!r}):
        time.sleep(0.02)

def test_b():
    told("b")

def test_a():
    told("a")
"""


def run(folder: Path, *arguments: str, meet: tuple[str, ...] = ()) -> list[list[str]]:
    """What three small files with two tests each tell that run under conftest.py: file, test, process, threads.

    The files in `meet` wait for one another at their first test.
    """
    log = folder / "log"
    shutil.copy(HERE / "conftest.py", folder)
    for name in ("test_aa.py", *LONGEST_FIRST[:2]):
        (folder / name).write_text(SMALL.format(log=str(log), threads=ONE_THREAD, meet=meet))
    mine = {name: v for name, v in os.environ.items() if not name.startswith(("PYTEST_", *ONE_THREAD))}
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments, str(folder)]
    done = subprocess.run(command, cwd=folder, env=mine, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    lines = [line.split(" ") for line in log.read_text().splitlines()]
    assert len(lines) == 6
    return lines


def test_two_at_a_time(tmp_path):
    lines = run(tmp_path, "-n", "2", meet=LONGEST_FIRST[:2])
    files = [line[0] for line in lines]
    for name in files:
        own = [line for line in lines if line[0] == name]
        assert [line[1] for line in own] == ["b", "a"]
        assert len({line[2] for line in own}) == 1
    assert files.index("test_aa.py") > max(files.index(name) for name in LONGEST_FIRST[:2])
    assert len({line[2] for line in lines}) == 2
    assert all(line[3:] == ["1"] * len(ONE_THREAD) for line in lines)


def test_one_after_another_nothing_is_changed(tmp_path):
    lines = run(tmp_path)
    assert [line[0] for line in lines[::2]] == sorted(["test_aa.py", *LONGEST_FIRST[:2]])
    assert len({line[2] for line in lines}) == 1
    assert all(line[3:] == [""] * len(ONE_THREAD) for line in lines)


def test_the_files_that_begin_first_are_there():
    assert [name for name in LONGEST_FIRST if not (HERE / name).exists()] == []
