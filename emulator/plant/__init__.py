"""The one compiled step: frames in, bike, senses, frames out. Pure."""
