"""How the tests are shared out where several run at once (`python -m pytest -n 2`, by pytest-xdist).

The tests of a file stay together, in their order and in one process, since servers, scenes and stores are made once
for a file. The longest files come first, so that none of them is left to run alone at the end. Every process computes
with one thread: with a thread for every core each, they would only get in one another's way. Without `-n` nothing of
this counts. The last two fixtures are for tests that run the check as the command line does.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

ONE_THREAD = ("OPENCV_FOR_THREADS_NUM", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
LONGEST_FIRST = (
    "test_block_saved.py",
    "test_same_block.py",
    "test_stitches.py",
    "test_page_browser.py",
    "test_card.py",
    "test_page_server.py",
    "test_records_killed.py",
    "test_pathtraced.py",
    "test_stages.py",
    "test_calibrate.py",
    "test_scenes.py",
    "test_cap_before.py",
    "test_check.py",
)
"""Files that take more than half a minute; all others follow by name. A slow new file belongs here, at its place."""


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """In the process that shares the tests out, before it starts the others."""
    if not getattr(config.option, "numprocesses", None):
        return
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    if config.option.dist == "load":  # what `-n` alone means
        config.option.dist = "loadfile"
    config.option.loadscopereorder = False  # else files with many tests come first, however quick they are


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The longest files to the front, in the processes that tests are shared out to."""
    if hasattr(config, "workerinput"):
        place = {name: i for i, name in enumerate(LONGEST_FIRST)}
        items.sort(key=lambda item: place.get(item.path.name, len(place)))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's folder of its own, empty."""
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    return tmp_path / "home"


@pytest.fixture
def check(capfd: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, dict]]:
    """`placecheck check ARGUMENTS --json`: exit status and answer."""
    from placecheck import cli

    def go(*arguments: object) -> tuple[int, dict]:
        capfd.readouterr()
        status = cli.run(["check", *map(str, arguments), "--json"])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        return status, json.loads(out)

    return go
