"""A lab's own names: which frame and signal of its DBC carries what, and how."""
