"""Commands about a vehicle of one's own: one file a command."""
