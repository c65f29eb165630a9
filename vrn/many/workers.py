"""Where tasks run: worker processes of this machine, or a Dask cluster; both as one kind of executor."""

import logging
import multiprocessing
import os
import socket
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from vrn.errors import InputFileError, MissingExtraError
from vrn.many.task import prepare_worker

_LONGEST_GREETING = 1_000_000  # bytes


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
    knock(address)
    for name in ("distributed", "distributed.client", "distributed.core", "distributed.comm"):  # each has its own level
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what goes wrong with a field is told in its row
    try:
        client: Any = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise _nobody(address, error) from None
    with client:
        _same_version(client, address)
        threads = sum(client.nthreads().values())
        yield Crew(executor=client.get_executor(pure=False), size=threads, waiting=threads)


def knock(address: str) -> None:
    """
    Refuse an address where no Dask scheduler listens, before the cluster's own library waits for one.

    Parameters
    ----------
    address : str
        As ``tcp://10.0.0.5:8786``.

    Raises
    ------
    InputFileError
    """
    parts = urlsplit(address)
    try:
        if not parts.scheme or parts.hostname is None or parts.port is None:
            raise ValueError
    except ValueError:
        problem = f"{address} is not the address of a Dask scheduler."
        raise InputFileError(problem, "Give it as dask scheduler tells it, as tcp://10.0.0.5:8786.") from None
    if parts.scheme == "tcp":
        try:
            with socket.create_connection((parts.hostname, parts.port), timeout=10.0) as line:
                _greeted(line)
        except OSError as error:
            raise _nobody(address, error) from None


def _greeted(line: socket.socket) -> None:
    """A Dask scheduler speaks first, and begins with the length of what it says: eight bytes, little end first."""
    length = line.recv(8, socket.MSG_WAITALL)
    if len(length) < 8 or int.from_bytes(length, "little") > _LONGEST_GREETING:
        message = "something else listens there"
        raise ConnectionRefusedError(message)


def _nobody(address: str, error: Exception) -> InputFileError:
    problem = f"No Dask scheduler answers at {address}: {error}."
    return InputFileError(problem, "Start one with: dask scheduler; its first lines tell the address.")


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
