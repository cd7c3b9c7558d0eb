"""Tiles of one plate, captured one after the other, joined to one transmittance."""
