"""How the reference robot rides when its mission asks for it fast: near what the vehicle can do."""
