"""Tables of the settings file that many tests share: one loss sensor at each point, ground pulses, both levels."""

LOSS_CENTRE = """[[input]]
at = 0
reads = "loss"
point = "separator"
side = "centre"
[[input]]
at = 1
reads = "loss"
point = "cleaning"
side = "centre"
"""
GROUND = """[[input]]
at = 2
reads = "ground"
pulses_per_m = 10.0
"""
LEVELS = """[[level]]
bit = 0
means = "front down"
[[level]]
bit = 1
means = "threshing on"
"""
