"""Commands for those who run the program as a service: in containers, by a service manager."""
