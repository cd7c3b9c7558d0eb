"""A step tablet: found, read, and what it says of the camera."""
