"""A circuit from surveyed points: read, put in order, fitted by a smooth line, written, shown."""
