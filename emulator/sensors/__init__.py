"""The devices that the bench emulates, and when they sample. Pure."""
