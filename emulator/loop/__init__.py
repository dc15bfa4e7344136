"""The cyclic process: host, timing certificate, cycle."""
