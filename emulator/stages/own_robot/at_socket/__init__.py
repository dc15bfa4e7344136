"""A robot at a socket: how it joins, and what it hears and says as text or as numbers in a row."""
