"""The description as a page: its words, drawings, and what they are written as."""
