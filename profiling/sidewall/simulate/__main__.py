"""Write the files of the synthetic ladder: ``python -m sidewall.simulate [FOLDER]``."""

from __future__ import annotations

import sys

import typer

from sidewall.simulate.scenario import write_demo


def main(arguments: list[str]) -> None:
    """Write into the folder named first, or where the package keeps its synthetic data."""
    folder = arguments[0] if arguments else None
    for path in write_demo(folder, overwrite=folder is None):
        typer.echo(path)


if __name__ == "__main__":
    main(sys.argv[1:])
