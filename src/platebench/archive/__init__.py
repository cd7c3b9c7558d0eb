"""Packages for the long term: built, verified, made again, catalogued, audited."""
