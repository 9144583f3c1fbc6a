"""What a player takes on court, and the report behind it: pages from templates."""

from sidewall.report.initials import initials_of, with_initials
from sidewall.report.report import Report, WrittenReport, write_report

__all__ = ["Report", "WrittenReport", "initials_of", "with_initials", "write_report"]
