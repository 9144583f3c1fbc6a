"""The command line, ``sidewall``: its commands are in `sidewall.cli.app`."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; the entry point of the installed program."""
    from sidewall.cli.streams import guard  # noqa: PLC0415

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
