"""Exposing and developing blue-sensitive plates: from a meter reading to the log."""
