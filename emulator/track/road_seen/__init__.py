"""The road under the front wheel, as a record of riding shows it: its profile, and bumps in it."""
