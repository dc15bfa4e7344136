"""A robot on the bench before its first ride: heard, asked, left without a sensor, and judged."""
