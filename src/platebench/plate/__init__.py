"""A plate as it is seen: light, flattening, finding, glare, stain, straightening, densities."""
