"""What a robot's own software has to know of a bench: data, a page, and the same page as Markdown."""
