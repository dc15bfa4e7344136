"""Commands about many runs from one plan."""
