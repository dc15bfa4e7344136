"""What carries a ride: the stepped virtual stage, the bench in real time, the replay of a record."""
