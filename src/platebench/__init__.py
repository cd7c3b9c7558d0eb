"""From glass-plate negatives on a light box to densities, positives and proof sheets."""

__version__ = "0.1.0"

__all__ = ["__version__"]
