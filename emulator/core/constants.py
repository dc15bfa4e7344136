"""Constants of nature, each once, with its source."""

GRAVITY = 9.81
"""[m/s^2] Rounded, as in the published benchmarks that the vehicle is checked against (Meijaard et al. 2007).

The 3rd General Conference on Weights and Measures (1901) has 9.80665, 0.034 % less.
"""
