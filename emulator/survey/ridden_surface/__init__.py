"""What a log says of the road: the grip that was used by station, and bumps."""
