"""Linear algebra on one thread: for matrices so small that threads cost more than they save."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

__all__ = ["single_threaded_linear_algebra"]


@contextlib.contextmanager
def single_threaded_linear_algebra(*, of_scipy: bool = True) -> Iterator[None]:
    """Hold linear algebra to one thread: matrices are so small that more cost time.

    numpy and scipy each bring a library of their own.  A limit misses a library that is loaded
    later, so scipy's is loaded first.

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

    if of_scipy:
        import scipy.linalg  # noqa: F401 - with it scipy's library
    with threadpool_limits(limits=1, user_api="blas"):
        yield
