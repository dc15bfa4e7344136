"""The line that is ridden, its stations and offsets, and the shape and grip of the road. Pure."""
