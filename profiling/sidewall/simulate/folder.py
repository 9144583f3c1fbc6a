"""Where the synthetic data lie: in the installed package, or beside it in a checkout."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

from sidewall.errors import DataError

_NAME: Final = "synthetic_data"
_KNOWN_BY: Final = "scenario.toml"


def synthetic_data_folder() -> Path:
    """Return the folder of the synthetic ladder that comes with the package.

    Raises
    ------
    DataError
        If it is not there.
    """
    package = Path(str(files("sidewall")))
    # Installed, the data lie within the package; in a checkout at the root of the repository.
    places = [package / _NAME, package.parents[1] / _NAME]
    for place in places:
        if (place / _KNOWN_BY).is_file():
            return place
    raise DataError(
        f"The synthetic data are missing: no {_KNOWN_BY} in {places[0]} or {places[1]}. Install "
        "sidewall again, or give the path of a scenario."
    )
