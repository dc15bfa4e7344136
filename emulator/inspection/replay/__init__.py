"""A record's inputs through the plant again, compared bit for bit."""
