"""The command line: the only prints and exit statuses."""
