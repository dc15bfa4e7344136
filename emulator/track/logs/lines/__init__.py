"""Lines of bus logs that are text, read by compiled code where they are of the plainest form."""
