"""Logs under other headings: a map says which of their columns is which."""

from sidewall.log.mapping.column_map import ColumnMap as ColumnMap
