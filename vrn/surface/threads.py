"""Threads: one for each processor over tiles of work, and only one inside the linear algebra of a tile."""

import functools
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

_P = ParamSpec("_P")
_T = TypeVar("_T")


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """Matrices of a field's size are worked out fastest by one thread, and always to the same bits."""
    controller = _controller()
    if controller is None:
        yield
        return
    with controller.limit(limits=1):
        yield


def one_blas_thread(work: Callable[_P, _T]) -> Callable[_P, _T]:
    """
    Run a function with the linear algebra libraries held to one thread.

    Returns
    -------
    held : callable
        With the same signature; the limit is lifted when it returns or raises.
    """

    @functools.wraps(work)
    def held(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        with _one_blas_thread():
            return work(*args, **kwargs)

    return held


def in_threads(work: Callable[[int], _T], items: Iterable[int]) -> list[_T]:
    """
    Results of work that lets go of the interpreter, in the order of the items.

    Parameters
    ----------
    work : callable
        Called with each item; the result must not depend on the other calls.
    items : iterable of int
    """
    jobs = list(items)
    workers = min(len(jobs), os.cpu_count() or 1)
    if workers < 2:
        return [work(job) for job in jobs]
    with ThreadPoolExecutor(max_workers=workers) as pool:
        return list(pool.map(work, jobs))


@functools.cache
def _controller() -> Any:
    """Switch of the linear algebra libraries' threads; None where threadpoolctl is not installed."""
    import scipy.linalg  # noqa: F401  # brings its own library, which has to be there to be found

    try:
        from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]
    except ImportError:
        return None
    return ThreadpoolController().select(user_api="blas")
