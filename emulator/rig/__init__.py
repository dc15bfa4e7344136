"""Composition: configuration files become a wired bench, virtual or real."""
