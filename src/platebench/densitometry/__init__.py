"""The camera as a densitometer: calibration by a step tablet, readings of spots and wedges."""
