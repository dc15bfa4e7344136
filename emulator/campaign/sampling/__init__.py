"""Choosing what is ridden: covering arrays, their coverage, spread samples. Pure mathematics."""
