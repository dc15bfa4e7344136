"""Commands for those who write a robot of their own: one file a command."""
