"""Work that another process does meanwhile, where a second core has nothing else to do."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from os import cpu_count
from pickle import PicklingError
from threading import RLock
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, TypeVar

from sidewall.errors import SidewallError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

T = TypeVar("T")

#: Two cores are what most machines have to spare.
_MOST_JOBS: Final = 2


def spare_jobs() -> int:
    """How many processes are worth having on this machine."""
    return min(cpu_count() or 1, _MOST_JOBS)


def beside(make: Callable[..., T], *given: Any) -> Callable[[], T]:
    """Begin to make something in a process of its own.

    The process ends with this one, whatever becomes of it. If it breaks, for want of memory or
    by the system's hand, the work is done here.

    Parameters
    ----------
    make : callable
        A function of a module, or a method of what can be sent to another process.
    *given
        What it takes.

    Returns
    -------
    callable
        Waits for the result and gives it; raises what `make` raised of the package's own
        errors. To be called once.
    """
    context = get_context("spawn")  # the libraries below hold threads, which no fork survives
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(there, make, given), daemon=True)
    try:
        with starting():
            process.start()
    except (AttributeError, PicklingError):  # of the caller's script, which it does not know
        here.close()
        return lambda: make(*given)
    finally:
        there.close()

    def result() -> T:
        try:
            found = here.recv()
        except (EOFError, OSError):
            return make(*given)
        finally:
            here.close()
            process.join()
        if isinstance(found, SidewallError):
            raise found
        made: T = found
        return made

    return result


def _send(there: Connection, make: Callable[..., Any], given: tuple[Any, ...]) -> None:
    """Make it, and send it; Ctrl-C is left to the process that waits."""
    from tqdm import tqdm  # noqa: PLC0415 - slow to load

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    release_interrupts()
    tqdm.set_lock(RLock())  # the usual one is between processes, and outlives one that is stopped
    try:
        found = make(*given)
    except SidewallError as error:
        found = error
    with suppress(OSError):  # nobody waits any more
        there.send(found)


@contextmanager
def starting() -> Iterator[None]:
    """Start processes that do not run the caller's script again, and let Ctrl-C wait for that.

    They need nothing of the script; one without ``if __name__ == "__main__":`` would break them
    while this process waits to hand them their work. And a process that is still starting knows
    no better on Ctrl-C than to die.
    """
    main, known = sys.modules["__main__"], hasattr(signal, "pthread_sigmask")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT]) if known else set()
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main
        if known:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def release_interrupts() -> None:
    """Let Ctrl-C through again in a process that was started within `starting`."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])
