"""What the reference robot hears from its GNSS receiver."""
