"""Logs out and in: records as files other programs read, and logs of the track as records."""
