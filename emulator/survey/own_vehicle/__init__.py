"""A vehicle file from a data sheet: defaults for what it leaves out, and how that is measured."""
