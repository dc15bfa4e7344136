"""Configuration files: closed models on YAML, every mistake reported at its line and column."""
