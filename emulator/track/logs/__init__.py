"""Logs of every kind that is read, as channels of numbers over time."""
