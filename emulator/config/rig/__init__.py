"""The rig file: one bench as configured, and what it asks that its DBC, bus or vehicle can't give."""
