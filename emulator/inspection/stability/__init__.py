"""Stability diagram and delay margins of a vehicle with the reference robot on it."""
