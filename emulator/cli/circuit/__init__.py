"""``emulator circuit``: one file a command of it."""
