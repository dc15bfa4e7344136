"""To whom a rig shows its rides beside the robot: a broker, a page in a browser."""
