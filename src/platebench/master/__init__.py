"""Archive masters: the capture's own photosites as linear transmittance, and what was done."""
