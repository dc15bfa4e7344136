"""What a rig's sensors are configured to do, and whether they do it."""
