"""Campaigns: many runs from one plan, the verdict on each, and its report."""
