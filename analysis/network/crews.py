"""Who does the tasks of a job: this process, others on this machine, or a cluster.

A crew takes tasks as it has hands free and gives their results in whatever order they come; never
more than a few are under way, so that the number of tasks costs no memory.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from importlib import import_module
from itertools import islice
from typing import Any

from analysis.common.errors import SettingsError
from analysis.network import ready
from analysis.network.tasks import Common, Failed, Result, Task, work, work_through

__all__ = ["Crew", "cluster_crew", "own_crew", "process_crew"]

Crew = Callable[[Common, Iterable[Task]], Iterator[tuple[Task, list[Result]]]]
"""Does tasks; results come with their task, in any order."""

_AHEAD = 2
"""So many tasks a worker are under way."""

_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
"""Lets a process compute with one thread: there are many."""


def own_crew(common: Common, tasks: Iterable[Task]) -> Iterator[tuple[Task, list[Result]]]:
    """Do the tasks here, one after another, with all cores."""
    return work_through(common, tasks)


def process_crew(workers: int) -> Crew:
    """So many processes of this machine, each of which computes with one thread.

    One that crashes, or is killed for want of memory, fails the road it was at and no other.
    """
    # what they need is loaded while the first process still reads what there is to do
    _start_loading()

    def do(common: Common, tasks: Iterable[Task]) -> Iterator[tuple[Task, list[Result]]]:
        waiting = iter(tasks)
        suspects: list[Task] = []
        with _told(_ONE_THREAD):
            while True:
                lost = yield from _with_pool(common, waiting, workers)
                if not lost:
                    break
                suspects += lost
            for task in suspects:
                yield from _alone(common, task)

    return do


def _with_pool(
    common: Common, waiting: Iterator[Task], workers: int
) -> Generator[tuple[Task, list[Result]], None, list[Task]]:
    """Do tasks until there are none, or a worker dies; return those that were under way then."""
    pool = _pool(common, workers)
    under_way: dict[Future[list[Result]], Task] = {}
    try:
        while True:
            for task in islice(waiting, _AHEAD * workers - len(under_way)):
                under_way[pool.submit(_work_here, task)] = task
            if not under_way:
                return []
            for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                result = future.result()
                yield under_way.pop(future), result
    except BrokenProcessPool:
        return list(under_way.values())
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _alone(common: Common, task: Task) -> Iterator[tuple[Task, list[Result]]]:
    """Do a task that was under way when a worker died, road by road, each with its own worker."""
    results: list[Result] = []
    for item, road in zip(task.items, task.roads, strict=True):
        pool = _pool(common, 1)
        try:
            results += pool.submit(_work_here, Task((item,), (road,))).result()
        except BrokenProcessPool:
            results.append(
                Failed(
                    f'The process that measured the road "{road.name}" was ended, as when memory '
                    "runs out; try it alone, with fewer workers."
                )
            )
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    yield task, results


def _pool(common: Common, workers: int) -> ProcessPoolExecutor:
    import multiprocessing

    method = "forkserver" if _FORKED else "spawn"
    return ProcessPoolExecutor(
        workers,
        mp_context=multiprocessing.get_context(method),
        initializer=_begin,
        initargs=(common, dict(os.environ)),
    )


_FORKED = sys.platform == "linux"
"""Whether workers are forked from a process that has everything loaded and no threads; elsewhere
system libraries don't stand that, and each worker loads all of it."""


def _start_loading() -> None:
    """Start the process that workers are forked from, unless it is there."""
    if _FORKED:
        from multiprocessing import forkserver

        forkserver.set_forkserver_preload([ready.__name__])
        with _told({**_ONE_THREAD, ready.ASKED: "1"}):
            forkserver.ensure_running()


_HELD: list[Common] = []


def _begin(common: Common, environment: Mapping[str, str]) -> None:
    """Prepare a worker: it holds what all tasks share, and ends with whoever started it."""
    import multiprocessing
    import signal

    # the process that this is forked from may have begun before the first one was told things
    for name in set(os.environ) - set(environment):
        del os.environ[name]
    os.environ.update(environment)
    # Ctrl-C reaches all processes of a terminal: the first one tells the others to stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _HELD[:] = [common]
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


def _work_here(task: Task) -> list[Result]:
    return work(_HELD[0], task)


@contextmanager
def _told(environment: Mapping[str, str]) -> Iterator[None]:
    """Tell each process that is started meanwhile something."""
    before = {name: os.environ.get(name) for name in environment}
    os.environ.update(environment)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def cluster_crew(address: str) -> Crew:
    """The workers of a Dask cluster, by the address of its scheduler.

    A task whose worker dies goes to another one. Workers need this program, and the grid under
    the same path.

    Raises
    ------
    SettingsError
        Dask isn't installed, nobody answers at the address, or other versions work there.
    """
    try:
        dask: Any = import_module("distributed")
    except ImportError:
        raise SettingsError(
            "A cluster needs Dask, which isn't installed: install vergeline[cluster]."
        ) from None

    def do(common: Common, tasks: Iterable[Task]) -> Iterator[tuple[Task, list[Result]]]:
        try:
            client = dask.Client(address, timeout=10)
        except (OSError, ValueError, TimeoutError) as error:
            raise SettingsError(
                f"No cluster answers at {address} ({type(error).__name__}): check the address of "
                "its scheduler, such as tcp://host:8786."
            ) from None
        with client:
            _check_versions(client)
            yield from _on_cluster(client, common, iter(tasks))

    return do


def _on_cluster(
    client: Any, common: Common, waiting: Iterator[Task]
) -> Iterator[tuple[Task, list[Result]]]:
    under_way: dict[str, Task] = {}

    def more() -> list[Any]:
        hands = max(1, sum(client.ncores().values()))
        new = []
        for task in islice(waiting, max(0, _AHEAD * hands - len(under_way))):
            future = client.submit(work, common, task, pure=False, retries=3)
            under_way[future.key] = task
            new.append(future)
        return new

    coming = import_module("distributed").as_completed(more())
    for future in coming:
        task = under_way.pop(future.key)
        if future.status == "finished":
            results = future.result()
        else:
            reason = type(future.exception()).__name__
            results = [
                Failed(
                    f'The road "{road.name}" couldn\'t be measured on the cluster ({reason}); try '
                    "it on one machine."
                )
                for road in task.roads
            ]
        for new in more():
            coming.add(new)
        yield task, results


def _check_versions(client: Any) -> None:
    """Refuse workers with another version of this program, which might find other numbers."""
    own = _own_version()
    others = {name: found for name, found in client.run(_own_version).items() if found != own}
    if others:
        name, found = next(iter(others.items()))
        raise SettingsError(
            f"The cluster's worker {name} has Vergeline {found}, but this is {own}: install the "
            "same version everywhere."
        )


def _own_version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("vergeline")
    except PackageNotFoundError:
        return "not installed"
