"""Noise and timing of what the bike emulates. Pure."""
