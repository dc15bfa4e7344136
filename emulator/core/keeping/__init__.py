"""What is kept on disk to spare time: under which name, in which folder, compiled code and arrays."""
