"""Closed-loop bench for a motorcycle-riding robot."""
