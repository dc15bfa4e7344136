"""A robot's own software as its files tell it, before any of it runs."""
