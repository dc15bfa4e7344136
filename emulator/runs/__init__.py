"""One run from files to verdict and report."""
