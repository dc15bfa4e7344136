"""The live page on the command line."""
