"""The stuff bits of CAN frames: those of one content, and the most that any content makes."""
