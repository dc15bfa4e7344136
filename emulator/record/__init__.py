"""Records of runs: written while riding, read afterwards."""
