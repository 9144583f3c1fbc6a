"""What is known about each shot and rally beyond the row that was charted."""

from sidewall.features.rallies import rally_table as rally_table
from sidewall.features.rates import clustered_rate as clustered_rate
from sidewall.features.rates import wilson_interval as wilson_interval
from sidewall.features.shots import shot_features as shot_features
from sidewall.features.shots import with_features as with_features
from sidewall.features.zones import zone_features as zone_features
