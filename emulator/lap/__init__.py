"""How fast a line can be ridden: target speed, what the plant can do, ideal lap, lean envelope. Pure."""
