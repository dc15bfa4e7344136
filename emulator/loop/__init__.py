"""The cyclic process: host, timing budget, cycle."""
