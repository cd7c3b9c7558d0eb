"""The version, where every layer may read it."""

__version__ = "0.4.0"
