"""Threads: many small models are fitted faster on one thread than on several that wait for one another."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache
from typing import Any

__all__ = ["one_thread"]


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra and trees run on one thread.

    Shared between threads, each small model waits for the others, and on two busy cores the whole takes twenty times
    as long.

    Examples
    --------
    >>> import numpy as np
    >>> with one_thread():
    ...     round(float(np.linalg.det(np.eye(2))))
    1
    """
    limits: AbstractContextManager[object] = _controller().limit(limits=1)
    return limits


@cache
def _controller() -> Any:
    """Return what knows the libraries with threads; to look for them takes longer than a small model."""
    import sklearn.ensemble  # noqa: F401  # loaded first, so that theirs are among them
    from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

    return ThreadpoolController()
