"""Photos checked one after another, or several at a time in worker processes.

`check_all` yields what came of each photo in the order the photos were named, with a bar of progress on
standard error where that is a terminal. Workers share the cores among them, leave Ctrl-C to the command,
and end when the command that started them is gone. A worker that is killed costs its photo
an answer that says so, and never another photo's.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from placecheck.one_photo import Checked
    from placecheck.request import CheckRequest

Task = tuple[Path, "CheckRequest", Path | None, Path | None]
"""A photo, what is asked of it, and where its overlay and the pictures of its stages go: check_file's arguments."""


def check_all(tasks: list[Task], jobs: int) -> Iterator[Checked]:
    """What came of every task, in their order, `jobs` at a time; several show progress on standard error."""
    if len(tasks) == 1:
        yield _one(tasks[0])
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from placecheck.terminal import console

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    drawn = console(error=True)
    with Progress(*columns, console=drawn, transient=True, disable=not drawn.is_interactive) as progress:
        bar = progress.add_task("checking", total=len(tasks))
        for checked in _in_processes(tasks, min(jobs, len(tasks))) if jobs > 1 else map(_one, tasks):
            progress.advance(bar)
            progress.stop()  # while the answer is printed: it goes where standard output goes, and not into the bar
            yield checked
            progress.start()


def _in_processes(tasks: list[Task], jobs: int) -> Iterator[Checked]:
    """What came of every task; where a worker was killed, the photo whose turn it is alone, then the rest anew."""
    while tasks:
        done = 0
        for checked in _until_one_is_killed(tasks, jobs):
            done += 1
            yield checked
        if done < len(tasks):
            yield from list(_until_one_is_killed(tasks[done : done + 1], 1)) or [_lost(tasks[done])]
        tasks = tasks[done + 1 :]


def _until_one_is_killed(tasks: list[Task], jobs: int) -> Iterator[Checked]:
    """What came of the tasks, in their order, as far as no worker was killed, which ends all of them."""
    import os
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import active_children, get_context

    threads = max(1, (os.cpu_count() or 1) // jobs)
    pool = ProcessPoolExecutor(jobs, get_context("spawn"), _start_worker, (threads,))
    try:
        futures = [pool.submit(_one, task) for task in tasks]
        for future in futures:
            yield future.result()
    except BrokenProcessPool:
        return
    except BaseException:  # stopped: nobody waits for the photos that are being checked
        for worker in active_children():
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _one(task: Task) -> Checked:
    from placecheck.one_photo import check_file

    return check_file(*task)


def _start_worker(threads: int) -> None:
    """Share the cores among the workers; what is missing here is reported with the photo itself."""
    import contextlib
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with contextlib.suppress(ImportError):
        from placecheck import vision

        vision.use_threads(threads)


def _end_with_parent() -> None:
    """A worker whose command was killed has nobody to work for."""
    import os
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _lost(task: Task) -> Checked:
    """The answer for a photo whose worker process was killed."""
    from placecheck.errors import UnusableFile
    from placecheck.judge import failed_answer
    from placecheck.one_photo import Checked

    message = (
        "The process that checked this photo was stopped from outside, perhaps for want of memory: check it alone."
    )
    return Checked(task[0], failed_answer(UnusableFile("worker-lost", message), task[1].stage), is_photo=False)
