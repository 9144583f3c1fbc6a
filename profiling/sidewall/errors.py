"""The exceptions and warnings that the package raises.

Every message says what was found, where, and how to mend it.
"""

from __future__ import annotations


class SidewallError(Exception):
    """Base class of every error raised on purpose by this package."""


class LogError(SidewallError):
    """A shot log cannot be read at all: no file, no rows, no such column."""


class WriteError(SidewallError):
    """A file or folder cannot be written; what was there before is as it was."""


class UnitError(SidewallError):
    """A length cannot be converted, such as boards of unknown width."""


class DataError(SidewallError):
    """A checked table does not carry what the analysis asked for needs."""


class SeparationError(DataError):
    """A column tells wins from losses perfectly, so its effect has no finite estimate."""


class NotFittedError(SidewallError):
    """A result was asked for before ``fit`` was called."""


class DoubtfulRowsWarning(UserWarning):
    """Rows of a log are used, but say something doubtful; the message says how many."""


class RefusedRowsWarning(UserWarning):
    """Rows of a log were refused; the message says how many and where to see them."""
