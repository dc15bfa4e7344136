"""Composition: configuration files become a session, a plant and a wired bench."""
