"""What a night of runs shows: one page, the same as text, JUnit, JSON and one MQTT message; evidence."""
