"""What comes from outside: how files are read, how their text may be shown, what the C library is asked."""
