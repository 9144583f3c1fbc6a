"""A whole federation's matches: logs in parts, read one after another or by many machines."""

from sidewall.scale.folder import ShotFolder as ShotFolder
from sidewall.scale.folder import from_parquet as from_parquet
from sidewall.scale.write import write_partitions as write_partitions
