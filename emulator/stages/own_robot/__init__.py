"""A robot's own software in the virtual stage, in lockstep with the plant."""
