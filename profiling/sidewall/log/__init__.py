"""The shot log: reading, checking, and its vocabulary."""

from sidewall.log.check import LogCheck, check_log
from sidewall.log.read import check_shots, read_shots
from sidewall.log.template import write_template

__all__ = ["LogCheck", "check_log", "check_shots", "read_shots", "write_template"]
