"""The shot log: reading, checking, and its vocabulary."""

from sidewall.log.check import LogCheck as LogCheck
from sidewall.log.check import check_log as check_log
from sidewall.log.map_log import map_log as map_log
from sidewall.log.mapping import ColumnMap as ColumnMap
from sidewall.log.mapping.guess import guess_map as guess_map
from sidewall.log.pseudonyms import pseudonymise as pseudonymise
from sidewall.log.pseudonyms import reidentify as reidentify
from sidewall.log.read import check_shots as check_shots
from sidewall.log.read import read_shots as read_shots
from sidewall.log.template import write_template as write_template
from sidewall.log.writing import write_table as write_table
