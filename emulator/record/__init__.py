"""Records of runs: written while riding, read and compared afterwards."""
