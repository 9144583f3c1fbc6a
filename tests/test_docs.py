"""What `help` says: every public name by task, with an example that runs and its parameters."""

from __future__ import annotations

import re

import sidewall as sw


def test_help_of_the_package_is_one_screen_that_names_everything_once():
    assert len(sw.__doc__.splitlines()) <= 45
    _, tasks = sw.__doc__.split("The names by task", 1)
    assert sorted(re.findall(r"`(\w+)`", tasks)) == sorted(sw.__all__)
