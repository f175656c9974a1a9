"""Linear algebra on one thread: for matrices so small that threads cost more than they save."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

__all__ = ["single_threaded_linear_algebra"]


@contextlib.contextmanager
def single_threaded_linear_algebra() -> Iterator[None]:
    """Hold the linear algebra libraries of numpy and scipy to one thread.

    scipy brings a library of its own that loads with `scipy.linalg`.  A limit set before that
    would miss it, so it is loaded first.

    Yields
    ------
    None
        The former numbers of threads return on leaving.
    """
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield
