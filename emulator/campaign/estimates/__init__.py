"""Judging what was ridden: intervals, probabilities of rare events, edge curves. Pure mathematics."""
