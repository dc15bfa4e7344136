"""What comes from outside: how files are read, and how their text may be shown."""
