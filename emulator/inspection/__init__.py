"""What one thing is, looked at by itself: sensors, stability, a replayed run, the host."""
