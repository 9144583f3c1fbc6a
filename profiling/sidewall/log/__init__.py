"""The shot log: reading, checking, and its vocabulary."""

from sidewall.log.check import LogCheck, check_log
from sidewall.log.map_log import map_log
from sidewall.log.mapping import ColumnMap
from sidewall.log.mapping.guess import guess_map
from sidewall.log.pseudonyms import pseudonymise, reidentify
from sidewall.log.read import check_shots, read_shots
from sidewall.log.template import write_template
from sidewall.log.writing import write_table

__all__ = [
    "ColumnMap",
    "LogCheck",
    "check_log",
    "check_shots",
    "guess_map",
    "map_log",
    "pseudonymise",
    "read_shots",
    "reidentify",
    "write_table",
    "write_template",
]
