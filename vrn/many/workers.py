"""Where tasks run: worker processes of this machine, or a Dask cluster; both as one kind of executor."""

import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from vrn.errors import InputFileError, MissingExtraError
from vrn.many.task import prepare_worker


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """
    An executor and how many fields it works on at once.

    Parameters
    ----------
    executor : Executor
    size : int
        Fields in work at once.
    waiting : int
        Fields handed out ahead, so that nobody waits for the next.
    """

    executor: Executor
    size: int
    waiting: int = 1


def usable_processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def local_crew(count: int) -> Iterator[Crew]:
    """
    Worker processes of this machine, started fresh.

    Parameters
    ----------
    count : int
    """
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=prepare_worker) as executor:
        yield Crew(executor=executor, size=count)


@contextmanager
def dask_crew(address: str) -> Iterator[Crew]:
    """
    Workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    MissingExtraError
        If ``dask.distributed`` is not installed.
    InputFileError
        If no scheduler answers, it has no worker, or a worker has another version of vrn.
    """
    try:
        from distributed import Client
    except ImportError:
        problem = "A Dask cluster was asked for, and dask.distributed is not installed."
        raise MissingExtraError(problem, 'Install it with: pip install "vrn[cluster]"') from None
    try:
        client: Any = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        problem = f"No Dask scheduler answers at {address}: {error}."
        raise InputFileError(problem, "Start one with: dask scheduler; its first lines tell the address.") from None
    with client:
        _same_version(client, address)
        threads = sum(client.nthreads().values())
        yield Crew(executor=client.get_executor(pure=False), size=threads, waiting=threads)


def version_here() -> str:
    """Version of vrn where this runs."""
    from vrn import __version__

    return __version__


def _same_version(client: Any, address: str) -> None:
    """Refuse workers that have no vrn, or another."""
    try:
        versions = client.run(version_here)
    except Exception as error:  # noqa: BLE001 - whatever the far side raises
        problem = f"The workers at {address} cannot run vrn: {type(error).__name__}: {error}."
        raise InputFileError(problem, "Install the same vrn on every worker.") from None
    if not versions:
        problem = f"The Dask scheduler at {address} has no worker."
        raise InputFileError(problem, f"Start some with: dask worker {address} --nthreads 1")
    others = sorted({version for version in versions.values() if version != version_here()})
    if others:
        problem = f"Workers at {address} have vrn {', '.join(others)}; here it is {version_here()}."
        raise InputFileError(problem, "Install the same vrn on every worker.")
