"""The camera as a densitometer: spots, wedges, noise, and how well a capture was made."""
