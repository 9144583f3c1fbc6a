import pytest

from sidewall.court.units import GapWords
from sidewall.errors import UnitError


def test_boards_without_a_width_are_refused():
    with pytest.raises(UnitError):
        GapWords("boards").gap(0.5)
