"""How fast a line can be ridden: target speed, ideal lap, lean envelope. Pure."""
