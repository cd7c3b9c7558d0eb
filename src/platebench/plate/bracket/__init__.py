"""Several exposures of one plate: planned, registered, merged."""
