"""A session of plates: drafted, checked, calibrated, converted, measured, remembered."""
