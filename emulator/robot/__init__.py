"""The reference robot: sees only what a real robot sees, the buses and its mission."""
