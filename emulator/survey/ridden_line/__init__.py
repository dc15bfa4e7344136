"""A line from the places of a ride: laps laid beside a circuit, smoothed, with what is known of it."""
