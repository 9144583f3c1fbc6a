"""Parts read by the workers of a dask cluster."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sidewall.errors import DataError

if TYPE_CHECKING:
    from distributed import Client


def on_cluster(
    scheduler: str | Client, task: Callable[[Path], Any], files: Sequence[Path]
) -> Iterator[Any]:
    """Apply a task to every file on a cluster, and give the results in order.

    A worker that is lost loses nothing: its files are read again by the others.

    Parameters
    ----------
    scheduler : str or distributed.Client
        Address of a scheduler, or a client of one.
    task : callable
    files : sequence of Path

    Raises
    ------
    DataError
        When dask.distributed is not installed, or a worker cannot load the task.
    """
    try:
        import cloudpickle  # type: ignore[import-untyped]  # noqa: PLC0415 - of the extra
        from distributed import Client  # noqa: PLC0415 - slow to load, of the extra
    except ImportError as error:
        raise DataError(
            "a scheduler needs dask.distributed; install it with pip install 'sidewall[scale]', "
            "or leave the scheduler out"
        ) from error
    own = Client(scheduler, set_as_default=False) if isinstance(scheduler, str) else None
    client: Any = own or scheduler
    try:
        paths = [path.resolve() for path in files]
        # packed here and unpacked in the task, since a worker that cannot unpack what it is
        # sent would not answer at all. It goes out once; as a result of its own it is made
        # again on another worker if the one that holds it is lost
        packed = client.submit(_same, cloudpickle.dumps(task), pure=False)
        futures = [client.submit(_apply, packed, path, pure=False) for path in paths]
        for k in range(len(futures)):
            yield futures[k].result()
            futures[k].release()
    finally:
        if own is not None:
            own.close()


def _same(packed: bytes) -> bytes:
    return packed


def _apply(packed: bytes, path: Path) -> Any:
    try:
        task = pickle.loads(packed)
    except (ImportError, AttributeError) as error:
        raise DataError(
            f"a worker cannot load what it is asked to do ({error}); install the same version of "
            "sidewall on every worker, and give state rules that the workers can import"
        ) from error
    return task(path)
