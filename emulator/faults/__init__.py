"""What goes wrong, as pure functions on samples."""
