"""Where a plate lies in its capture: its surround, its outline, its corners."""
