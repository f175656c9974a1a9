"""Arrays of middling size are fastest with one thread of linear algebra and memory at hand."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import numpy as np

__all__ = ["keep_freed_memory", "single_threaded_linear_algebra"]

_KEPT_BYTES = 1 << 24  # half of the most that the allocator adapts to


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
    from threadpoolctl import threadpool_limits

    keep_freed_memory()

    if of_scipy:
        import scipy.linalg  # noqa: F401 - with it scipy's library
    with threadpool_limits(limits=1, user_api="blas"):
        yield


def keep_freed_memory() -> None:
    """Have the allocator of glibc keep freed memory for the next arrays of the process.

    Notes
    -----
    It gives back every array above 128 KiB until one larger has been freed, and from then on only
    what exceeds twice that size: mallopt(3), ``M_MMAP_THRESHOLD``.  Of what is given back each
    page is made anew, which took a third of the time of a block of builds.  Up to 32 MiB stay
    with the process.  Other allocators are left as they are.
    """
    np.empty(_KEPT_BYTES, dtype=np.uint8)  # freed at once, its pages never touched
