"""A whole federation's matches: logs in parts, read one after another or by many machines."""

from sidewall.scale.folder import ShotFolder, from_parquet
from sidewall.scale.write import write_partitions

__all__ = ["ShotFolder", "from_parquet", "write_partitions"]
