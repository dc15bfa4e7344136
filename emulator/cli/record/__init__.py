"""Commands that read what a run left behind."""
