"""Signals of a stepped ride in the form in which they take least time and room: written and read."""
