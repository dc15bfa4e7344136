"""The vehicle file, what no vehicle can be, and how the one that is ridden differs from it."""
