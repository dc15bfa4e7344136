"""A record as files that other programs read."""
