"""Findings: events cut from a record, and the scenarios that make them happen again."""
