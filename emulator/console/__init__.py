"""The live page: what a ride looks like while it lasts, in a browser; watched by many, operated by one."""
