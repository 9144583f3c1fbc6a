"""The command line, ``sidewall``: its door. Its commands are in `sidewall.cli.app`."""

from __future__ import annotations

import errno
import io
import sys
from contextlib import suppress
from typing import Any

__all__ = ["main"]


def main() -> None:
    """Run the command line; the entry point of the installed program."""
    out, _ = guard("stdout"), guard("stderr")
    try:
        from sidewall.cli.app import app  # noqa: PLC0415 - typer is not needed by notebooks

        app(prog_name="sidewall")
    except KeyboardInterrupt:  # before any command has begun
        sys.stderr.write("sidewall: stopped by Ctrl-C. Nothing was written.\n")
        raise SystemExit(130) from None
    finally:
        sys.stdout.flush()
        if out is not None and out.failed:
            sys.stderr.write(
                f"sidewall: what the command says could not all be written ({out.trouble}).\n"
            )
            sys.stderr.flush()
            raise SystemExit(2)


class _Guard(io.RawIOBase):
    """Passes bytes on while they are taken, and keeps quiet from then on.

    Files are what a command is for; what it says is not worth breaking them off.
    """

    def __init__(self, stream: Any) -> None:
        self.stream = stream
        self.trouble: OSError | None = None

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return int(self.stream.fileno())

    def isatty(self) -> bool:
        return bool(self.stream.isatty())

    def write(self, data: Any) -> int:
        if self.trouble is None:
            try:
                return int(self.stream.write(data) or 0)
            except OSError as error:
                self.trouble = error
        return len(data)

    @property
    def failed(self) -> bool:
        """Whether something was lost, and not because the reader had read enough."""
        return self.trouble is not None and self.trouble.errno != errno.EPIPE


def guard(name: str) -> _Guard | None:
    """Put a guard before ``stdout`` or ``stderr``; None where there is no such file."""
    stream = getattr(sys, name)
    buffer = getattr(stream, "buffer", None)
    if buffer is None:
        return None
    with suppress(OSError):
        stream.flush()
    guarded = _Guard(getattr(buffer, "raw", buffer))  # python -u has no buffer
    # Letters that a stream cannot show are written as their numbers.
    text = io.TextIOWrapper(
        io.BufferedWriter(guarded),
        stream.encoding,
        "backslashreplace",
        line_buffering=stream.line_buffering,
    )
    setattr(sys, name, text)
    return guarded
