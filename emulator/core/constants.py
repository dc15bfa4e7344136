"""Constants of nature and of standards, each once, with its source."""

STANDARD_GRAVITY = 9.80665
"""[m/s^2] Source: 3rd General Conference on Weights and Measures (1901); exact by definition."""
