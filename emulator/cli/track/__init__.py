"""``emulator track``: one file a command of it."""
