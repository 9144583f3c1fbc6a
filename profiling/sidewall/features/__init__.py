"""What is known about each shot and rally beyond the row that was charted."""

from sidewall.features.rallies import rally_table
from sidewall.features.rates import ClusteredRate, clustered_rate, clustered_share, wilson_interval
from sidewall.features.shots import shot_features, with_features
from sidewall.features.zones import zone_features

__all__ = [
    "ClusteredRate",
    "clustered_rate",
    "clustered_share",
    "rally_table",
    "shot_features",
    "wilson_interval",
    "with_features",
    "zone_features",
]
