"""Records side by side."""
