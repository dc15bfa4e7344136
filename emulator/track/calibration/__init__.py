"""Calibration: a vehicle file corrected by logs of the track, with what is uncertain about it."""
