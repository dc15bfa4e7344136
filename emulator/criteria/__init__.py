"""Criteria: what a ride has to show. A class each: keys of the file, units, words and its judge."""
