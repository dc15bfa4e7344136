"""Actuators identified by a log that has what was asked of them and what they did."""
