"""Linear algebra on one thread: for matrices so small that threads cost more than they save."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

__all__ = ["single_threaded_linear_algebra"]


@contextlib.contextmanager
def single_threaded_linear_algebra(*, with_scipy: bool = False) -> Iterator[None]:
    """Hold linear algebra to one thread: matrices are so small that more cost time.

    Parameters
    ----------
    with_scipy : bool, optional
        Whether scipy's own library, which loads with `scipy.linalg`, will be used.  A limit set
        before that would miss it, so it is loaded first.

    Yields
    ------
    None
        The former numbers of threads return on leaving.
    """
    from threadpoolctl import threadpool_limits

    if with_scipy:
        import scipy.linalg  # noqa: F401
    with threadpool_limits(limits=1, user_api="blas"):
        yield
