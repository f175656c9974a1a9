"""Arrays of middling size are fastest with one thread of linear algebra and memory at hand."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

__all__ = ["keep_freed_memory", "single_threaded_linear_algebra"]

_KEPT_BYTES = 1 << 24  # half of the most that the allocator adapts to
_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1  # numbers of what mallopt sets, from glibc's malloc.h


@contextlib.contextmanager
def single_threaded_linear_algebra(*, of_scipy: bool = True) -> Iterator[None]:
    """Hold linear algebra to one thread: matrices are so small that more cost time.

    numpy and scipy each bring a library of their own.  A limit misses a library that is loaded
    later, so scipy's is loaded first.  Freed memory stays at hand as well (`keep_freed_memory`).

    Parameters
    ----------
    of_scipy : bool, optional
        Whether what follows solves equations by scipy; else its library, which takes a quarter
        of a second to load, is left where it is.

    Yields
    ------
    None
        The former numbers of threads return on leaving.
    """
    keep_freed_memory()
    with _libraries(of_scipy=of_scipy).limit(limits=1, user_api="blas"):
        yield


@cache
def _libraries(*, of_scipy: bool) -> ThreadpoolController:
    """Look the libraries up: in a process with hundreds loaded that takes milliseconds."""
    from threadpoolctl import ThreadpoolController

    if of_scipy:
        import scipy.linalg  # noqa: F401 - with it scipy's library
    return ThreadpoolController()


def keep_freed_memory() -> None:
    """Have the allocator of glibc keep freed memory for the next arrays of the process.

    Notes
    -----
    By itself it gives back every array above 128 KiB until a larger one has been freed: mallopt(3),
    ``M_MMAP_THRESHOLD``.  Where the environment sets one of its limits, as that of a worker of
    `dask.distributed` does, it gives them back for good.  Of what is given back each page is
    made anew, which took a third of the time of a block of builds and half of that of a shared
    pass.  Up to 32 MiB stay with the process.  Other allocators are left as they are.
    """
    import ctypes

    with contextlib.suppress(AttributeError, OSError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_MMAP_THRESHOLD, _KEPT_BYTES)
        mallopt(_TRIM_THRESHOLD, 2 * _KEPT_BYTES)
