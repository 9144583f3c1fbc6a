"""The command line: ``sidewall demo``, ``check``, ``profile`` and ``template``."""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Run the command line; the entry point of the installed program."""
    from sidewall.cli.app import app  # noqa: PLC0415 - typer is not needed by notebooks

    app(prog_name="sidewall")
