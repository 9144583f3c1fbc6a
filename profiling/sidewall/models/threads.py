"""One thread for linear algebra and trees, since the tables here are small."""

from __future__ import annotations

from contextlib import AbstractContextManager


def one_thread() -> AbstractContextManager[object]:
    """Keep the libraries that are loaded to one thread.

    On matrices of this size several threads wait for each other longer than they work;
    blocks of groups and parts of a log are what the cores are shared by.
    """
    from threadpoolctl import (  # type: ignore[import-untyped]  # noqa: PLC0415 - slow to load
        threadpool_limits,
    )

    found: AbstractContextManager[object] = threadpool_limits(1)
    return found
