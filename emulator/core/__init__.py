"""What everything else uses: errors, compiler, signals, clock, axes, frame buffer, random streams."""
