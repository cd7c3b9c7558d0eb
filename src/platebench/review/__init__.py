"""The review page in the browser: every plate at a glance, and the means to put it right."""
